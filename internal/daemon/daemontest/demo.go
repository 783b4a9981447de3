// Package daemontest runs daemons on simulated boats, for the tests of those who show them.
package daemontest

import (
	"context"
	"os"
	"slices"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"muster/internal/api"
	"muster/internal/backbone"
	"muster/internal/config"
	"muster/internal/daemon"
	"muster/internal/event"
	"muster/internal/sim"
	"muster/internal/tap"
)

// Demo runs a daemon on a built-in scenario, so many times as fast as the clock.
func Demo(t testing.TB, scenario string, speed float64, change func(*daemon.Options)) *daemon.Daemon {
	t.Helper()
	sc, err := sim.Load(t.Context(), scenario)
	if err != nil {
		t.Fatal(err)
	}
	// The tests outlast the story at this pace: the displays go on to differ.
	sc.Timeline = slices.DeleteFunc(sc.Timeline, func(a sim.Action) bool { return a.Do == "update" || a.Do == "restore" })
	began := time.Now()
	c := config.Default()
	c.Listen, c.Boat.Name, c.Boat.ID = "127.0.0.1:0", sc.Boat.Name, "demo"
	c.Sources = []config.Source{{Source: "sim:" + scenario, Ask: true}}
	c.Manufacturers = map[uint16]string{2001: "Larkfin Marine", 2002: "Gannet Instruments", 2003: "Sanderling Power"}
	opt := daemon.Options{Config: c, Log: zerolog.Nop(), Version: "v0.0.0-test", ReportEvery: 500 * time.Millisecond, Sheets: os.DirFS("../../deploy/sheets"),
		Now: func() time.Time { return began.Add(time.Duration(float64(time.Since(began)) * speed)) },
		Open: func(string, bool) (tap.Source, error) {
			return sim.NewPlayer(sim.New(sc, sc.Seed, event.At(began)), speed), nil
		}}
	if text := sim.Layout(scenario); text != nil {
		l, err := backbone.Parse(t.Context(), "", text)
		if err != nil {
			t.Fatal(err)
		}
		opt.Layouts = []*backbone.Layout{l}
	}
	if change != nil {
		change(&opt)
	}
	opt.Load = func(context.Context) (config.Config, error) { return opt.Config, nil }
	d, err := daemon.New(t.Context(), opt)
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- d.Run(context.Background()) }()
	t.Cleanup(func() {
		if err := d.Stop(); err != nil {
			t.Error(err)
		}
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	return d
}

// Until waits for something that comes true in its own time.
func Until(t testing.TB, what string, true func() bool) {
	t.Helper()
	for range 6000 {
		if true() {
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	t.Fatalf("it never came true that %s", what)
}

// OpenAlert reports whether an alert of a check is open.
func OpenAlert(d *daemon.Daemon, check string) bool {
	for _, a := range d.Report().Alerts {
		if a.Check == check {
			return true
		}
	}
	return false
}

// OpenJob opens a job of the boat as it is now, and plans it.
func OpenJob(t testing.TB, d *daemon.Daemon) {
	t.Helper()
	if err := d.Desk().OpenJob(t.Context(), api.NewJob{By: "Jo", Number: "7", Customer: "A. Customer"}); err != nil {
		t.Fatal(err)
	}
	if err := d.Desk().ActOnJob(t.Context(), api.JobAct{By: "Jo", Do: "plan"}); err != nil {
		t.Fatal(err)
	}
}
