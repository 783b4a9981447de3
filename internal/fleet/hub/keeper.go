package hub

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"muster/internal/fleet/broker"
	"muster/internal/fleet/trust"
	"muster/internal/input"
)

// Times of looking after the list of boats.
const (
	lookEvery  = 250 * time.Millisecond
	pushAgain  = time.Minute // servers that were away, or lost their disk, get the list again
	retryAfter = 2 * time.Second
)

// KeepEnrolled gives servers and hubs the list of boats from the folder of keys: at the start, whenever the list changes, and again now
// and then. It works until ctx ends, on the one machine that enrols. system is a connection of the system account.
func (h *Hub) KeepEnrolled(ctx context.Context, t *trust.Trust, system *nats.Conn) {
	var done uint64
	var pushed time.Time
	first, failing := true, false
	for ; ctx.Err() == nil; pause(ctx, lookEvery) {
		list, revision, err := t.Boats()
		if err == nil && !first && revision == done && time.Since(pushed) < pushAgain {
			continue
		}
		if err == nil {
			err = h.enforce(ctx, t, system, list)
		}
		if err == nil {
			err = t.InForce(revision)
		}
		if err != nil {
			if !failing && ctx.Err() == nil {
				h.opt.Log.Error().Err(err).Msg("the list of boats is not in force; trying again")
			}
			failing = true
			pause(ctx, retryAfter)
			continue
		}
		if first || revision != done || failing {
			h.opt.Log.Info().Int("boats", len(list)).Uint64("revision", revision).Msg("the list of boats is in force")
		}
		first, failing, done, pushed = false, false, revision, time.Now()
	}
}

// enforce gives the list to the servers, then to the hubs.
func (h *Hub) enforce(ctx context.Context, t *trust.Trust, system *nats.Conn, list []trust.Enrolment) error {
	p, err := t.Papers()
	if err != nil {
		return err
	}
	if err := broker.PushAccount(system, p.Boats); err != nil {
		return err
	}
	for _, e := range list {
		want := enrolment{Marina: e.Marina, Enrolled: e.Enrolled, Revoked: e.Revoked, Why: e.Why}
		if h.index.enrolment(e.Boat) == want {
			continue
		}
		var have enrolment
		if kv, err := h.enrol.Get(ctx, e.Boat); err == nil {
			_ = input.OpenJSON(ctx, "", kv.Value(), &have) // one that cannot be read is written again
		} else if !errors.Is(err, jetstream.ErrKeyNotFound) {
			return fmt.Errorf("list of boats: %w", err)
		}
		if have == want {
			continue
		}
		value, err := json.Marshal(want)
		if err != nil {
			return fmt.Errorf("list of boats: %w", err)
		}
		if _, err := h.enrol.Put(ctx, e.Boat, value); err != nil {
			return fmt.Errorf("list of boats: %w", err)
		}
	}
	return nil
}

func (x *index) enrolment(id string) enrolment {
	x.mu.RLock()
	defer x.mu.RUnlock()
	if e := x.boats[id]; e != nil {
		return e.enrolled
	}
	return enrolment{}
}
