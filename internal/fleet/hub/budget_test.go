package hub

import (
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"muster/internal/fleet"
)

func TestBudget(t *testing.T) {
	day, enrolled := time.Unix(86400*20000, 0), time.Unix(1, 0)
	b := budget{limit: 100}
	for i, tt := range []struct {
		boat        string
		bytes       int
		at          time.Time
		enrolled    time.Time
		over, first bool
	}{
		{"wagtail", 100, day, enrolled, false, false},
		{"other", 1, day, enrolled, false, false},
		{"wagtail", 1, day, enrolled, true, true},
		{"wagtail", 1, day, enrolled, true, false},
		{"other", 99, day, enrolled, false, false},
		{"wagtail", 0, day.Add(24*time.Hour - time.Second), enrolled, true, false},
		{"wagtail", 1, day.Add(24 * time.Hour), enrolled, false, false},
		{"wagtail", 99, day, enrolled, false, false}, // of yesterday, received late: counted today
		{"wagtail", 1, day.Add(25 * time.Hour), enrolled, true, true},
		{"wagtail", 1, day.Add(26 * time.Hour), day.Add(27 * time.Hour), true, false}, // what waits from before it was let in again
		{"wagtail", 1, day.Add(28 * time.Hour), day.Add(27 * time.Hour), false, false},
		{"other", 1, day.Add(26 * time.Hour), day.Add(27 * time.Hour), false, false},
	} {
		if over, first := b.take(tt.boat, tt.bytes, tt.at, tt.enrolled); over != tt.over || first != tt.first {
			t.Errorf("%d: over %v, first %v", i, over, first)
		}
	}
	none := budget{}
	if over, _ := none.take("wagtail", 1<<40, day, enrolled); over {
		t.Error("above no bound")
	}
}

// TestFlood: an enrolled boat that sends far more than it may is cut off, reported and, once it is enrolled again, let in again. Another
// boat's data, answers and acknowledgements stay as they were. On servers of both kinds.
func TestFlood(t *testing.T) {
	servers(t, func(t *testing.T, r *rig) {
		var cut atomic.Int32
		h := r.hub(t, func(o *Options) {
			calm(o)
			o.Budget = 1 << 20
			o.CutOff = func(boat, why string) error {
				cut.Add(1)
				return r.trust.Revoke(boat, why, time.Now())
			}
		})
		keep(t, r, h)
		other, wild := r.sender(t, "other", "board2"), r.sender(t, "wagtail", "board1")
		until(t, "both are enrolled", func() bool { return h.Boat("other") != nil && h.Boat("wagtail") != nil })
		other.send(t, fleet.KindReport, testReport("other", 2, "1.0"))
		until(t, "the other boat", func() bool { return len(h.Boat("other").Devices) == 2 })

		noise := []byte(strings.Repeat("x", 100_000)) // nothing that could be taken in
		for n := range 40 {
			m := nats.NewMsg(fleet.Subject("wagtail", fleet.KindReport))
			m.Data = noise
			m.Header.Set(nats.MsgIdHdr, fleet.MessageID("board1", uint64(n+1)))
			if err := wild.js.Conn().PublishMsg(m); err != nil {
				break // it is cut off already
			}
		}
		until(t, "the boat is cut off", func() bool { return !h.Boat("wagtail").Revoked.IsZero() })
		if why := h.Boat("wagtail").Why; !strings.HasPrefix(why, "misbehaves: it sent more than 1 MB on 20") {
			t.Errorf("reason %q", why)
		}
		until(t, "the boat is disconnected", func() bool { return !wild.js.Conn().IsConnected() })
		if n := cut.Load(); n != 1 {
			t.Errorf("cut off %d times", n)
		}
		refusals, err := h.Refusals(t.Context(), 0)
		if err != nil || len(refusals) == 0 || !strings.Contains(refusals[len(refusals)-1].Reason+refusals[0].Reason, "misbehaves") {
			t.Errorf("set aside: %+v, %v", refusals, err)
		}
		other.send(t, fleet.KindReport, testReport("other", 3, "1.0"))
		until(t, "the other boat's next report", func() bool { return len(h.Boat("other").Devices) == 3 })
		if b := h.Boat("other"); b.Refused != 0 || !b.Revoked.IsZero() {
			t.Errorf("the other boat: %+v", b)
		}

		until(t, "another second", func() bool { return time.Since(h.Boat("wagtail").Enrolled) > time.Second }) // enrolments have whole ones
		again := r.sender(t, "wagtail", "board1")                                                               // enrols
		until(t, "the boat is let in", func() bool { b := h.Boat("wagtail"); return b.Revoked.IsZero() && b.Why == "" })
		until(t, "the second of its enrolment is over", func() bool { return time.Since(h.Boat("wagtail").Enrolled) > time.Second })
		again.seq = 1000
		again.send(t, fleet.KindReport, testReport("wagtail", 4, "1.0"))
		until(t, "its report", func() bool { return len(h.Boat("wagtail").Devices) == 4 })
	})
}
