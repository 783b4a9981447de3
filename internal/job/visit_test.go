package job

import (
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/hosttest"
	"muster/internal/release"
	"muster/internal/report"
	"muster/internal/snapshot"
)

var taken = event.At(time.Date(2026, 5, 2, 8, 0, 0, 0, time.UTC))

// planned is a work order, and the boat that it was made for.
func planned(t *testing.T) (*release.Order, *report.Report) {
	t.Helper()
	o, err := release.ParseOrder(t.Context(), content(t, hosttest.Testdata(t, "evidence/order.json")))
	if err != nil {
		t.Fatal(err)
	}
	r := &report.Report{Schema: report.V2, Boat: o.Boat, TakenAt: taken, Window: boat.Window{From: taken - 1}}
	for _, s := range o.Steps() {
		r.Devices = append(r.Devices, report.Device{ID: s.Device.ID, State: boat.Present, Product: &boat.Product{Model: s.Device.Model,
			Serial: s.Device.Serial, Software: s.From}})
	}
	r.Devices = append(r.Devices, report.Device{ID: "C0789100FA400C99", State: boat.Present,
		Product: &boat.Product{Model: "GW3 wind", Serial: "W-1", Software: "1.0"}})
	r.Complete()
	return o, r
}

// visited is an open job with a snapshot and, when asked for, its order.
func visited(t *testing.T, withOrder bool) *Visit {
	t.Helper()
	v, err := Create(t.Context(), filepath.Join(t.TempDir(), "visit"), "laptop", "Ana", Opening{Number: "1", Customer: "A. Customer"})
	if err != nil {
		t.Fatal(err)
	}
	o, r := planned(t)
	s := snapshot.New(r)
	if err := s.Close(nil); err != nil {
		t.Fatal(err)
	}
	text, err := s.Encode()
	if err != nil {
		t.Fatal(err)
	}
	if err := v.Put(t.Context(), Snapshot, "Ana", FileLine{File: "before.json", What: Before}, text); err != nil {
		t.Fatal(err)
	}
	if !withOrder {
		return v
	}
	order, err := o.JSON()
	if err != nil {
		t.Fatal(err)
	}
	order = bytes.ReplaceAll(order, []byte(o.Snapshot.Digest), []byte("sha256:"+s.Seal.SHA256))
	if err := v.Put(t.Context(), Planned, "Ana", FileLine{File: "order.json", What: Order}, order); err != nil {
		t.Fatal(err)
	}
	return v
}

func say(t *testing.T, v *Visit, kind Kind, about *About, data any) {
	t.Helper()
	if err := v.Add(t.Context(), Entry{Kind: kind, By: "Ana", About: about, Data: data}); err != nil {
		t.Fatal(err)
	}
}

// TestNext: what is to be done, and what stands in the way, for each way that a job can be.
func TestNext(t *testing.T) {
	tickAll := func(t *testing.T, v *Visit) {
		for _, p := range v.HoldPoints() {
			say(t, v, HoldPoint, nil, Tick{Point: p.ID})
		}
	}
	passing := func(v *Visit) *Live {
		volts, rpm, still := 13.2, 0.0, 0.0
		return &Live{Report: v.Before.Report, Conditions: release.Conditions{SupplyVolts: &volts, EngineRPM: &rpm, SpeedMS: &still}}
	}
	failing := func(v *Visit) *Live {
		low, rpm, still := 11.2, 900.0, 0.0
		return &Live{Report: v.Before.Report, Conditions: release.Conditions{SupplyVolts: &low, EngineRPM: &rpm, SpeedMS: &still}}
	}
	for _, c := range []struct {
		name     string
		order    bool
		do       func(t *testing.T, v *Visit)
		live     func(v *Visit) *Live
		want     string
		blockers []string
		missing  int
		going    Go
	}{
		{"no order", false, nil, nil, "Take the snapshot after the work", nil, 3, ""},
		{"to choose", false, nil, func(v *Visit) *Live {
			return &Live{Report: v.Before.Report, Plan: &release.Order{Groups: []release.Group{{Steps: make([]release.Step, 2)}}}}
		}, "Choose what is to be updated, and make the work order", nil, 3, ""},
		{"planned", true, nil, nil, "Step 1.1: update ", []string{"moored", "engines-off", "shore-power", "settings-kept", "waypoints-kept",
			"owner-informed"}, 4, GoCheck},
		{"ticked", true, tickAll, nil, "Step 1.1: update ", nil, 4, GoCheck},
		{"all good", true, tickAll, passing, "Step 1.1: update ", nil, 4, GoCheck}, // the trend takes ten minutes
		{"one to check, waived", true, func(t *testing.T, v *Visit) {
			tickAll(t, v)
			say(t, v, Waived, nil, Waiver{Check: "supply-trend", Reason: "a bench supply is on"})
		}, passing, "Step 1.1: update ", nil, 4, GoYes},
		{"no go", true, tickAll, failing, "Step 1.1: update ", []string{"supply", "engines-stopped"}, 4, GoNo},
		{"waived", true, func(t *testing.T, v *Visit) {
			tickAll(t, v)
			say(t, v, Waived, nil, Waiver{Check: "engines-stopped", Reason: "it is the generator"})
		}, failing, "Step 1.1: update ", []string{"supply"}, 4, GoNo},
		{"disputed", true, func(t *testing.T, v *Visit) {
			tickAll(t, v)
			say(t, v, ReadByHand, &About{Step: "1.1"}, ByHand{Version: v.Order.Steps()[0].To})
		}, nil, "Step 1.1: read ", nil, 4, ""},
		{"settled", true, func(t *testing.T, v *Visit) {
			tickAll(t, v)
			for _, s := range v.Order.Steps() {
				say(t, v, Settled, &About{Step: s.ID}, ByHand{Version: s.To, Reason: "seen on its screen"})
			}
			say(t, v, Hours, nil, Work{Minutes: 90})
		}, nil, "Take the snapshot after the work", nil, 2, ""},
		{"closed", true, func(t *testing.T, v *Visit) {
			if err := v.Close(t.Context(), "Ana"); err != nil {
				t.Fatal(err)
			}
		}, nil, "Hand the folder over", nil, 0, ""},
	} {
		t.Run(c.name, func(t *testing.T) {
			v := visited(t, c.order)
			if c.do != nil {
				c.do(t, v)
			}
			again, err := LoadVisit(t.Context(), v.Dir, "laptop") // the ledger alone decides
			if err != nil {
				t.Fatal(err)
			}
			var live *Live
			if c.live != nil {
				live = c.live(again)
			}
			n := Next(again, live)
			var got []string
			for _, b := range n.Blockers {
				id, _, _ := strings.Cut(b.Text, ":")
				got = append(got, id)
			}
			if !strings.HasPrefix(n.Do, c.want) || fmt.Sprint(got) != fmt.Sprint(c.blockers) || len(n.Missing) != c.missing || n.Go != c.going {
				t.Errorf("%+v", n)
			}
			for _, l := range slices.Concat(n.Blockers, n.Missing, []Lack{{n.Do, n.Command}, {Text: n.Why}}) {
				if strings.Contains(l.Text, "muster") {
					t.Errorf("a page shows %q, and has a button instead of the command", l.Text)
				}
			}
		})
	}
}

// TestObserve: two that follow one job, and one who reads by hand beside them, lose nothing of each other; what changes outside the order
// is told once.
func TestObserve(t *testing.T) {
	v := visited(t, true)
	other, err := LoadVisit(t.Context(), v.Dir, "laptop")
	if err != nil {
		t.Fatal(err)
	}
	_, r := planned(t)
	last := len(r.Devices) - 1
	r.TakenAt, r.Devices[last].Product.Software = taken.Add(time.Minute), "1.1"
	r.Units = nil
	r.Complete()
	for i, who := range []*Visit{v, other, v} {
		if _, err := who.Observe(t.Context(), taken.Add(time.Duration(i+1)*time.Minute), r, release.Conditions{}); err != nil {
			t.Fatal(err)
		}
	}
	step := v.Order.Steps()[0]
	say(t, other, ReadByHand, &About{Step: step.ID}, ByHand{Version: step.To})
	changes, err := v.Observe(t.Context(), taken.Add(time.Hour), r, release.Conditions{})
	if err != nil {
		t.Fatal(err)
	}
	if s := v.Follower.Status()[0]; s.State != release.StepDisputed || s.ByHand == nil || len(changes) == 0 {
		t.Errorf("the reading beside it is lost: %+v, %v", s, changes)
	}
	if len(v.Outside) != 1 {
		t.Errorf("changed outside the order: %v", v.Outside)
	}
	n := 0
	for _, line := range v.Ledger.Lines {
		if line.Kind == ChangedOutside {
			n++
		}
	}
	if n != 1 {
		t.Errorf("it is told %d times", n)
	}
}

// TestFolderAltered: a change of a single byte of any file of a closed job is found, in the ledger too.
func TestFolderAltered(t *testing.T) {
	v := visited(t, true)
	for _, name := range []string{"photos/a.jpg", "traffic/follow.log.zst", "record.pdf"} {
		what := map[string]What{".jpg": Photo, ".zst": Traffic, ".pdf": Paper}[filepath.Ext(name)]
		if err := v.Put(t.Context(), Attached, "Ana", FileLine{File: name, What: what}, []byte(name)); err != nil {
			t.Fatal(err)
		}
	}
	if err := v.Put(t.Context(), Attached, "Ana", FileLine{File: "files/a.txt", What: Other}, []byte("as it was")); err != nil {
		t.Fatal(err)
	}
	if err := v.Put(t.Context(), Attached, "Ana", FileLine{File: "files/b.txt", What: Other}, []byte("as it was")); err == nil {
		t.Error("the same content twice")
	}
	if err := v.Put(t.Context(), Attached, "Ana", FileLine{File: "../a.txt", What: Other}, []byte("out")); err == nil {
		t.Error("a file outside the folder")
	}
	if err := v.Close(t.Context(), "Ana"); err != nil {
		t.Fatal(err)
	}
	if err := v.Add(t.Context(), Entry{Kind: Note}); !errors.Is(err, ErrClosed) {
		t.Errorf("a note in a closed job: %v", err)
	}
	problems := func() int {
		p, err := Check(t.Context(), v.Dir)
		if err != nil {
			t.Fatal(err)
		}
		return len(p.Problems)
	}
	if n := problems(); n != 0 {
		t.Fatalf("as it was written: %d problems", n)
	}
	for _, f := range append(v.Files, FileLine{File: ledgerName}) {
		path := filepath.Join(v.Dir, f.File)
		whole := content(t, path)
		for at := len(whole) - 1; at >= 0; at -= max(1, len(whole)/300) {
			text := append([]byte{}, whole...)
			text[at] ^= 1
			if err := os.WriteFile(path, text, 0o644); err != nil {
				t.Fatal(err)
			}
			if problems() == 0 {
				t.Fatalf("%s: byte %d of %d, %q: not found", f.File, at, len(whole), whole[max(0, at-60):min(len(whole), at+20)])
			}
		}
		if err := os.WriteFile(path, whole, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if n := problems(); n != 0 {
		t.Errorf("put back: %d problems", n)
	}
}
