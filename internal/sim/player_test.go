package sim

import (
	"context"
	"errors"
	"io"
	"os"
	"testing"
	"testing/synctest"
	"time"

	"go.einride.tech/can"

	"muster/internal/event"
	"muster/pgn"
)

func TestPlayerKeepsTime(t *testing.T) {
	for _, speed := range []float64{1, 20} {
		synctest.Test(t, func(t *testing.T) {
			p := NewPlayer(New(load(t, "demo"), 1, event.At(time.Now())), speed)
			defer p.Close()
			begin := time.Now()
			var events [32]event.Event
			frames := 0
			for time.Since(begin) < 10*time.Second {
				n, err := p.Read(events[:])
				if err != nil {
					t.Fatal(err)
				}
				for i := range events[:n] {
					due := time.Duration(float64(events[i].Time.Sub(event.At(begin))) / speed)
					if late := time.Since(begin) - due; late < 0 || late > 5*time.Millisecond {
						t.Fatalf("speed %v: event of %v read %v late", speed, due, late)
					}
					frames++
				}
			}
			if frames < int(1000*speed) {
				t.Errorf("speed %v: %d frames in 10 s", speed, frames)
			}
		})
	}
}

func TestPlayerAnswersWhatIsSent(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := NewPlayer(New(parse(t, "devices: [{id: a, manufacturer: 2001, address: 7, model: Larkfin LF9 display}]\n"), 1, event.At(time.Now())), 1)
		defer p.Close()
		go func() {
			time.Sleep(5 * time.Second)
			f := can.Frame{ID: uint32(pgn.MakeID(6, 59904, 99, 7)), IsExtended: true, Length: 3, Data: can.Data{0x14, 0xF0, 0x01}}
			if err := p.Send(f); err != nil {
				t.Error(err)
			}
		}()
		begin := time.Now()
		sent, answers := 0, 0
		var events [8]event.Event
		for answers < 20 {
			n, err := p.Read(events[:])
			if err != nil {
				t.Fatal(err)
			}
			for i := range events[:n] {
				if events[i].Kind == event.KindFrame && events[i].Sent {
					sent++
				}
				if events[i].Kind == event.KindFrame && pgn.ID(events[i].Frame.ID).PGN() == 126996 {
					answers++
				}
			}
		}
		if took := time.Since(begin); sent != 1 || took > 5100*time.Millisecond {
			t.Errorf("own frame came back %d times; the answer took until %v, want 5.1 s at most", sent, took)
		}
	})
}

func TestPlayerCloses(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		p := NewPlayer(New(parse(t, "devices: []\n"), 1, event.At(time.Now())), 1)
		var events [8]event.Event
		if n, err := p.Read(events[:]); n != 1 || err != nil {
			t.Fatalf("first read: %d, %v; want the network", n, err)
		}
		done := make(chan error)
		go func() {
			_, err := p.Read(events[:])
			done <- err
		}()
		time.Sleep(time.Minute)
		p.Close()
		p.Close()
		if err := <-done; !errors.Is(err, os.ErrClosed) {
			t.Errorf("blocked read returned %v", err)
		}
		if err := p.Send(can.Frame{}); !errors.Is(err, os.ErrClosed) {
			t.Errorf("send after close returned %v", err)
		}
	})
}

type counter struct {
	n    int
	fail error
}

func (c *counter) Write(*event.Event) error {
	c.n++
	return c.fail
}

func TestRun(t *testing.T) {
	ended := func(src string) *Player { return NewPlayer(New(parse(t, src), 1, t0), 0) }
	c := &counter{}
	if err := Run(t.Context(), ended("generate: 5\nduration: 60s\n"), c); err != nil || c.n < 100 {
		t.Errorf("to the end: %d events, %v", c.n, err)
	}
	if err := Run(t.Context(), ended("generate: 5\n"), &counter{fail: io.ErrShortWrite}); !errors.Is(err, io.ErrShortWrite) {
		t.Errorf("failing sink: %v", err)
	}
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithTimeout(t.Context(), time.Minute)
		defer cancel()
		if err := Run(ctx, NewPlayer(New(load(t, "fifty"), 1, t0), 1), &counter{}); err != nil {
			t.Errorf("cancelled: %v", err)
		}
	})
}
