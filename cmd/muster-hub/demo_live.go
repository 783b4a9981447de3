package main

import (
	"context"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"time"

	"github.com/rs/zerolog"
	"golang.org/x/sync/errgroup"

	"muster/internal/api"
	"muster/internal/backbone"
	"muster/internal/boat"
	"muster/internal/cli"
	"muster/internal/config"
	"muster/internal/daemon"
	"muster/internal/event"
	"muster/internal/sim"
	"muster/internal/tap"
)

// goOnEvery is how often one of the boats that are not live reports again.
const goOnEvery = 10 * time.Second

// goOn sends a report of one boat after the other until ctx ends.
func (d *demo) goOn(ctx context.Context) error {
	tick := time.NewTicker(goOnEvery)
	defer tick.Stop()
	for i := 0; ; i++ {
		select {
		case <-ctx.Done():
			return nil
		case <-tick.C:
		}
		b := &demoBoats[i%len(demoBoats)]
		if b.live || b.unheard > 0 {
			continue
		}
		d.now = time.Now()
		if _, err := d.send(ctx, i%len(demoBoats), 0); err != nil && ctx.Err() == nil {
			return fmt.Errorf("report of %s: %w", b.name, err)
		}
	}
}

// live runs the daemon of a boat with its own pages until ctx ends.
func (d *demo) live(ctx context.Context, g *errgroup.Group, number int, log zerolog.Logger) error {
	b := &demoBoats[number]
	sc, err := b.scenario(ctx, number, 0)
	if err != nil {
		return err
	}
	if b.trouble == "search" {
		sc.Timeline = []sim.Action{{At: 5 * time.Second, Do: "error-frames", Rate: 4}}
	}
	layout, err := backbone.Parse(ctx, "", sim.Layout("demo"))
	if err != nil {
		return err
	}
	layout.Boat = b.name
	listen, err := freeAddress()
	if err != nil {
		return err
	}
	c := config.Default()
	c.Boat = boat.Identity{ID: demoID(b.name), Name: b.name}
	c.Listen, c.StateDir = listen, filepath.Join(d.dir, demoID(b.name))
	c.Sources = []config.Source{{Source: "sim:demo", Ask: true}}
	c.Fleet = config.Fleet{URL: []string{d.server.ClientURL()}, Credentials: d.creds(b), Every: time.Minute, MetricsURL: "http://" + listen + "/metrics"}
	c.Store.Every = time.Second
	if err := os.MkdirAll(c.StateDir, 0o700); err != nil {
		return err
	}
	began := event.At(time.Now())
	aboard, err := daemon.New(ctx, daemon.Options{Config: c, Log: log, Version: cli.Version(), Sheets: d.files,
		Layouts: []*backbone.Layout{layout},
		Open:    func(string, bool) (tap.Source, error) { return sim.NewPlayer(sim.New(sc, sc.Seed, began), 1), nil }})
	if err != nil {
		return err
	}
	g.Go(func() error { return aboard.Run(ctx) })
	g.Go(func() error { <-ctx.Done(); return aboard.Stop() })
	if b.trouble == "search" {
		g.Go(func() error { return d.search(ctx, aboard, b) })
	}
	return nil
}

// identified is when every unit of a live boat is.
const identified = 40 * time.Second

// search opens a job on a boat with a fault of its backbone, and enters what was measured so far.
func (d *demo) search(ctx context.Context, aboard *daemon.Daemon, b *demoBoat) error {
	select {
	case <-ctx.Done():
		return nil
	case <-time.After(identified):
	}
	const by = "J. Technician"
	err := aboard.Desk().OpenJob(ctx, api.NewJob{By: by, Number: "2026-271", Customer: "A. Customer", Place: b.marina, AskedFor: "Errors on the network: find the fault"})
	if err == nil {
		err = aboard.Server().AddToJob(ctx, api.JobEntry{By: by, Kind: "reading", Network: "n2k", Reading: "tee 4: 11.2 V"})
	}
	if err != nil && ctx.Err() == nil {
		return fmt.Errorf("search for a fault on %s: %w", b.name, err)
	}
	return nil
}

// freeAddress is an address of this computer on which nothing listens.
func freeAddress() (string, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", err
	}
	return l.Addr().String(), l.Close()
}
