package daemon

import (
	"io"
	"net/http"
	"sync"
	"syscall"
	"testing"
	"time"

	"muster/internal/event"
	"muster/internal/sim"
	"muster/internal/tap"
)

// paced gives recorded events again and again at the pace at which they happened, as a CAN socket does: what came in a hundredth of a
// second at a time, stamped with the clock.
type paced struct {
	events []event.Event
	at     int
	behind time.Duration // of the clock, that the recording's times are
	closed chan struct{}
	once   sync.Once
}

func (p *paced) Read(events []event.Event) (int, error) {
	select {
	case <-p.closed:
		return 0, io.EOF
	case <-time.After(10 * time.Millisecond):
	}
	now := event.At(time.Now())
	n := 0
	for n < len(events) {
		if p.at == len(p.events) {
			p.at, p.behind = 1, now.Sub(p.events[0].Time) // the network is announced once
		}
		e := p.events[p.at]
		if p.behind == 0 {
			p.behind = now.Sub(e.Time)
		}
		if e.Time = e.Time.Add(p.behind); e.Time > now {
			break
		}
		events[n] = e
		n, p.at = n+1, p.at+1
	}
	return n, nil
}

func (p *paced) Close() error {
	p.once.Do(func() { close(p.closed) })
	return nil
}

// BenchmarkBusy runs the daemon on a bus at 95 % load for ten seconds, with a store and three pages open, and
// measures its share of one core, readers of the pages included.
func BenchmarkBusy(b *testing.B) {
	scenario, err := sim.Load(b.Context(), "saturated")
	if err != nil {
		b.Fatal(err)
	}
	s := sim.New(scenario, 1, t0)
	recorded := make([]event.Event, 0, 60_000)
	for len(recorded) < 50_000 {
		n, err := s.Read(recorded[len(recorded):cap(recorded)])
		if err != nil {
			b.Fatal(err)
		}
		recorded = recorded[:len(recorded)+n]
	}
	for b.Loop() {
		opt := options("127.0.0.1:0", map[string]tap.Source{"can0": &paced{events: recorded, closed: make(chan struct{})}}, "can0")
		opt.Config.StateDir, opt.ReportEvery = b.TempDir(), 0
		d, err := New(b.Context(), opt)
		if err != nil {
			b.Fatal(err)
		}
		done := make(chan error, 1)
		go func() { done <- d.Run(b.Context()) }()
		var pages sync.WaitGroup
		for range 3 {
			pages.Go(func() {
				resp, err := http.Get(d.URL() + "/api/v1/events")
				if err != nil {
					b.Error(err)
					return
				}
				defer resp.Body.Close()
				_, _ = io.Copy(io.Discard, resp.Body)
			})
		}
		time.Sleep(time.Second) // the start is not counted
		before, began, frames := used(b), time.Now(), d.sources.inputs()[0].frames.Load()
		time.Sleep(10 * time.Second)
		took, spent := time.Since(began), used(b)-before
		frames = d.sources.inputs()[0].frames.Load() - frames
		b.ReportMetric(100*spent.Seconds()/took.Seconds(), "%-of-a-core")
		b.ReportMetric(float64(frames)/took.Seconds(), "frames/s")
		b.ReportMetric(1e6*spent.Seconds()/float64(frames), "µs/frame")
		b.ReportMetric(float64(d.sources.inputs()[0].dropped.Load()), "lost")
		if err := d.Stop(); err != nil {
			b.Fatal(err)
		}
		if err := <-done; err != nil {
			b.Fatal(err)
		}
		pages.Wait()
	}
}

// used is the processor time of this process so far.
func used(b *testing.B) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
