package hub

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"muster/internal/fleet"
	"muster/internal/report"
)

// ErrNotFound means that a boat or a message of it is not there (any longer).
var ErrNotFound = errors.New("not found")

// Report reads a report of a boat; 0 asks for the latest.
func (h *Hub) Report(ctx context.Context, id string, number uint64) (*report.Report, error) {
	var data []byte
	if number == 0 {
		e, err := h.reports.Get(ctx, key(id))
		if errors.Is(err, jetstream.ErrKeyNotFound) || errors.Is(err, jetstream.ErrInvalidKey) {
			return nil, fmt.Errorf("report of boat %q: %w", id, ErrNotFound)
		}
		if err != nil {
			return nil, fmt.Errorf("report of boat %q: %w", id, err)
		}
		if _, data, err = unpackReport(e.Value()); err != nil {
			return nil, fmt.Errorf("report of boat %q: %w", id, err)
		}
	} else {
		m, kind, err := h.message(ctx, id, number)
		if err == nil && kind != fleet.KindReport {
			err = fmt.Errorf("message %d of boat %q is no report: %w", number, id, ErrNotFound)
		}
		if err != nil {
			return nil, err
		}
		data = m.Data
	}
	e, err := h.codec.Decode(data)
	if err != nil {
		return nil, fmt.Errorf("report of boat %q: %w", id, err)
	}
	r, err := readReport(e.Body, id)
	if err != nil {
		return nil, fmt.Errorf("report of boat %q: %w", id, err)
	}
	return &r, nil
}

// key is the id when it can be a key, otherwise one that no boat has.
func key(id string) string {
	if fleet.CheckBoatID(id) != nil {
		return "_"
	}
	return id
}

// message reads one message of a boat, and of no other.
func (h *Hub) message(ctx context.Context, id string, number uint64) (*jetstream.RawStreamMsg, fleet.Kind, error) {
	m, err := h.stream.GetMsg(ctx, number)
	if errors.Is(err, jetstream.ErrMsgNotFound) {
		return nil, "", fmt.Errorf("message %d of boat %q: %w", number, id, ErrNotFound)
	}
	if err != nil {
		return nil, "", fmt.Errorf("message %d of boat %q: %w", number, id, err)
	}
	who, kind, err := fleet.ParseSubject(m.Subject)
	if err != nil || who != id {
		return nil, "", fmt.Errorf("message %d of boat %q: %w", number, id, ErrNotFound)
	}
	return m, kind, nil
}

// Document reads any message of a boat.
func (h *Hub) Document(ctx context.Context, id string, number uint64) (*fleet.Envelope, fleet.Kind, error) {
	m, kind, err := h.message(ctx, id, number)
	if err != nil {
		return nil, "", err
	}
	e, err := h.codec.Decode(m.Data)
	if err != nil {
		return nil, "", fmt.Errorf("message %d of boat %q: %w", number, id, err)
	}
	if e.Boat.ID != id || !json.Valid(e.Body) {
		return nil, "", fmt.Errorf("message %d of boat %q was refused: %w", number, id, ErrNotFound)
	}
	return e, kind, nil
}

// History lists the messages of a boat, latest first.
func (h *Hub) History(ctx context.Context, id string, limit int) ([]Past, error) {
	if fleet.CheckBoatID(id) != nil {
		return nil, fmt.Errorf("history of boat %q: %w", id, ErrNotFound)
	}
	var out []Past
	err := tail(ctx, h.stream, fleet.Subjects(id), limit, func(m jetstream.Msg, meta *jetstream.MsgMetadata) {
		_, kind, _ := fleet.ParseSubject(m.Subject())
		size, _ := strconv.Atoi(m.Headers().Get(nats.MsgSize))
		out = append(out, Past{Stream: meta.Sequence.Stream, Received: receivedAt(m.Headers(), meta), Kind: string(kind), Bytes: size})
	})
	if err != nil {
		return nil, fmt.Errorf("history of boat %q: %w", id, err)
	}
	slices.Reverse(out)
	return out, nil
}

// Refusals lists rejected messages, latest first.
func (h *Hub) Refusals(ctx context.Context, limit int) ([]Refusal, error) {
	var out []Refusal
	err := tail(ctx, h.refused, subjectRefused+".>", limit, func(m jetstream.Msg, _ *jetstream.MsgMetadata) {
		head := m.Headers()
		r := Refusal{Subject: head.Get(headerSubject), Reason: head.Get(headerReason)}
		r.Boat, _, _ = fleet.ParseSubject(r.Subject)
		r.Bytes, _ = strconv.Atoi(head.Get(headerBytes))
		r.At, _ = time.Parse(time.RFC3339Nano, head.Get(headerAt))
		out = append(out, r)
	})
	if err != nil {
		return nil, fmt.Errorf("rejected messages: %w", err)
	}
	slices.Reverse(out)
	return out, nil
}

// mostIdle is how often a tail asks in vain, 2 s each.
const mostIdle = 15

// tail calls f with the last messages of a subject, oldest first, without their content. 0 asks for all that are kept.
func tail(ctx context.Context, s jetstream.Stream, subject string, limit int, f func(jetstream.Msg, *jetstream.MsgMetadata)) error {
	c, err := reader(ctx, s, subject)
	if err != nil {
		return err
	}
	defer func() { _ = s.DeleteConsumer(context.WithoutCancel(ctx), c.CachedInfo().Name) }()
	left := int(c.CachedInfo().NumPending)
	skip, came, idle := 0, uint64(0), 0
	if limit > 0 {
		skip = max(0, left-limit)
	}
	for left > 0 {
		batch, err := c.Fetch(min(left, 1000), jetstream.FetchMaxWait(2*time.Second))
		if err != nil {
			return err
		}
		got := 0
		for m := range batch.Messages() {
			got++
			came++
			left--
			if skip > 0 {
				skip--
				continue
			}
			if meta, err := m.Metadata(); err == nil {
				f(m, meta)
			}
		}
		if err := ctx.Err(); err != nil {
			return err
		}
		if got > 0 {
			idle = 0
			continue
		}
		if err := batch.Error(); err != nil {
			return err
		}
		switch info, err := c.Info(ctx); {
		case err != nil:
			return err
		case info.Delivered.Consumer != came:
			return fmt.Errorf("%d of %d messages were lost on the way: ask again", info.Delivered.Consumer-came, info.Delivered.Consumer)
		case info.NumPending == 0:
			return nil // the rest was forgotten meanwhile
		}
		if idle++; idle == mostIdle {
			return fmt.Errorf("%d messages do not come: the load of the server is too high", left)
		}
	}
	return nil
}

// reader makes the consumer of a tail. A cluster that has just lost a node may place it there, where nothing answers:
// it is asked for again.
func reader(ctx context.Context, s jetstream.Stream, subject string) (c jetstream.Consumer, err error) {
	for range 5 {
		once, cancel := context.WithTimeout(ctx, 3*time.Second)
		c, err = s.CreateConsumer(once, jetstream.ConsumerConfig{FilterSubject: subject, AckPolicy: jetstream.AckNonePolicy,
			HeadersOnly: true, InactiveThreshold: 10 * time.Second, MemoryStorage: true, Replicas: 1})
		cancel()
		if ctx.Err() != nil || !errors.Is(err, context.DeadlineExceeded) {
			break
		}
	}
	return c, err
}
