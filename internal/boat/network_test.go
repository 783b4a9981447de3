package boat

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.einride.tech/can"

	"muster/internal/event"
	"muster/internal/transport"
	"muster/pgn"
)

// stateAt feeds the wire and moves time on by d.
func stateAt(w *wire, d time.Duration) *Device {
	b := w.feed(Options{})
	b.Tick(w.now.Add(d))
	r := b.State()
	return &r.Devices[0]
}

func TestStates(t *testing.T) {
	fast := func() *wire {
		return newWire().claim(35, nameHead).every(100*time.Millisecond, 20, 127250, 35, heading...)
	}
	beat := func() *wire {
		return newWire().claim(35, nameHead).every(time.Minute, 4, 126993, 35, 0x60, 0xEA, 1, 0xFF, 0xFF, 0xFF, 0xFF, 0xFF)
	}
	for _, tt := range []struct {
		name string
		wire *wire
		wait time.Duration
		want DeviceState
	}{
		{"speaks", fast(), 0, Present},
		{"pauses", fast(), 9 * time.Second, Present},
		{"silent", fast(), 11 * time.Second, Silent},
		{"gone", fast(), 10*time.Minute + time.Second, Gone},
		{"heartbeat only, within three", beat(), time.Minute, Present},
		{"heartbeat only, missed three", beat(), 3 * time.Minute, Silent},
		{"never speaks by itself", newWire().claim(35, nameHead), time.Hour, Present},
		{"does not answer", newWire().claim(35, nameHead).wait(time.Minute).request(254, 255, pgnClaim), 11 * time.Second, Silent},
		{"cannot claim", fast().claim(254, nameHead), 0, NoAddress},
		{"cannot claim at first", newWire().claim(254, nameHead), 0, NoAddress},
		{"found an address again", fast().claim(254, nameHead).wait(time.Second).claim(36, nameHead), 0, Present},
		{"unclaimed", newWire().every(100*time.Millisecond, 20, 127250, 35, heading...), 0, Provisional},
		{"unclaimed and silent", newWire().every(100*time.Millisecond, 20, 127250, 35, heading...), time.Minute, Silent},
	} {
		t.Run(tt.name, func(t *testing.T) {
			d := stateAt(tt.wire, tt.wait)
			if d.State != tt.want || d.StateSince == 0 {
				t.Errorf("%s since %v, want %s", d.State, d.StateSince, tt.want)
			}
			if (d.State == NoAddress) != (d.Address == nil) {
				t.Errorf("state %s with address %v", d.State, d.Address)
			}
		})
	}
}

func TestSinceWhenPresent(t *testing.T) {
	w := newWire().claim(35, nameHead).every(100*time.Millisecond, 20, 127250, 35, heading...).wait(time.Minute)
	back := w.now
	w.every(100*time.Millisecond, 20, 127250, 35, heading...)
	if d := stateAt(w, 0); d.State != Present || d.StateSince != back {
		t.Errorf("%s since %v, want %v", d.State, d.StateSince, back)
	}
}

func TestContest(t *testing.T) {
	w := newWire().claim(35, nameHead).every(100*time.Millisecond, 20, 127250, 35, heading...)
	began := w.now
	for range 3 {
		w.claim(35, nameDepth).wait(2*time.Millisecond).claim(35, nameHead).wait(2 * time.Millisecond)
	}
	n := w.state().Networks[0]
	want := []Contest{{Address: 35, Names: []string{nameDepth.String(), nameHead.String()}, Claims: 6, Since: began, Last: w.now.Add(-2 * time.Millisecond)}}
	if nameDepth > nameHead {
		want[0].Names = []string{nameHead.String(), nameDepth.String()}
	}
	if d := cmp.Diff(want, n.Contests); d != "" {
		t.Error(d)
	}
}

func TestSuccessorIsNoContest(t *testing.T) {
	w := newWire().claim(35, nameHead).every(100*time.Millisecond, 20, 127250, 35, heading...).wait(time.Minute).claim(35, nameDepth)
	r := w.state()
	if c := r.Networks[0].Contests; len(c) != 0 {
		t.Errorf("%+v", c)
	}
	if d := deviceOf(t, r, nameDepth.String()); d.Address == nil || *d.Address != 35 {
		t.Errorf("successor %+v", d)
	}
	if d := deviceOf(t, r, nameHead.String()); d.Address != nil || d.State != Silent {
		t.Errorf("predecessor %+v", d)
	}
}

func TestLowerNameKeepsTheAddress(t *testing.T) {
	low, high := nameDepth, nameHead
	if low > high {
		low, high = high, low
	}
	r := newWire().claim(35, low).every(100*time.Millisecond, 20, 127250, 35, heading...).claim(35, high).state()
	if d := deviceOf(t, r, low.String()); d.Address == nil {
		t.Error("the lower NAME lost its address")
	}
	r = newWire().claim(35, high).every(100*time.Millisecond, 20, 127250, 35, heading...).claim(35, low).state()
	if d := deviceOf(t, r, low.String()); d.Address == nil {
		t.Error("the lower NAME did not get the address")
	}
	if d := deviceOf(t, r, high.String()); d.Address != nil {
		t.Error("the higher NAME kept the address")
	}
}

// A unit swapped for another one within seconds: the new one claims the address, the old one is not there to defend it. Whichever NAME is
// lower, what is heard from the address then is the new one's.
func TestSwappedUnit(t *testing.T) {
	low, high := min(nameDepth, nameHead), max(nameDepth, nameHead)
	speak := func(w *wire) *wire { return w.every(100*time.Millisecond, 20, 127250, 35, heading...) }
	for _, tt := range []struct {
		name  string
		wire  *wire
		owner pgn.NAME
	}{
		{"higher", speak(newWire().claim(35, low)).wait(3*time.Second).claim(35, high).wait(300 * time.Millisecond), high},
		{"lower", speak(newWire().claim(35, high)).wait(3*time.Second).claim(35, low).wait(300 * time.Millisecond), low},
		{"higher, defended", speak(newWire().claim(35, low)).claim(35, high).wait(time.Millisecond).claim(35, low).wait(300 * time.Millisecond), low},
		{"higher, still in its pause", speak(newWire().claim(35, low)).wait(3*time.Second).claim(35, high).wait(10*time.Millisecond).
			send(127250, 35, pgn.Global, heading...).claim(35, low).wait(300 * time.Millisecond), low},
		{"higher, then gave up", speak(newWire().claim(35, low)).claim(35, high).wait(time.Millisecond).claim(254, high).wait(300 * time.Millisecond), low},
		{"higher, then took another", speak(newWire().claim(35, low)).claim(35, high).wait(time.Millisecond).claim(36, high).wait(300 * time.Millisecond), low},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := speak(tt.wire).state()
			for _, name := range []pgn.NAME{low, high} {
				d := deviceOf(t, r, name.String())
				at := d.Address != nil && *d.Address == 35
				if at != (name == tt.owner) || at && d.LastSeen != r.TakenAt {
					t.Errorf("%s has the address: %v, last seen %v of %v", name, at, d.LastSeen, r.TakenAt)
				}
			}
		})
	}
}

func TestTwins(t *testing.T) {
	w := newWire().claim(35, nameHead).claim(36, nameHead)
	for range 20 {
		w.every(50*time.Millisecond, 1, 127250, 35, heading...).every(50*time.Millisecond, 1, 127250, 36, heading...)
	}
	duplicates := w.state().Networks[0].Duplicates
	if len(duplicates) != 1 || duplicates[0].Name != nameHead.String() || cmp.Diff([]uint8{35, 36}, duplicates[0].Addresses) != "" {
		t.Errorf("speaking from two addresses: %+v", duplicates)
	}
	w = newWire().claim(35, nameHead).wait(time.Second).claim(36, nameHead).wait(time.Second).claim(35, nameHead).wait(time.Second).claim(36, nameHead)
	duplicates = w.state().Networks[0].Duplicates
	if len(duplicates) != 1 || duplicates[0].Changes != 3 {
		t.Errorf("claiming in turn: %+v", duplicates)
	}
	w = newWire().claim(35, nameHead).wait(time.Second).claim(36, nameHead).every(100*time.Millisecond, 20, 127250, 36, heading...)
	if duplicates := w.state().Networks[0].Duplicates; len(duplicates) != 0 {
		t.Errorf("a move is no duplicate: %+v", duplicates)
	}
}

func TestLoad(t *testing.T) {
	w := newWire()
	f := can.Frame{ID: uint32(pgn.MakeID(6, 127250, 35, 255)), Length: 8, IsExtended: true}
	copy(f.Data[:], heading)
	w.every(10*time.Millisecond, 1001, 127250, 35, heading...) // 100 frames a second for 10 s
	r := w.state()
	load := r.Networks[0].Load
	bits := float64(transport.FrameBits(&f))
	want := &Load{Mean: share(1001 * bits / 10 / 250_000), Peak: share(1001 * bits / 10 / 250_000)}
	if d := cmp.Diff(want, load); d != "" {
		t.Error(d)
	}
	if w := newWire().every(0, 1, 127250, 35, heading...); w.state().Networks[0].Load != nil {
		t.Error("a load without any time")
	}
}

func TestFaultsOfTheLastMinute(t *testing.T) {
	w := newWire().every(100*time.Millisecond, 10, 127250, 35, heading...)
	w.add(event.Event{Kind: event.KindDropped, Count: 5}).wait(30 * time.Second).add(event.Event{Kind: event.KindDropped, Count: 2})
	began := w.now.Add(-30 * time.Second)
	n := w.state().Networks[0]
	if n.Faults.Dropped != 7 || n.Recent.Dropped != 7 || n.FaultSince.Dropped != began || n.RecentFrom != epoch {
		t.Errorf("at once: %+v", n)
	}
	for _, tt := range []struct {
		wait   time.Duration
		recent uint64
		over   bool
	}{{30 * time.Second, 7, false}, {61 * time.Second, 7, true}, {2 * time.Minute, 0, true}} {
		b := w.feed(Options{})
		b.Tick(w.now.Add(tt.wait))
		n := b.State().Networks[0]
		if n.Recent.Dropped != tt.recent || (n.FaultSince.Dropped == 0) != tt.over {
			t.Errorf("after %v: recent %d, since %v", tt.wait, n.Recent.Dropped, n.FaultSince.Dropped)
		}
	}
}

func TestHappenings(t *testing.T) {
	type want struct {
		State  string
		Faults Faults
	}
	errorFrame := func(class uint32, detail byte) event.Event {
		return event.Event{Kind: event.KindErrorFrame, Frame: can.Frame{ID: class, Length: 8, Data: can.Data{0, detail}}}
	}
	for _, tt := range []struct {
		name   string
		events []event.Event
		want   want
	}{
		{"receive overflow", []event.Event{errorFrame(0x04, 0x01), errorFrame(0x204, 0x01)}, want{"", Faults{Dropped: 2}}},
		{"receive overflow, which the driver counts", []event.Event{
			{Kind: event.KindNetwork, Info: &event.Network{ID: "can0", Kind: event.NMEA2000, Timing: event.Timing{SamplePoint: 875}}},
			errorFrame(0x204, 0x01), {Kind: event.KindDropped, Count: 3},
		}, want{"", Faults{Dropped: 3}}},
		{"overflow and a passive controller", []event.Event{errorFrame(0x04, 0x11)}, want{"passive", Faults{ErrorFrames: 1}}},
		{"protocol error", []event.Event{errorFrame(0x08, 0)}, want{"", Faults{ErrorFrames: 1}}},
		{"warning", []event.Event{errorFrame(0x04, 0x08)}, want{"warning", Faults{ErrorFrames: 1}}},
		{"passive", []event.Event{errorFrame(0x04, 0x10)}, want{"passive", Faults{ErrorFrames: 1}}},
		{"bus off", []event.Event{errorFrame(0x40, 0)}, want{"bus-off", Faults{ErrorFrames: 1, BusOff: 1}}},
		{"bus off and restart", []event.Event{errorFrame(0x40, 0), errorFrame(0x100, 0)}, want{"active", Faults{ErrorFrames: 1, BusOff: 1}}},
		{"bus off by controller state", []event.Event{{Kind: event.KindController, Count: 3}, {Kind: event.KindController, Count: 3}}, want{"bus-off", Faults{BusOff: 1}}},
		{"controller state unknown", []event.Event{{Kind: event.KindController, Count: 99}}, want{"", Faults{}}},
		{"down", []event.Event{{Kind: event.KindDown}, {Kind: event.KindDown}}, want{"down", Faults{SourceLost: 1}}},
		{"down and up", []event.Event{{Kind: event.KindDown}, {Kind: event.KindUp}}, want{"", Faults{SourceLost: 1}}},
		{"oversize", []event.Event{{Kind: event.KindOversize, Count: 4}}, want{"", Faults{OversizeFrames: 4}}},
		{"damaged", []event.Event{{Kind: event.KindDamaged, Count: 4}, {Kind: event.KindDamaged}}, want{"", Faults{DamagedRecords: 5}}},
		{"odd frames", []event.Event{
			{Kind: event.KindFrame, Frame: can.Frame{ID: 1, Length: 8}},
			{Kind: event.KindFrame, Frame: can.Frame{ID: 1, IsExtended: true, IsRemote: true}},
			{Kind: event.KindFrame, Frame: can.Frame{ID: 1, Length: 12, IsExtended: true}},
		}, want{"", Faults{StandardFrames: 1, RemoteFrames: 1, OversizeFrames: 1}}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			w := newWire()
			for _, ev := range tt.events {
				w.wait(time.Millisecond).add(ev)
			}
			n := w.state().Networks[0]
			if d := cmp.Diff(tt.want, want{n.State, n.Faults}); d != "" {
				t.Error(d)
			}
			if (n.State == "down") != (n.DownSince != 0) || (n.State == "bus-off") != (n.BusOffSince != 0) {
				t.Errorf("state %q, down since %v, off since %v", n.State, n.DownSince, n.BusOffSince)
			}
		})
	}
}

func TestHostileNames(t *testing.T) {
	w := newWire()
	for i := range 100_000 {
		w.claim(uint8(i%252), testName(uint32(i), 60, 130)).wait(10 * time.Microsecond)
	}
	b := w.feed(Options{})
	r := b.State()
	if len(r.Devices) > 1024 || r.Networks[0].Faults.Displaced < 98_000 {
		t.Errorf("%d devices, %d displaced", len(r.Devices), r.Networks[0].Faults.Displaced)
	}
}

// A device that comes while the list is full of invented NAMEs is listed, and stays so while more are invented: those that sent nothing but
// their claims make way. Devices that send data make way for none.
func TestHostileNamesAndNewcomer(t *testing.T) {
	const room = 64
	w := newWire()
	invented := uint32(0)
	invent := func(n int) {
		for range n {
			w.claim(uint8(100+invented%100), testName(1000+invented, 60, 130)).wait(time.Millisecond)
			invented++
		}
	}
	w.claim(3, testName(1, 120, 130)).speaks(3)
	invent(5 * room)
	w.claim(4, testName(2, 120, 130)).speaks(4)
	invent(5 * room)
	s := w.feed(Options{MaxDevices: room}).State()
	for _, name := range []pgn.NAME{testName(1, 120, 130), testName(2, 120, 130)} {
		if !slices.ContainsFunc(s.Devices, func(d Device) bool { return d.ID == name.String() && d.State == Present }) {
			t.Errorf("%s is not listed", name)
		}
	}
	if len(s.Devices) != room {
		t.Errorf("%d devices", len(s.Devices))
	}
	full := newWire()
	for i := range uint32(room + 5) {
		full.claim(uint8(i), testName(i+1, 120, 130)).speaks(uint8(i))
	}
	s = full.feed(Options{MaxDevices: room}).State()
	if f := s.Networks[0].Faults; len(s.Devices) != room || f.Displaced != 0 || f.Untracked == 0 {
		t.Errorf("%d devices, %d displaced, %d without room", len(s.Devices), f.Displaced, f.Untracked)
	}
}

func TestHostileStreams(t *testing.T) {
	w := newWire()
	for i := range 2000 {
		w.send(uint32(0x1F000+i%2000), 35, 255, byte(i)).wait(time.Millisecond)
	}
	r := w.state()
	if n := len(r.Devices[0].Transmits); n > 256 || r.Networks[0].Faults.Untracked == 0 {
		t.Errorf("%d streams, %d untracked", n, r.Networks[0].Faults.Untracked)
	}
}

func TestClockJumpsBack(t *testing.T) {
	w := newWire().claim(35, nameHead).every(100*time.Millisecond, 100, 127250, 35, heading...)
	w.wait(-time.Hour).every(100*time.Millisecond, 100, 127250, 35, heading...)
	b := w.feed(Options{})
	b.Tick(w.now.Add(20 * time.Second))
	r := b.State()
	if r.Networks[0].Faults.TimeJumps != 1 || r.Devices[0].State != Silent {
		t.Errorf("%d jumps, %s", r.Networks[0].Faults.TimeJumps, r.Devices[0].State)
	}
	for _, tr := range r.Devices[0].Transmits {
		if tr.Interval != nil && (tr.Interval.Min < 0 || tr.Interval.Max > 200) {
			t.Errorf("%d: %+v", tr.PGN, tr.Interval)
		}
	}
}

func TestNoClock(t *testing.T) {
	w := newWire().claim(35, nameHead).every(0, 100, 127250, 35, heading...)
	for i := range w.events {
		w.events[i].Time = 0
	}
	r := w.state()
	if r.TakenAt != 0 || r.Networks[0].Load != nil || len(r.Devices) != 1 || r.Devices[0].State != Present {
		t.Errorf("%+v", r)
	}
	for _, tr := range r.Devices[0].Transmits {
		if tr.Interval != nil {
			t.Errorf("%d has an interval", tr.PGN)
		}
	}
}

func TestUnannouncedNetworks(t *testing.T) {
	b := New(Options{})
	for i := range 100 {
		b.Feed(event.Event{Kind: event.KindFrame, Time: epoch, Network: uint16(i), Frame: can.Frame{ID: 0x09F11223, Length: 8, IsExtended: true}})
	}
	r := b.State()
	if len(r.Networks) != 32 || r.Networks[3].ID != "net3" {
		t.Errorf("%d networks, %q", len(r.Networks), r.Networks[3].ID)
	}
}

func TestAvailable(t *testing.T) {
	w := newWire().claim(35, nameHead).every(100*time.Millisecond, 10, 127250, 35, heading...)
	full := *transmitOf(w.state(), 127250)
	w.every(100*time.Millisecond, 10, 127250, 35, headingEmpty...)
	began := w.now.Add(-time.Second)
	mixed := *transmitOf(w.state(), 127250)
	w.every(100*time.Millisecond, 700, 127250, 35, headingEmpty...)
	empty := *transmitOf(w.state(), 127250)
	got := fmt.Sprintln(*full.Available, full.EmptySince, *mixed.Available, mixed.EmptySince, *empty.Available, empty.EmptySince)
	if want := fmt.Sprintln(true, event.Time(0), true, began, false, began); got != want {
		t.Errorf("got %swant %s", got, want)
	}
}

func transmitOf(r *State, number uint32) *Transmit {
	for i := range r.Devices {
		for k := range r.Devices[i].Transmits {
			if t := &r.Devices[i].Transmits[k]; t.PGN == number {
				return t
			}
		}
	}
	return nil
}

func TestInstancesAreSplit(t *testing.T) {
	w := newWire()
	for range 5 {
		w.send(127508, 35, 255, 0, 0xE2, 4, 0xFF, 0x7F, 0xFF, 0xFF, 0xFF).send(127508, 35, 255, 1, 0xE2, 4, 0xFF, 0x7F, 0xFF, 0xFF, 0xFF).wait(1500 * time.Millisecond)
	}
	tr := w.state().Devices[0].Transmits
	if len(tr) != 2 || *tr[0].Instance != 0 || *tr[1].Instance != 1 || tr[0].Interval.Mean != 1500 || tr[1].Count != 5 {
		t.Errorf("%+v", tr)
	}
}
