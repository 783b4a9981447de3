package daemon

import (
	"io"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/tap"
	"muster/pgn"
)

// wire is a source that the test feeds.
type wire struct {
	*fakeSource
	events chan []event.Event
}

func newWire() *wire { return &wire{newFake(nil), make(chan []event.Event)} }

func (w *wire) Read(events []event.Event) (int, error) {
	select {
	case list := <-w.events:
		return copy(events, list), nil
	case <-w.closed:
		return 0, io.EOF
	}
}

// afloat is a daemon that runs on a clock which the test moves.
type afloat struct {
	t    testing.TB
	d    *Daemon
	wall atomic.Int64
	log  lockedBuffer
}

func newAfloat(t testing.TB, opt Options) *afloat {
	a := &afloat{t: t}
	a.wall.Store(int64(t0))
	opt.Now = func() time.Time { return event.Time(a.wall.Load()).UTC() }
	opt.Log = zerolog.New(&a.log)
	opt.Config.Checks.Every = time.Second
	opt.Config.Alerts.Settle = 0
	a.d, _ = aboard(t, opt)
	return a
}

// until lets seconds pass, in each of which say is called, until what is true.
func (a *afloat) until(what string, is func() bool, say func(now event.Time)) {
	a.t.Helper()
	for range 3600 {
		if is() {
			return
		}
		now := event.Time(a.wall.Add(int64(time.Second)))
		say(now)
		eventually(a.t, func() bool { return a.d.Report().TakenAt >= now.Add(-lateness) })
	}
	a.t.Fatalf("within an hour: not %s", what)
}

func (a *afloat) alert(check, network string) (state string) {
	for _, x := range a.d.Report().Alerts {
		if x.Check == check && x.Network == network {
			state = string(x.State)
		}
	}
	return state
}

// changes are the lines of the log about one alert.
func (a *afloat) changes(id string) (lines []string) {
	for line := range strings.Lines(a.log.String()) {
		if strings.Contains(line, `"alert":"`+id+`"`) {
			lines = append(lines, line)
		}
	}
	return lines
}

func (a *afloat) said(words string) int { return strings.Count(a.log.String(), words) }

// TestShortQueue: a kernel that lets little wait to be read is reported once, and not again when the network comes back.
func TestShortQueue(t *testing.T) {
	bow := newWire()
	a := newAfloat(t, options("off", map[string]tap.Source{"can0": bow}, "can0"))
	info := event.Network{ID: "can0", Kind: event.NMEA2000, Queue: 212_992}
	for i := range 2 {
		bow.events <- []event.Event{{Time: t0, Kind: event.KindNetwork, Info: &info}, claim(t0, nameA+pgn.NAME(i), uint8(i))}
		eventually(t, func() bool { return len(a.d.Report().Devices) == i+1 })
	}
	if a.said("net.core.rmem_max") != 1 || a.said(`"level":"debug","component":"daemon","network":"can0","bytes":212992`) != 1 {
		t.Errorf("said %s", a.log.String())
	}
}

// TestNetworksFailAlone: a network that goes away is reported once, with the cause and what to do, and raises an
// alert that its return clears; the other is read on.
func TestNetworksFailAlone(t *testing.T) {
	bow, stern := newWire(), newWire()
	opt := options("off", map[string]tap.Source{"can0": bow, "can1": stern}, "can0", "can1")
	a := newAfloat(t, opt)
	down := false
	speak := func(now event.Time) {
		stern.events <- []event.Event{depth(now)}
		if !down {
			bow.events <- []event.Event{depth(now)}
		}
	}
	bow.events <- []event.Event{network(t0, "can0", false), claim(t0, nameA, 35)}
	stern.events <- []event.Event{network(t0, "can1", false), claim(t0, nameA+1, 35)}
	a.until("both heard", func() bool { return len(a.d.Report().Devices) == 2 }, speak)

	for range 2 { // twice in the same way
		a.log.reset()
		down = true
		for range 2 {
			bow.events <- []event.Event{{Kind: event.KindDown, Time: event.Time(a.wall.Load()), Line: []byte("network is down")}}
		}
		a.until("an alert", func() bool { return a.alert("silent", "can0") == string(alert.StatusOpen) }, speak)
		if err := a.d.Ready(); err == nil || !strings.Contains(err.Error(), "can0") {
			t.Errorf("ready: %v", err)
		}
		if s := a.alert("silent", "can1"); s != "" {
			t.Errorf("the other network: %s", s)
		}
		for _, dev := range a.d.Report().Devices {
			if dev.Network == "can1" && (dev.State != boat.Present || a.d.Report().TakenAt.Sub(dev.LastSeen) > 2*time.Second) {
				t.Errorf("%s is %s", dev.ID, dev.State)
			}
		}
		if a.said(`"source":"can0","cause":"network is down","message":"source lost: check its connector, its cable`) != 1 || a.said("source is back") != 0 {
			t.Errorf("said %s", a.log.String())
		}
		down = false
		bow.events <- []event.Event{{Kind: event.KindUp, Time: event.Time(a.wall.Load())}}
		a.until("the end of the alert", func() bool { s := a.alert("silent", "can0"); return s == "" || s == string(alert.StatusCleared) }, speak)
		if err := a.d.Ready(); err != nil {
			t.Error(err)
		}
		if a.said("source lost") != 1 || a.said(`"source":"can0","message":"source is back"`) != 1 || len(a.changes("silent:can0")) != 2 {
			t.Errorf("said %s", a.log.String())
		}
	}
}
