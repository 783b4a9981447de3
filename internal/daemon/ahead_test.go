package daemon

import (
	"errors"
	"io"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"muster/internal/event"
)

// reused hands out lines that all lie in one buffer, as a capture's reader does, and ends with err.
type reused struct {
	lines []string
	err   error
	buf   []byte
}

func (r *reused) Read(events []event.Event) (int, error) {
	r.buf = r.buf[:0]
	n := 0
	for ; n < min(len(events), 3) && len(r.lines) > 0 && len(r.buf)+len(r.lines[0]) <= cap(r.buf); n++ {
		at := len(r.buf)
		r.buf = append(r.buf, r.lines[0]...)
		events[n] = event.Event{Kind: event.KindLine, Time: event.Time(len(r.lines)), Line: r.buf[at:]}
		r.lines = r.lines[1:]
	}
	if n == 0 {
		return 0, r.err
	}
	return n, nil
}

func (*reused) Close() error { return nil }

// Reading ahead hands on what the source gives, in its order, and its error last.
func TestReadAhead(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		lines := rapid.SliceOfN(rapid.StringMatching(`[ -~]{1,20}`), 0, 60).Draw(t, "lines")
		end := rapid.SampledFrom([]error{io.EOF, errors.New("the stick was pulled")}).Draw(t, "end")
		a := readAhead(&reused{lines: lines, err: end, buf: make([]byte, 0, 64)}, 5)
		defer a.close()
		var got []string
		for {
			events, err := a.next()
			for i := range events {
				got = append(got, strings.Clone(string(events[i].Line)))
			}
			if err != nil {
				if !errors.Is(err, end) {
					t.Fatalf("ended with %v, want %v", err, end)
				}
				break
			}
		}
		if diff := cmp.Diff(lines, got, cmp.Comparer(func(a, b []string) bool { return strings.Join(a, "\n") == strings.Join(b, "\n") })); diff != "" {
			t.Fatal(diff)
		}
	})
}

// A reader that is not read to its end can be closed.
func TestReadAheadClosedEarly(t *testing.T) {
	for range 20 {
		a := readAhead(&reused{lines: strings.Split(strings.Repeat("$GPZDA,\n", 200), "\n"), err: io.EOF, buf: make([]byte, 0, 64)}, 4)
		if _, err := a.next(); err != nil {
			t.Fatal(err)
		}
		a.close()
	}
}
