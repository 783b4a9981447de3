package daemon

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"io"
	"net"
	"net/http"
	"runtime"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/rs/zerolog"
	"go.einride.tech/can"

	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/config"
	"muster/internal/event"
	"muster/internal/hosttest"
	"muster/internal/report"
	"muster/internal/sim"
	"muster/internal/tap"
	"muster/pgn"
)

func TestMain(m *testing.M) { hosttest.Main(m) }

// fakeSource gives its batches and then waits for Close, or ends when it has an end.
type fakeSource struct {
	mu      sync.Mutex
	batches [][]event.Event
	end     error // returned with the last batch; nil waits for Close
	closed  chan struct{}
	once    sync.Once
}

func newFake(end error, batches ...[]event.Event) *fakeSource {
	return &fakeSource{batches: batches, end: end, closed: make(chan struct{})}
}

func (f *fakeSource) Read(events []event.Event) (int, error) {
	f.mu.Lock()
	if len(f.batches) == 0 {
		f.mu.Unlock()
		if f.end != nil {
			return 0, f.end
		}
		<-f.closed
		return 0, io.EOF
	}
	n := copy(events, f.batches[0])
	f.batches = f.batches[1:]
	last := len(f.batches) == 0
	f.mu.Unlock()
	if last {
		return n, f.end
	}
	return n, nil
}

func (f *fakeSource) Close() error {
	f.once.Do(func() { close(f.closed) })
	return nil
}

func (f *fakeSource) isClosed() bool {
	select {
	case <-f.closed:
		return true
	default:
		return false
	}
}

// sendingFake can be asked on.
type sendingFake struct {
	*fakeSource
	sent chan can.Frame
}

func (s *sendingFake) Send(f can.Frame) error {
	select {
	case s.sent <- f:
	default:
	}
	return nil
}

func claim(at event.Time, name pgn.NAME, src uint8) event.Event {
	e := event.Event{Time: at, Kind: event.KindFrame}
	e.Frame = can.Frame{ID: uint32(pgn.MakeID(6, 60928, src, pgn.Global)), IsExtended: true, Length: 8}
	copy(e.Frame.Data[:], name.Append(nil))
	return e
}

func network(at event.Time, id string, listen bool) event.Event {
	return event.Event{Time: at, Kind: event.KindNetwork, Info: &event.Network{ID: id, Kind: event.NMEA2000, BitRate: 250_000, Listen: listen}}
}

func options(listen string, sources map[string]tap.Source, order ...string) Options {
	c := config.Default()
	c.Listen = listen
	for _, s := range order {
		c.Sources = append(c.Sources, config.Source{Source: s})
	}
	return Options{Config: c, Log: zerolog.Nop(), Version: "test", ReportEvery: time.Millisecond, StopWithin: 5 * time.Minute, Open: func(spec string, _ bool) (tap.Source, error) {
		if s := sources[spec]; s != nil {
			return s, nil
		}
		return nil, errors.New("no " + spec)
	}}
}

const t0 = event.Time(1_777_000_000_000_000_000)

var nameA = pgn.NameFields{UniqueNumber: 7, Manufacturer: 2001, DeviceFunction: 130, DeviceClass: 60, IndustryGroup: 4}.NAME()

// eventually waits until what is true; it has no limit of its own but the test's.
func eventually(t testing.TB, what func() bool) {
	t.Helper()
	for !what() {
		if t.Context().Err() != nil {
			t.Fatal("did not happen")
		}
		runtime.Gosched()
		time.Sleep(time.Millisecond)
	}
}

func TestRun(t *testing.T) {
	now := event.At(time.Now())
	a := newFake(nil, []event.Event{network(now, "can0", false), claim(now, nameA, 35)})
	b := newFake(nil, []event.Event{network(now, "can0", false), claim(now, nameA+1, 36)})
	d, err := New(t.Context(), options("127.0.0.1:0", map[string]tap.Source{"can0": a, "socketcan:can0": b}, "can0", "socketcan:can0"))
	if err != nil {
		t.Fatal(err)
	}
	if d.Ready() == nil {
		t.Error("ready before Run")
	}
	done := make(chan error, 1)
	go func() { done <- d.Run(t.Context()) }()
	eventually(t, func() bool { return len(d.Report().Devices) == 2 && d.Ready() == nil })
	resp, err := http.Get(d.URL() + "/api/v1/report")
	if err != nil {
		t.Fatal(err)
	}
	var r report.Report
	if err := json.NewDecoder(resp.Body).Decode(&r); err != nil {
		t.Error(err)
	}
	resp.Body.Close()
	http.DefaultClient.CloseIdleConnections()
	var nets []string
	for _, n := range r.Networks {
		nets = append(nets, n.ID)
	}
	slices.Sort(nets) // they are numbered as they are first received
	if d := cmp.Diff([]string{"can0", "can0-2"}, nets); d != "" {
		t.Errorf("networks of the same name: %s", d)
	}
	for range 2 {
		if err := d.Stop(); err != nil {
			t.Error(err)
		}
	}
	if err := <-done; err != nil {
		t.Error(err)
	}
	if !a.isClosed() || !b.isClosed() {
		t.Error("a source was left open")
	}
	if _, err := net.Dial("tcp", strings.TrimPrefix(d.URL(), "http://")); err == nil {
		t.Error("the listener was left open")
	}
	if d.Run(t.Context()) == nil {
		t.Error("a second Run was accepted")
	}
}

func TestNewUndoesItself(t *testing.T) {
	taken, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer taken.Close()
	for _, tt := range []struct {
		name, listen string
		order        []string
	}{
		{"second source fails", "off", []string{"can0", "can1"}},
		{"address in use", taken.Addr().String(), []string{"can0"}},
		{"no source", "off", nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			src := newFake(nil)
			if _, err := New(t.Context(), options(tt.listen, map[string]tap.Source{"can0": src}, tt.order...)); err == nil {
				t.Fatal("accepted")
			}
			if len(tt.order) > 0 && !src.isClosed() {
				t.Error("the source was left open")
			}
		})
	}
}

func TestStopWithoutRun(t *testing.T) {
	src := newFake(nil)
	d, err := New(t.Context(), options("127.0.0.1:0", map[string]tap.Source{"can0": src}, "can0"))
	if err != nil {
		t.Fatal(err)
	}
	if err := d.Stop(); err != nil || !src.isClosed() {
		t.Errorf("%v, closed %v", err, src.isClosed())
	}
}

// deafSource ends when the test lets it, not when it is closed.
type deafSource struct{ let chan struct{} }

func (d deafSource) Read([]event.Event) (int, error) {
	<-d.let
	return 0, io.EOF
}

func (deafSource) Close() error { return nil }

// TestStopIsBounded: a source that does not end holds up the end for so long and no longer, and is named as the reason.
func TestStopIsBounded(t *testing.T) {
	deaf := deafSource{make(chan struct{})}
	opt := options("127.0.0.1:0", map[string]tap.Source{"can0": deaf}, "can0")
	opt.StopWithin = time.Millisecond
	d, err := New(t.Context(), opt)
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- d.Run(t.Context()) }()
	<-d.life.begun
	_ = d.Stop()
	if err := <-done; err == nil || !strings.Contains(err.Error(), "did not end within 1ms") {
		t.Errorf("got %v", err)
	}
	close(deaf.let)
	d.sources.wait()
}

func TestSourceFails(t *testing.T) {
	gone := errors.New("adapter gone")
	src := newFake(gone, []event.Event{network(t0, "can0", false)})
	d, err := New(t.Context(), options("off", map[string]tap.Source{"can0": src}, "can0"))
	if err != nil {
		t.Fatal(err)
	}
	err = d.Run(t.Context())
	if s, ok := errors.AsType[*SourceError](err); !ok || !errors.Is(err, gone) || s.BadInput {
		t.Errorf("got %v", err)
	}
}

// TestDrops: a live source that outruns the model loses frames, and the model is given their number.
func TestDrops(t *testing.T) {
	const size, more = 128, 5
	var batches [][]event.Event
	for i := range waitingEvents/size + more {
		batches = append(batches, slices.Repeat([]event.Event{claim(t0.Add(time.Duration(i)), nameA, 35)}, size))
	}
	src := newFake(io.EOF, batches...)
	d, err := New(t.Context(), options("off", map[string]tap.Source{"can0": src}, "can0"))
	if err != nil {
		t.Fatal(err)
	}
	defer d.Stop()
	in := d.sources.inputs()[0]
	var reader sync.WaitGroup
	reader.Go(func() { d.sources.read(t.Context(), in) }) // fills the queue, drops, and waits with the last events
	eventually(t, func() bool { return in.dropped.Load() == (more-1)*size })
	b := (<-d.sources.ready).queue.take()
	if len(b.events) != waitingEvents || b.end {
		t.Errorf("%d events waited, end %v", len(b.events), b.end)
	}
	b = (<-d.sources.ready).queue.take()
	reader.Wait()
	if e := b.events[0]; e.Kind != event.KindDropped || e.Count != (more-1)*size || len(b.events) != 1+size {
		t.Errorf("told of %+v, then %d events", e, len(b.events)-1)
	}
	if n := in.dropped.Load(); n != (more-1)*size {
		t.Errorf("counted %d", n)
	}
}

// patientFake is a source whose frames the kernel keeps.
type patientFake struct{ *fakeSource }

func (patientFake) Patient() bool { return true }

// TestWaits: a source whose frames wait elsewhere, and are counted there when they are lost, is not read on while the model is behind.
func TestWaits(t *testing.T) {
	const size, all = 128, waitingEvents/128 + 5
	var batches [][]event.Event
	for i := range all {
		batches = append(batches, slices.Repeat([]event.Event{claim(t0.Add(time.Duration(i)), nameA, 35)}, size))
	}
	src := patientFake{newFake(io.EOF, batches...)}
	d, err := New(t.Context(), options("off", map[string]tap.Source{"can0": src}, "can0"))
	if err != nil {
		t.Fatal(err)
	}
	defer d.Stop()
	in := d.sources.inputs()[0]
	var reader sync.WaitGroup
	reader.Go(func() { d.sources.read(t.Context(), in) })
	heard := 0
	for over := false; !over; {
		<-d.sources.ready
		b := in.queue.take()
		for _, e := range b.events {
			if want := t0.Add(time.Duration(heard / size)); e.Time != want {
				t.Fatalf("event %d: %+v, want it of %v", heard, e, want)
			}
			heard++
		}
		over = b.end
		in.queue.putBack(b)
	}
	reader.Wait()
	if n := in.dropped.Load(); n != 0 || heard != all*size {
		t.Errorf("%d dropped, %d heard of %d", n, heard, all*size)
	}
}

// floodSource gives as many frames as it is asked for, without end.
type floodSource struct{ closed chan struct{} }

func (f floodSource) Read(events []event.Event) (int, error) {
	select {
	case <-f.closed:
		return 0, io.EOF
	default:
	}
	now := event.At(time.Now())
	for i := range events {
		events[i] = event.Event{Kind: event.KindFrame, Time: now, Frame: can.Frame{ID: 0x09F80100 | uint32(i), IsExtended: true, Length: 8}}
	}
	return len(events), nil
}

func (f floodSource) Close() error { close(f.closed); return nil }

// TestFlood: a source that brings more than the model can take costs no other source a frame, and pages are answered meanwhile.
func TestFlood(t *testing.T) {
	const frames = 2000
	var batches [][]event.Event
	now := event.At(time.Now())
	for i := range frames { // one at a time, as over UDP
		batches = append(batches, []event.Event{claim(now.Add(time.Duration(i)), nameA, 35)})
	}
	quiet := newFake(nil, batches...)
	d, err := New(t.Context(), options("127.0.0.1:0", map[string]tap.Source{"flood": floodSource{make(chan struct{})}, "quiet": quiet}, "flood", "quiet"))
	if err != nil {
		t.Fatal(err)
	}
	done := make(chan error, 1)
	go func() { done <- d.Run(t.Context()) }()
	in := d.sources.inputs()
	eventually(t, func() bool { return in[0].dropped.Load() > 0 && in[1].frames.Load() == frames })
	for range 20 {
		resp, err := http.Get(d.URL() + "/")
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		if resp.StatusCode != http.StatusOK {
			t.Fatalf("the page says %s", resp.Status)
		}
	}
	eventually(t, func() bool {
		all := d.Report().Networks // in the order in which they were received
		return slices.ContainsFunc(all, func(n report.Network) bool { return n.Frames == frames && n.Faults.Dropped == 0 }) &&
			slices.ContainsFunc(all, func(n report.Network) bool { return n.Faults.Dropped > 0 })
	})
	if n := in[1].dropped.Load(); n != 0 {
		t.Errorf("%d frames of the other source dropped", n)
	}
	if err := d.Stop(); err != nil {
		t.Error(err)
	}
	if err := <-done; err != nil {
		t.Error(err)
	}
}

func TestAsking(t *testing.T) {
	now := event.At(time.Now())
	ask := func(src tap.Source) Options {
		o := options("off", map[string]tap.Source{"can0": src}, "can0")
		o.Config.Sources[0].Ask = true
		return o
	}
	t.Run("a source that cannot send", func(t *testing.T) {
		src := newFake(nil)
		if _, err := New(t.Context(), ask(src)); err == nil || !src.isClosed() {
			t.Errorf("%v, closed %v", err, src.isClosed())
		}
	})
	t.Run("listen-only", func(t *testing.T) {
		src := &sendingFake{newFake(nil, []event.Event{network(now, "can0", true)}), make(chan can.Frame, 1)}
		d, err := New(t.Context(), ask(src))
		if err != nil {
			t.Fatal(err)
		}
		if err := d.Run(t.Context()); !errors.Is(err, errListenOnly) {
			t.Errorf("got %v", err)
		}
	})
	t.Run("claims an address", func(t *testing.T) {
		src := &sendingFake{newFake(nil, []event.Event{network(now, "can0", false)}), make(chan can.Frame, 64)}
		d, err := New(t.Context(), ask(src))
		if err != nil {
			t.Fatal(err)
		}
		done := make(chan error, 1)
		go func() { done <- d.Run(t.Context()) }()
		for f := range src.sent {
			if id := pgn.ID(f.ID); id.PGN() == 60928 {
				if name, _ := pgn.DecodeNAME(f.Data[:]); name != d.sources.ownNames()[0] {
					t.Errorf("claimed as %v", name)
				}
				break
			}
		}
		d.Stop()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
}

func simulated(t *testing.T, scenario string) Options {
	o := options("off", nil, "sim:"+scenario)
	o.Open = func(spec string, _ bool) (tap.Source, error) {
		sc, err := sim.Load(t.Context(), strings.TrimPrefix(spec, "sim:"))
		if err != nil {
			return nil, err
		}
		return sim.NewPlayer(sim.New(sc, 1, t0), 0), nil
	}
	return o
}

// TestReplayTwice: the same traffic gives the same bytes.
func TestReplayTwice(t *testing.T) {
	var texts [2][]byte
	for i := range texts {
		r, err := Replay(t.Context(), simulated(t, "demo"), 2*time.Minute, nil)
		if err != nil {
			t.Fatal(err)
		}
		if texts[i], err = api.EncodeReport(r); err != nil {
			t.Fatal(err)
		}
		if len(r.Devices) == 0 || r.Clock != boat.ClockCapture {
			t.Errorf("%d devices, clock %s", len(r.Devices), r.Clock)
		}
	}
	if !bytes.Equal(texts[0], texts[1]) {
		t.Error(cmp.Diff(string(texts[0]), string(texts[1])))
	}
}

// TestReplayAsks: asking identifies the whole boat.
func TestReplayAsks(t *testing.T) {
	o := simulated(t, "fifty")
	o.Config.Sources[0].Ask = true
	r, err := Replay(t.Context(), o, 20*time.Second, nil)
	if err != nil {
		t.Fatal(err)
	}
	known := 0
	for _, d := range r.Devices {
		if d.Product != nil && !d.Own {
			known++
		}
	}
	if known != 50 {
		t.Errorf("%d of 50 devices identified", known)
	}
}

// TestReplayOrder: several sources are read in the order of their times.
func TestReplayOrder(t *testing.T) {
	a := newFake(io.EOF, []event.Event{network(t0, "a", false), claim(t0, nameA, 1), claim(t0.Add(2*time.Second), nameA, 2)})
	b := newFake(io.EOF, []event.Event{network(t0, "b", false), claim(t0.Add(time.Second), nameA, 3), claim(t0.Add(3*time.Second), nameA, 4)})
	r, err := Replay(context.Background(), options("off", map[string]tap.Source{"a": a, "b": b}, "a", "b"), 0, nil)
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range r.Networks {
		if n.Faults.TimeJumps != 0 || n.Frames != 2 {
			t.Errorf("%s: %d jumps, %d frames", n.ID, n.Faults.TimeJumps, n.Frames)
		}
	}
	if r.TakenAt != t0.Add(3*time.Second) {
		t.Errorf("taken at %v", r.TakenAt)
	}
}
