package hub

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"muster/internal/fleet/trust"
)

// DefaultBudget is what a boat may send on a day, in bytes: a hundred times what one with sixty devices does, so that a month in a port
// without a link is made up for in an hour.
const DefaultBudget = 256 << 20

// budget counts what each boat sends on a day. It is used by one goroutine.
type budget struct {
	limit int64 // bytes; none when 0
	of    map[string]daysUse
}

type daysUse struct {
	day      int64     // since 1970, in UTC
	enrolled time.Time // a boat that is enrolled again begins again
	bytes    int64
}

// take counts a message of a boat that the server received at a time. over is whether the boat is above its budget, first whether this
// message brought it there.
func (b *budget) take(boat string, bytes int, at, enrolled time.Time) (over, first bool) {
	if b.limit <= 0 {
		return false, false
	}
	s, known := b.of[boat]
	day := at.Unix() / 86400
	if known && !s.enrolled.Equal(enrolled) && at.Sub(enrolled) < time.Second { // enrolments have whole seconds
		return s.bytes > b.limit, false // what waits from before it is not the new computer's
	}
	if day > s.day || !s.enrolled.Equal(enrolled) {
		s = daysUse{day: day, enrolled: enrolled}
	}
	was := s.bytes
	s.bytes += int64(bytes)
	if b.of == nil {
		b.of = map[string]daysUse{}
	}
	b.of[boat] = s
	return s.bytes > b.limit, was <= b.limit && s.bytes > b.limit
}

// parcel is a message on its way to a worker.
type parcel struct {
	jetstream.Msg
	boat        string
	over, first bool // of the boat's budget
}

// sort counts a message against its boat.
func (h *Hub) sort(spending *budget, m jetstream.Msg, boat string) parcel {
	p := parcel{Msg: m, boat: boat}
	meta, err := m.Metadata()
	if err != nil || boat == "" {
		return p
	}
	bytes, again := len(m.Data()), meta.NumDelivered > 1
	if again {
		bytes = 0 // counted before
	}
	p.over, p.first = spending.take(boat, bytes, meta.Timestamp, h.index.enrolment(boat).Enrolled)
	p.first = p.first || p.over && again // it may not have been possible to cut the boat off
	return p
}

// exceed sets aside the message with which a boat went above its budget, and cuts the boat off.
func (h *Hub) exceed(ctx context.Context, p parcel) error {
	ctx, cancel := context.WithTimeout(ctx, requestWithin)
	defer cancel()
	meta, err := p.Metadata()
	if err != nil {
		return err
	}
	why := fmt.Sprintf("misbehaves: it sent more than %d MB on %s", h.opt.Budget>>20, meta.Timestamp.UTC().Format(time.DateOnly))
	if err := h.keepAside(ctx, p.Msg, meta, &message{boat: p.boat}, &refusedError{reason: why}); err != nil {
		return err
	}
	log := h.opt.Log.Error().Str("boat", p.boat).Str("reason", why)
	if h.opt.CutOff == nil {
		log.Msg("the boat is not cut off, for this hub has no keys: end it with muster-hub revoke where they are")
		return nil
	}
	if err := h.opt.CutOff(p.boat, why); err != nil && !errors.Is(err, trust.ErrRevoked) {
		return fmt.Errorf("cut off %s: %w", p.boat, err)
	}
	log.Msg("the boat is cut off; muster-hub enroll lets it in again")
	return nil
}
