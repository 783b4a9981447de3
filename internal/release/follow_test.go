package release

import (
	"encoding/json"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/report"
)

// bench is one boat whose only LF9 display is updated. It plays the boat model: present state, counts and times.
type bench struct {
	t        *testing.T
	order    *Order
	follower *Follower
	report   *report.Report
	now      event.Time
	cond     Conditions
	json     bool // hand reports over as JSON, which does not carry every fact
	log      []string
}

func newBench(t *testing.T) *bench {
	r := report.New(&boat.State{Boat: boat.Identity{ID: "kittiwake"}, TakenAt: start,
		Window: boat.Window{From: start.Add(-5 * time.Minute), To: start}, Devices: []boat.Device{
			device(1, 2001, boat.RoleDisplay, "Larkfin LF9 display", "L9-0001", "LF9 4.47"),
			device(4, 2001, boat.RoleSonar, "Larkfin Olbo 30 sonar", "S3-0001", "2.9.0"),
		}}, nil)
	h := &r.Devices[0]
	h.Installation = &boat.Installation{Description1: "Helm"}
	h.Software = []boat.Software{{Version: "LF9 4.47", Since: start.Add(-5 * time.Minute)}}
	h.Transmits = []report.Transmit{
		{PGN: 126996, Count: 1, Live: &boat.Transmit{Last: start.Add(-4 * time.Minute)}},
		{PGN: 126998, Count: 1, Live: &boat.Transmit{Last: start.Add(-4 * time.Minute)}},
		{PGN: 127505, Title: "Fluid Level", Instance: ptr(uint8(1)), Count: 100, Interval: &boat.Interval{Mean: 2500}, Live: &boat.Transmit{Last: start}},
		{PGN: 128267, Title: "Water Depth", Count: 300, Interval: &boat.Interval{Mean: 1000}, Live: &boat.Transmit{Last: start}},
	}
	findUnits(r)
	o, _ := Plan(r, "sha256:0123", "", examples(t), Options{})
	f, err := NewFollower(o, r)
	if err != nil {
		t.Fatal(err)
	}
	return &bench{t: t, order: o, follower: f, report: r, now: start}
}

// findUnits finds the units of a report whose devices a test changed, each of which has what a running model has.
func findUnits(r *report.Report) {
	r.Units = nil
	r.Complete()
	for i := range r.Units {
		if u := &r.Units[i]; len(u.Presences) == 1 {
			id := u.ID
			u.Device = *u.Presences[0]
			u.Device.ID = id
		}
	}
}

func (b *bench) head() *report.Device { return &b.report.Devices[0] }

// sends makes the display send a message once now.
func (b *bench) sends(pgn uint32) {
	for i := range b.head().Transmits {
		if t := &b.head().Transmits[i]; t.PGN == pgn {
			t.Count++
			t.Live.Last = b.now
		}
	}
}

// run lets time pass; a present display sends its regular messages.
func (b *bench) run(d time.Duration) {
	b.t.Helper()
	for end := b.now.Add(d); b.now < end; {
		b.now = b.now.Add(5 * time.Second)
		b.report.TakenAt, b.report.Window.To = b.now, b.now
		b.report.Devices[1].LastSeen = b.now
		if b.head().State == boat.Present {
			b.head().LastSeen = b.now
			b.sends(127505)
			b.sends(128267)
		}
		b.takeReport()
	}
}

func (b *bench) takeReport() {
	b.t.Helper()
	r := b.report
	findUnits(r)
	if b.json {
		data, err := json.Marshal(r)
		if err != nil {
			b.t.Fatal(err)
		}
		r = &report.Report{}
		if err := json.Unmarshal(data, r); err != nil {
			b.t.Fatal(err)
		}
		r.Complete()
	}
	b.note(b.follower.Observe(b.now, r, b.cond))
}

func (b *bench) note(changes []StepChange) {
	for _, c := range changes {
		s := fmt.Sprintf("%s %s>%s", c.Step, c.From, c.To)
		for _, f := range c.Failures {
			s += " " + string(f.Reason)
		}
		if c.Note != "" {
			s += " (" + c.Note + ")"
		}
		b.log = append(b.log, s)
	}
}

// leaves takes the display off the network.
func (b *bench) leaves() { b.head().State = boat.Silent }

// comes brings it back with a version that it reports.
func (b *bench) comes(version string) {
	h := b.head()
	h.State, h.LastSeen, h.Live.ClaimedAt = boat.Present, b.now, b.now
	h.Restarts++
	h.Live.LastRestarts = append(h.Live.LastRestarts, b.now)
	h.Product = &boat.Product{Model: h.Product.Model, Serial: h.Product.Serial, Code: h.Product.Code, Software: version}
	b.sends(126996)
	b.sends(126998)
}

func (b *bench) want(lines ...string) {
	b.t.Helper()
	if d := cmp.Diff(append([]string(nil), lines...), b.log); d != "" {
		b.t.Error(d)
	}
}

func TestFollow(t *testing.T) {
	left, back, identified := "1.1 waiting>left", "1.1 left>back", "1.1 back>identified"
	for _, tt := range []struct {
		name string
		do   func(*bench)
		want []string
	}{
		{"good", func(b *bench) {
			b.leaves()
			b.run(5 * time.Minute)
			b.comes("LF9 4.50")
			b.run(2 * time.Minute)
		}, []string{left, back, identified, "1.1 identified>verified"}},
		{"nothing happens", func(b *bench) { b.run(time.Hour) }, nil},
		{"old version", func(b *bench) {
			b.leaves()
			b.run(5 * time.Minute)
			b.comes("LF9 4.47")
			b.run(2 * time.Minute)
		}, []string{left, back, identified, "1.1 identified>failed old-version"}},
		{"other version", func(b *bench) {
			b.leaves()
			b.run(5 * time.Minute)
			b.comes("LF9 4.48")
			b.run(2 * time.Minute)
		}, []string{left, back, identified, "1.1 identified>failed other-version"}},
		{"twice restarted", func(b *bench) { // into the updater, then into the new release
			b.leaves()
			b.run(time.Minute)
			b.comes("LF9 4.47")
			b.run(10 * time.Second)
			b.leaves()
			b.run(time.Minute)
			b.comes("LF9 4.50")
			b.run(time.Minute)
		}, []string{left, back, identified, "1.1 identified>left", back, identified, "1.1 identified>verified"}},
		{"old version, then repeated", func(b *bench) {
			b.leaves()
			b.run(5 * time.Minute)
			b.comes("LF9 4.47")
			b.run(2 * time.Minute)
			b.leaves()
			b.run(5 * time.Minute)
			b.comes("LF9 4.50")
			b.run(2 * time.Minute)
		}, []string{left, back, identified, "1.1 identified>failed old-version", "1.1 failed>left", back, identified, "1.1 identified>verified"}},
		{"not back", func(b *bench) {
			b.leaves()
			b.run(31 * time.Minute)
		}, []string{left, "1.1 left>failed not-back"}},
		{"back late", func(b *bench) {
			b.leaves()
			b.run(31 * time.Minute)
			b.comes("LF9 4.50")
			b.run(time.Minute)
		}, []string{left, "1.1 left>failed not-back", "1.1 failed>back (came back late)", identified, "1.1 identified>verified"}},
		{"not identified", func(b *bench) {
			b.leaves()
			b.run(time.Minute)
			b.comes("")
			b.run(3 * time.Minute)
		}, []string{left, back, "1.1 back>failed not-identified"}},
		{"identified late", func(b *bench) {
			b.leaves()
			b.run(time.Minute)
			b.comes("")
			b.run(3 * time.Minute)
			b.head().Product.Software = "LF9 4.50"
			b.sends(126996)
			b.run(time.Minute)
		}, []string{left, back, "1.1 back>failed not-identified", "1.1 failed>identified (reported its version late)", "1.1 identified>verified"}},
		{"instance in the NAME", func(b *bench) {
			b.leaves()
			b.run(time.Minute)
			old := *b.head()
			b.comes("LF9 4.50")
			h := b.head()
			name := *h.Name
			name.DeviceInstance = 3
			h.Name, h.ID = &name, "C0788203FA2003E9"
			b.report.Devices = append(b.report.Devices, old)
			b.run(2 * time.Minute)
		}, []string{left, back, identified, "1.1 identified>awaiting-reentry instance-changed"}},
		{"instance in a message", func(b *bench) {
			b.leaves()
			b.run(time.Minute)
			b.comes("LF9 4.50")
			h := b.head()
			tx := h.Transmits[2]
			tx.Instance = ptr(uint8(0))
			h.Transmits[2].PGN = 0 // sends nothing more under the old instance
			h.Transmits = append(h.Transmits, tx)
			b.run(2 * time.Minute)
		}, []string{left, back, identified, "1.1 identified>awaiting-reentry instance-changed"}},
		{"installation text", func(b *bench) {
			b.leaves()
			b.run(time.Minute)
			b.comes("LF9 4.50")
			b.head().Installation = nil
			b.run(2 * time.Minute)
		}, []string{left, back, identified, "1.1 identified>awaiting-reentry installation-lost"}},
		{"installation text entered again", func(b *bench) {
			b.leaves()
			b.run(time.Minute)
			b.comes("LF9 4.50")
			kept := b.head().Installation
			b.head().Installation = nil
			b.run(2 * time.Minute)
			b.head().Installation = kept
			b.run(time.Minute)
		}, []string{left, back, identified, "1.1 identified>awaiting-reentry installation-lost", "1.1 awaiting-reentry>awaiting-reentry (entered again: installation text 1 \"Helm\")",
			"1.1 awaiting-reentry>verified"}},
		{"message", func(b *bench) {
			b.leaves()
			b.run(time.Minute)
			b.comes("LF9 4.50")
			b.head().Transmits = b.head().Transmits[:3]
			b.run(2 * time.Minute)
		}, []string{left, back, identified, "1.1 identified>awaiting-reentry message-missing"}},
		{"supply", func(b *bench) {
			b.leaves()
			b.run(time.Minute)
			b.cond.SupplyVolts = ptr(11.2)
			b.run(time.Minute)
			b.cond.SupplyVolts = ptr(13.0)
			b.comes("LF9 4.50")
			b.run(2 * time.Minute)
		}, []string{left, "1.1 left>left (battery voltage is 11.2 V while it is away (limit 12.0 V))", back, identified, "1.1 identified>failed low-voltage"}},
		{"under way", func(b *bench) {
			b.cond = Conditions{SpeedMS: ptr(2.0), EngineRPM: ptr(800.0)}
			b.leaves()
			b.run(10 * time.Second)
		}, []string{left + " (an engine ran at 800/min; the boat moved at 3.9 kn: do not update under way)"}},
		{"ahead of the order", func(b *bench) {
			b.report.Devices[1].State = boat.Silent
			b.run(10 * time.Second)
		}, []string{"2.1 waiting>left (ahead of the order: step 1.1 is waiting (Olbo 30 sonar module needs larkfin-displays at least 4.50))"}},
	} {
		for _, mode := range []string{"live", "json", "saved"} {
			t.Run(tt.name+"/"+mode, func(t *testing.T) {
				b := newBench(t)
				b.json = mode == "json"
				b.run(10 * time.Second)
				if mode == "saved" {
					b.run(0)
					b.follower = restored(t, b)
				}
				tt.do(b)
				b.want(tt.want...)
				if mode == "saved" {
					b.follower = restored(t, b)
					b.log = nil
					b.run(time.Second)
					b.want()
				}
			})
		}
	}
}

func restored(t *testing.T, b *bench) *Follower {
	t.Helper()
	data, err := b.follower.Save()
	if err != nil {
		t.Fatal(err)
	}
	f, err := Restore(t.Context(), b.order, data)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(b.follower.Status(), f.Status()); d != "" {
		t.Error(d)
	}
	return f
}

// A restart so quick that the device never counts as silent.
func TestFollowQuickRestart(t *testing.T) {
	b := newBench(t)
	b.run(10 * time.Second)
	b.comes("LF9 4.50")
	b.run(time.Minute)
	b.want("1.1 waiting>left", "1.1 left>back", "1.1 back>identified", "1.1 identified>verified")
	s := b.follower.Status()[0]
	if s.LeftAt == 0 || s.BackAt < s.LeftAt || s.IdentifiedAt < s.BackAt || s.VerifiedAt < s.IdentifiedAt || s.Version != "4.50" || s.Attempt != 1 {
		t.Errorf("%+v", s)
	}
	if b.follower.Done() {
		t.Error("done although the sonar waits")
	}
}

// The program restarts while the device is away; its boat model begins again and is empty at first.
func TestFollowSurvivesRestart(t *testing.T) {
	for _, tt := range []struct {
		name  string
		pause time.Duration
		then  func(*bench)
		want  []string
	}{
		{"comes back after", time.Minute, func(b *bench) {
			b.run(2 * time.Minute)
			b.appears("LF9 4.50")
		}, []string{"1.1 left>back", "1.1 back>identified", "1.1 identified>verified"}},
		{"came back meanwhile", time.Hour, func(b *bench) { b.appears("LF9 4.50") },
			[]string{"1.1 left>back", "1.1 back>identified", "1.1 identified>verified"}},
		{"came back on the old version meanwhile", time.Hour, func(b *bench) { b.appears("LF9 4.47") },
			[]string{"1.1 left>back", "1.1 back>identified", "1.1 identified>failed old-version"}},
		{"does not come back", 29 * time.Minute, func(b *bench) { b.run(31 * time.Minute) }, []string{"1.1 left>failed not-back"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t)
			b.run(10 * time.Second)
			b.leaves()
			b.run(time.Minute)
			b.want("1.1 waiting>left")
			b.follower = restored(t, b)
			b.log = nil
			b.now = b.now.Add(tt.pause)
			sonar := b.report.Devices[1]
			sonar.FirstSeen = b.now
			b.report.Window.From = b.now
			b.report.Devices = []report.Device{{ID: "nothing", State: boat.Provisional}, sonar}
			tt.then(b)
			b.run(2 * time.Minute)
			b.want(tt.want...)
		})
	}
}

// appears puts the display into a model that has begun again.
func (b *bench) appears(version string) {
	h := shown(device(1, 2001, boat.RoleDisplay, "Larkfin LF9 display", "L9-0001", version))
	h.FirstSeen, h.LastSeen = b.now, b.now
	h.Transmits = []report.Transmit{{PGN: 126996, Live: &boat.Transmit{}}, {PGN: 127505, Instance: ptr(uint8(1)), Live: &boat.Transmit{}}, {PGN: 128267, Live: &boat.Transmit{}}}
	b.report.Devices[0] = h
	b.sends(126996)
	for i := range b.head().Transmits {
		b.head().Transmits[i].Live.Last++ // a moment after the window began
	}
}

// Updated without a report: a new model sees the new version at once.
func TestFollowUpdatedUnseen(t *testing.T) {
	b := newBench(t)
	b.run(10 * time.Second)
	b.follower = restored(t, b)
	b.now = b.now.Add(time.Hour)
	b.report.Window.From = b.now
	b.appears("LF9 4.50")
	b.run(2 * time.Minute)
	b.want("1.1 waiting>identified (it left and came back unseen)", "1.1 identified>verified")
}

func TestFollowByHand(t *testing.T) {
	o := planned(t)
	r := sample()
	f, err := NewFollower(o, r)
	if err != nil {
		t.Fatal(err)
	}
	step := "1.3" // the sounder
	b := &bench{t: t, order: o, follower: f, report: r, now: start}
	b.takeReport()
	b.want()
	r.Manual[0].At, r.Manual[0].Software = start.Add(time.Minute), "B2"
	b.takeReport()
	r.Manual[0].At, r.Manual[0].Software = start.Add(2*time.Minute), "D"
	b.takeReport()
	b.takeReport()
	b.want(step+" waiting>identified (B2 read off its screen by Ines)", step+" identified>failed old-version",
		step+" failed>identified (D read off its screen by Ines)", step+" identified>verified")

	// Devices that do not report their versions: the pattern fits the wire, people write less.
	b.log = nil
	for i := range r.Devices {
		r.Devices[i].Product = nil
	}
	findUnits(r)
	if f, err = NewFollower(o, r); err != nil {
		t.Fatal(err)
	}
	changes, err := f.Confirm(start.Add(3*time.Minute), "1.2", Reading{Version: "4.5", By: "Ines"})
	if err != nil {
		t.Fatal(err)
	}
	b.note(changes)
	changes, err = f.Confirm(start.Add(3*time.Minute), "1.4", Reading{Version: "20240101", By: "Ines"})
	if err != nil {
		t.Fatal(err)
	}
	b.note(changes)
	b.want("1.2 waiting>identified (4.5 read off its screen by Ines)", "1.2 identified>verified",
		"1.4 waiting>identified (20240101 read off its screen by Ines)", "1.4 identified>failed other-version")
	if _, err := f.Confirm(start, "9.9", Reading{Version: "1"}); err == nil {
		t.Error("an unknown step was confirmed")
	}
	if _, err := f.Confirm(start, "1.2", Reading{Version: " "}); err == nil {
		t.Error("an empty version was confirmed")
	}
	if s := f.Status()[1]; s.ByHand == nil || s.ByHand.By != "Ines" {
		t.Errorf("%+v", s)
	}
}

func TestFollowAlreadyDone(t *testing.T) {
	o := planned(t)
	r := sample()
	r.Devices[0].Product.Software = "LF9 4.50"
	f, err := NewFollower(o, r)
	if err != nil {
		t.Fatal(err)
	}
	if s := f.Status()[1]; s.State != StepVerified {
		t.Errorf("%+v", s)
	}
}

func TestRestoreRefuses(t *testing.T) {
	b := newBench(t)
	data, err := b.follower.Save()
	if err != nil {
		t.Fatal(err)
	}
	if _, err := Restore(t.Context(), planned(t), data); err == nil || !strings.Contains(err.Error(), "another order") {
		t.Errorf("another order: %v", err)
	}
	for _, bad := range []string{"", "{}", `{"schema":"muster.follow/v2"}`, `{"what":1}`, strings.Replace(string(data), `"step":"1.1"`, `"step":"7.1"`, 1)} {
		if _, err := Restore(t.Context(), b.order, []byte(bad)); err == nil {
			t.Errorf("%.40q was accepted", bad)
		}
	}
}

// A capture that is read again from its beginning with what was saved at its end reports nothing twice.
func TestFollowReadAgain(t *testing.T) {
	b := newBench(t)
	b.report.Clock = boat.ClockCapture
	b.run(time.Minute)
	b.follower = restored(t, b)
	b.leaves()
	b.now = start
	b.run(55 * time.Second)
	b.want()
	b.run(10 * time.Second)
	b.want("1.1 waiting>left")
}

// set is what the model makes of a clock that was set: every time of the window moves.
func (b *bench) set(by time.Duration) {
	move := func(times ...*event.Time) {
		for _, t := range times {
			if *t != 0 {
				*t = t.Add(by)
			}
		}
	}
	move(&b.now, &b.report.Window.From, &b.report.Window.To)
	b.report.Window.MovedMS += by.Seconds() * 1e3
	for i := range b.report.Devices {
		d := &b.report.Devices[i]
		move(&d.FirstSeen, &d.LastSeen, &d.Live.ClaimedAt)
		for j := range d.Live.LastRestarts {
			move(&d.Live.LastRestarts[j])
		}
		for j := range d.Software {
			move(&d.Software[j].Since)
		}
		for j := range d.Transmits {
			move(&d.Transmits[j].Live.Last)
		}
	}
}

// A clock that is set amid the work, whichever way and however far, does not change how the work is checked.
func TestFollowClockIsSet(t *testing.T) {
	for name, set := range map[string]func(*bench){
		"from 1970":        func(b *bench) { b.set(56 * 365 * 24 * time.Hour) },
		"on by an hour":    func(b *bench) { b.set(time.Hour) },
		"back by an hour":  func(b *bench) { b.set(-time.Hour) },
		"back by a second": func(b *bench) { b.set(-time.Second - 100*time.Millisecond) },
		"back while the program was not running": func(b *bench) {
			b.follower = restored(b.t, b)
			b.set(-time.Hour)
			b.report.Window.MovedMS = 0
		},
	} {
		for _, tt := range []struct {
			name string
			do   func(*bench)
			want []string
		}{
			{"good", func(b *bench) {
				b.run(5 * time.Minute)
				b.comes("LF9 4.50")
				set(b)
				b.run(10 * time.Second)
				set(b)
				b.run(2 * time.Minute)
			}, []string{"1.1 waiting>left", "1.1 left>back", "1.1 back>identified", "1.1 identified>verified"}},
			{"away too long", func(b *bench) {
				b.run(15 * time.Minute)
				set(b)
				b.run(14 * time.Minute)
				if len(b.log) != 1 {
					b.t.Errorf("too early: %q", b.log)
				}
				b.run(2 * time.Minute)
			}, []string{"1.1 waiting>left", "1.1 left>failed not-back"}},
			{"does not tell", func(b *bench) {
				h := b.head()
				h.State, h.LastSeen, h.Live.ClaimedAt = boat.Present, b.now, b.now
				b.run(time.Minute)
				set(b)
				b.run(50 * time.Second)
				if len(b.log) != 2 {
					b.t.Errorf("too early: %q", b.log)
				}
				b.run(time.Minute)
			}, []string{"1.1 waiting>left", "1.1 left>back", "1.1 back>failed not-identified"}},
		} {
			for _, json := range []bool{false, true} {
				t.Run(fmt.Sprintf("%s/%s/json %v", name, tt.name, json), func(t *testing.T) {
					b := newBench(t)
					b.json = json
					b.report.Clock = boat.ClockSystem
					b.run(10 * time.Second)
					b.leaves()
					b.run(5 * time.Second)
					tt.do(b)
					b.want(tt.want...)
				})
			}
		}
	}
}

// A capture whose stamps go back does not stop until they are where they were.
func TestFollowStampsGoBack(t *testing.T) {
	b := newBench(t)
	b.report.Clock = boat.ClockCapture
	b.run(10 * time.Second)
	b.leaves()
	b.run(5 * time.Minute)
	b.set(-time.Hour)
	b.report.Window.MovedMS = 0
	b.run(20 * time.Minute)
	b.want("1.1 waiting>left")
	b.run(10 * time.Minute)
	b.comes("LF9 4.50")
	b.run(2 * time.Minute)
	b.want("1.1 waiting>left", "1.1 left>failed not-back", "1.1 failed>back (came back late)", "1.1 back>identified", "1.1 identified>verified")
}

func FuzzRestore(f *testing.F) {
	o := planned(f)
	r := sample()
	fo, err := NewFollower(o, r)
	if err != nil {
		f.Fatal(err)
	}
	data, err := fo.Save()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(data)
	f.Add([]byte("{}"))
	f.Fuzz(func(t *testing.T, data []byte) {
		got, err := Restore(t.Context(), o, data)
		if err != nil {
			return
		}
		got.Observe(start.Add(time.Hour), r, Conditions{SupplyVolts: ptr(12.0)})
		if _, err := got.Save(); err != nil {
			return
		}
	})
}

func BenchmarkObserve(b *testing.B) {
	o := planned(b)
	r := sample()
	f, err := NewFollower(o, r)
	if err != nil {
		b.Fatal(err)
	}
	b.ReportAllocs()
	now := start
	for b.Loop() {
		now = now.Add(time.Second)
		f.Observe(now, r, Conditions{})
	}
}

func TestFailureSaysWhatToDo(t *testing.T) {
	b := newBench(t)
	b.run(10 * time.Second)
	b.leaves()
	b.run(20 * time.Second)
	b.comes("LF9 4.47")
	b.run(time.Minute)
	st := b.follower.Status()[0]
	want := []Failure{{Reason: ReasonOldVersion, Text: "came back on the old version 4.47: see that the card holds LF-4.50.lfw and repeat the update"}}
	if d := cmp.Diff(want, st.Failures); d != "" {
		t.Error(d)
	}
	if st.LeftAt != start.Add(10*time.Second) || st.BackAt != start.Add(30*time.Second) {
		t.Errorf("left at %s, back at %s", st.LeftAt, st.BackAt)
	}
}

// A backbone that is switched off and on again is no update.
func TestFollowIgnoresOutage(t *testing.T) {
	const away = 2 * time.Minute
	for _, tt := range []struct {
		name string
		do   func(*bench)
		want []string
	}{
		{"all silent", func(b *bench) {
			b.leaves()
			for i := range b.report.Devices {
				b.report.Devices[i].State = boat.Silent
			}
			b.run(away)
			for i := range b.report.Devices[1:] {
				b.report.Devices[i+1].State = boat.Present
			}
			b.run(time.Minute) // a display starts more slowly than a sensor
			b.comes("LF9 4.47")
			b.run(away)
		}, nil},
		{"source down", func(b *bench) {
			b.report.Networks = []report.Network{{ID: "can0", State: "down"}}
			b.leaves()
			b.run(away)
			b.report.Networks[0].State = "active"
			b.run(10 * time.Second)
			b.comes("LF9 4.47")
			b.run(away)
		}, nil},
		{"source down, in an order from another source", func(b *bench) {
			b.report.Networks = []report.Network{{ID: "boat", State: "down"}}
			for i := range b.report.Devices {
				b.report.Devices[i].Network = "boat"
			}
			b.leaves()
			b.run(away)
			b.report.Networks[0].State = "active"
			b.run(10 * time.Second)
			b.comes("LF9 4.47")
			b.run(away)
		}, nil},
		{"all restarted", func(b *bench) {
			for i := range b.report.Devices[1:] {
				b.report.Devices[i+1].Restarts++
				b.report.Devices[i+1].Live.LastRestarts = []event.Time{b.now.Add(time.Second)}
			}
			b.comes("LF9 4.47")
			b.run(away)
		}, nil},
		{"does not come back from it", func(b *bench) {
			b.leaves()
			for i := range b.report.Devices {
				b.report.Devices[i].State = boat.Silent
			}
			b.run(away)
			for i := range b.report.Devices[1:] {
				b.report.Devices[i+1].State = boat.Present
			}
			b.run(31 * time.Minute)
		}, []string{"1.1 waiting>left", "1.1 left>failed not-back"}},
		{"updated in the middle of it", func(b *bench) {
			b.report.Networks = []report.Network{{ID: "can0", State: "down"}}
			b.leaves()
			b.run(away)
			b.report.Networks[0].State = "active"
			b.comes("LF9 4.50")
			b.run(away)
		}, []string{"1.1 waiting>identified (it left and came back unseen)", "1.1 identified>verified"}},
		{"two of many", func(b *bench) {
			b.leaves()
			b.report.Devices[3].State = boat.Silent
			b.run(away)
		}, []string{"1.1 waiting>left"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t)
			b.report.Devices = append(b.report.Devices, shown(device(5, 2002, boat.RoleWind, "Gannet W1", "1", "1")),
				shown(device(6, 2002, boat.RoleDepth, "Gannet SD2", "1", "1")), shown(device(7, 2003, boat.RolePower, "Sanderling Tavrik 7", "1", "1")))
			b.run(10 * time.Second)
			tt.do(b)
			got := b.log[:0:0]
			for _, l := range b.log {
				if strings.HasPrefix(l, "1.1") {
					got = append(got, l)
				}
			}
			b.log = got
			b.want(tt.want...)
		})
	}
}

// Two snapshots are enough to check an update by, long after it was done.
func TestFollowFromSnapshots(t *testing.T) {
	for _, tt := range []struct {
		name string
		do   func(*report.Device)
		want []string
	}{
		{"good", func(*report.Device) {}, []string{"1.1 waiting>identified (it left and came back unseen)", "1.1 identified>verified"}},
		{"not updated", func(d *report.Device) { d.Product.Software = "LF9 4.47" }, nil},
		{"message missing", func(d *report.Device) { d.Transmits = d.Transmits[:3] },
			[]string{"1.1 waiting>identified (it left and came back unseen)", "1.1 identified>awaiting-reentry message-missing"}},
		{"instance", func(d *report.Device) { d.ID = "C0788203FA2003E9"; d.Name.DeviceInstance = 3 },
			[]string{"1.1 waiting>left (it left and came back unseen)", "1.1 left>back", "1.1 back>identified", "1.1 identified>awaiting-reentry instance-changed"}},
		{"text", func(d *report.Device) { d.Installation = nil },
			[]string{"1.1 waiting>identified (it left and came back unseen)", "1.1 identified>awaiting-reentry installation-lost"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			b := newBench(t)
			b.json = true
			b.now = start.Add(3 * time.Hour)
			b.report.TakenAt, b.report.Window = b.now, boat.Window{From: b.now.Add(-5 * time.Minute), To: b.now}
			h := b.head()
			h.FirstSeen, h.LastSeen, h.Product.Software = b.now.Add(-5*time.Minute), b.now, "LF9 4.50"
			tt.do(h)
			b.takeReport()
			b.want(tt.want...)
		})
	}
}
