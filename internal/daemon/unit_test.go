package daemon

import (
	"net/http"
	"net/url"
	"testing"
	"time"

	"muster/internal/event"
	"muster/internal/ui/webtest"
	"muster/pgn"
)

// TestUnitKeepsItsID: a unit that changed its NAME has one id, also after a start that receives only its new NAME. The
// NAME that it left is its past then as before.
func TestUnitKeepsItsID(t *testing.T) {
	dir := t.TempDir()
	now := event.At(time.Now()).Add(-time.Minute)
	renamed := nameA ^ 3<<32 // another device instance
	id := func(want int, opt Options) string {
		t.Helper()
		d, stop := aboard(t, opt)
		defer stop()
		eventually(t, func() bool { return len(d.Report().Devices) == want })
		if n := len(d.Report().Aboard()); n != 1 {
			t.Errorf("%d units aboard", n)
		}
		return d.Report().Aboard()[0].ID
	}
	first := id(2, keptOptions(t, dir, network(now, "can0", false), claim(now, nameA, 35), claim(now.Add(20*time.Second), renamed, 35)))
	later := now.Add(time.Minute)
	again := id(2, keptOptions(t, dir, network(later, "can0", false), claim(later, renamed, 35)))
	if first != nameA.String() || again != first {
		t.Errorf("the unit was %s and is %s, want %s", first, again, nameA)
	}
}

// TestUnitsByHand: what the config says of two presences holds against what they report.
func TestUnitsByHand(t *testing.T) {
	now := event.At(time.Now()).Add(-time.Minute)
	other := nameA + 1 // another unique number
	renamed := nameA ^ 3<<32
	for _, tt := range []struct {
		what          string
		second        pgn.NAME
		same, notSame [][]string
		units         int
	}{
		{"two boxes", other, nil, nil, 2},
		{"two boxes that are one", other, [][]string{{nameA.String(), other.String()}}, nil, 1},
		{"one box", renamed, nil, nil, 1},
		{"one box that is two", renamed, nil, [][]string{{nameA.String(), renamed.String()}}, 2},
	} {
		opt := keptOptions(t, t.TempDir(), network(now, "can0", false), claim(now, nameA, 35), claim(now.Add(20*time.Second), tt.second, 36))
		opt.Config.SameAs, opt.Config.NotSameAs = tt.same, tt.notSame
		d, stop := aboard(t, opt)
		eventually(t, func() bool { return len(d.Report().Devices) == 2 })
		if n := len(d.Report().Units); n != tt.units {
			t.Errorf("%s: %d units, want %d", tt.what, n, tt.units)
		}
		stop()
	}
}

// TestDecisionsAreKept: what somebody decides of two presences holds at once, and after a start; it can be taken back.
func TestDecisionsAreKept(t *testing.T) {
	dir := t.TempDir()
	now := event.At(time.Now()).Add(-time.Minute)
	a, b := nameA.String(), (nameA + 1).String()
	run := func(at event.Time, want int, act func(*Daemon)) {
		t.Helper()
		opt := keptOptions(t, dir, network(at, "can0", false), claim(at, nameA, 35), claim(at.Add(time.Second), nameA+1, 36))
		opt.Config.Listen = "127.0.0.1:0"
		d, stop := aboard(t, opt)
		defer stop()
		eventually(t, func() bool { return len(d.Report().Devices) == 2 })
		act(d)
		if n := len(d.Report().Units); n != want {
			t.Errorf("%d units, want %d", n, want)
		}
	}
	decide := func(d *Daemon, body string) *http.Response {
		resp, _ := webtest.Ask(t, http.MethodPost, d.URL()+"/api/v1/units/decisions", body)
		return resp
	}
	run(now, 1, func(d *Daemon) {
		for body, want := range map[string]int{
			`{"a": "` + a + `", "b": "nothing", "same": true, "by": "Jo"}`:   http.StatusNotFound,
			`{"a": "` + a + `", "b": "` + a + `", "same": true, "by": "Jo"}`: http.StatusUnprocessableEntity,
			`{"a": "` + a + `", "b": "` + b + `", "same": true, "by": "Jo"}`: http.StatusNoContent,
		} {
			if resp := decide(d, body); resp.StatusCode != want {
				t.Errorf("%s: %s", body, resp.Status)
			}
		}
	})
	run(now.Add(20*time.Second), 1, func(*Daemon) {})
	run(now.Add(40*time.Second), 2, func(d *Daemon) {
		query := url.Values{"a": {b}, "b": {a}}
		for _, want := range []int{http.StatusNoContent, http.StatusNotFound} {
			if resp, _ := webtest.Ask(t, http.MethodDelete, d.URL()+"/api/v1/units/decisions?"+query.Encode(), ""); resp.StatusCode != want {
				t.Errorf("remove: %s, want %d", resp.Status, want)
			}
		}
	})
}
