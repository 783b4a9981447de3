package hub

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strconv"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"muster/internal/fleet"
)

// Headers of a message that was moved.
const (
	headerFrom     = "Muster-From"     // its number in the stream that it came from
	headerReceived = "Muster-Received" // when it arrived there
)

// Moved sums up the move of a stream or bucket.
type Moved struct {
	Name   string
	Here   int // at the old place
	There  int // of these, at the new place
	Copied int // by this run
}

// moveWindow is how many copies may wait for their acknowledgement.
const moveWindow = 256

// Move copies everything from one message server to another: messages in order and with their ids, so that hubs at the new place make
// the same of them. It can be broken off and repeated: what is there is not copied again.
func Move(ctx context.Context, from, to *nats.Conn, replicas int, log zerolog.Logger) ([]Moved, error) {
	source, err := jetstream.New(from, jetstream.WithDefaultTimeout(requestWithin))
	if err != nil {
		return nil, fmt.Errorf("move: %w", err)
	}
	old, err := source.Stream(ctx, StreamBoats)
	if err != nil {
		return nil, fmt.Errorf("move: stream %s at the old place: %w", StreamBoats, err)
	}
	cfg := old.CachedInfo().Config
	h, err := New(ctx, Options{Conn: to, Replicas: replicas, MaxAge: cfg.MaxAge, MaxBytes: max(cfg.MaxBytes, 0), Log: log})
	if err != nil {
		return nil, err
	}
	var out []Moved
	for _, step := range []func() (Moved, error){
		func() (Moved, error) { return moveBucket(ctx, source, BucketEnrol, h.enrol, true) }, // the keys stay where they are
		func() (Moved, error) { return moveDays(ctx, source, h) },
		func() (Moved, error) { return moveForgotten(ctx, source, old.CachedInfo().State.FirstSeq, h) },
		func() (Moved, error) { return moveMessages(ctx, old, h, log) },
	} {
		m, err := step()
		out = append(out, m)
		if err != nil {
			return out, fmt.Errorf("move: %s: %w", m.Name, err)
		}
	}
	return out, nil
}

// moveMessages copies the history. What is shown of the boats, and what was refused, hubs make of it again.
func moveMessages(ctx context.Context, old jetstream.Stream, h *Hub, log zerolog.Logger) (Moved, error) {
	m := Moved{Name: StreamBoats}
	there := map[[2]string]bool{} // subject and message id
	copied := map[string]bool{}   // numbers at the old place
	err := tail(ctx, h.stream, "", 0, func(msg jetstream.Msg, _ *jetstream.MsgMetadata) {
		if n := msg.Headers().Get(headerFrom); n != "" {
			copied[n] = true
		}
		there[[2]string{msg.Subject(), msg.Headers().Get(nats.MsgIdHdr)}] = true
	})
	if err != nil {
		return m, fmt.Errorf("what is there: %w", err)
	}
	var waiting []jetstream.PubAckFuture
	settle := func(keep int) error {
		for len(waiting) > keep {
			select {
			case <-waiting[0].Ok():
				m.There++
				m.Copied++
			case err := <-waiting[0].Err():
				return err
			case <-ctx.Done():
				return ctx.Err()
			}
			waiting = waiting[1:]
		}
		return nil
	}
	logged := time.Now()
	err = each(ctx, old, func(msg jetstream.Msg, meta *jetstream.MsgMetadata) error {
		m.Here++
		number, id := strconv.FormatUint(meta.Sequence.Stream, 10), msg.Headers().Get(nats.MsgIdHdr)
		if copied[number] || id != "" && there[[2]string{msg.Subject(), id}] {
			m.There++
			return nil
		}
		c := nats.NewMsg(msg.Subject())
		c.Data = msg.Data()
		for k, v := range msg.Headers() {
			c.Header[k] = v
		}
		c.Header.Set(headerFrom, number)
		if c.Header.Get(headerReceived) == "" {
			c.Header.Set(headerReceived, meta.Timestamp.UTC().Format(time.RFC3339Nano))
		}
		f, err := h.js.PublishMsgAsync(c, jetstream.WithStallWait(30*time.Second))
		if err != nil {
			return err
		}
		waiting = append(waiting, f)
		if time.Since(logged) > 5*time.Second {
			logged = time.Now()
			log.Info().Int("messages", m.Here).Uint64("left", meta.NumPending).Msg("moving")
		}
		return settle(moveWindow)
	})
	err = errors.Join(err, settle(0))
	if err == nil && m.There != m.Here {
		err = fmt.Errorf("%d messages here and %d of them there", m.Here, m.There)
	}
	return m, err
}

// receivedAt is when a message arrived first. A time that a boat made up can only make its own word older.
func receivedAt(head nats.Header, meta *jetstream.MsgMetadata) time.Time {
	if at, err := time.Parse(time.RFC3339Nano, head.Get(headerReceived)); err == nil && at.Before(meta.Timestamp) && at.Year() > 2000 {
		return at.UTC()
	}
	return meta.Timestamp.UTC()
}

// Take puts a message of a boat into the history as one that was received at an earlier moment.
func (h *Hub) Take(
	ctx context.Context, id string, k fleet.Kind, computer string, seq uint64, e *fleet.Envelope, at time.Time,
) error {
	data, err := h.codec.Encode(e)
	if err != nil {
		return err
	}
	m := nats.NewMsg(fleet.Subject(id, k))
	m.Data = data
	m.Header.Set(nats.MsgIdHdr, fleet.MessageID(computer, seq))
	m.Header.Set(headerReceived, at.UTC().Format(time.RFC3339Nano))
	if _, err := h.js.PublishMsg(ctx, m); err != nil {
		return fmt.Errorf("message of %s: %w", id, err)
	}
	return nil
}

// each calls f with every message that a stream holds now, in order.
func each(ctx context.Context, s jetstream.Stream, f func(jetstream.Msg, *jetstream.MsgMetadata) error) error {
	info, err := s.Info(ctx)
	if err != nil || info.State.Msgs == 0 {
		return err
	}
	c, err := s.OrderedConsumer(ctx, jetstream.OrderedConsumerConfig{DeliverPolicy: jetstream.DeliverAllPolicy})
	if err != nil {
		return err
	}
	messages, err := c.Messages(jetstream.PullMaxMessages(500))
	if err != nil {
		return err
	}
	defer messages.Stop()
	defer context.AfterFunc(ctx, messages.Stop)()
	for {
		msg, err := messages.Next()
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if err != nil {
			return err
		}
		meta, err := msg.Metadata()
		if err != nil {
			return err
		}
		if err := f(msg, meta); err != nil {
			return err
		}
		if meta.NumPending == 0 {
			return nil
		}
	}
}

// moveBucket copies a bucket as it is; a different value in the new place is overwritten, or kept. A bucket that the
// old place never had holds nothing.
func moveBucket(ctx context.Context, source jetstream.JetStream, name string, to jetstream.KeyValue, overwrite bool) (Moved, error) {
	m := Moved{Name: name}
	from, err := source.KeyValue(ctx, name)
	if errors.Is(err, jetstream.ErrBucketNotFound) {
		return m, nil
	}
	if err != nil {
		return m, err
	}
	err = eachEntry(ctx, from, func(e jetstream.KeyValueEntry) error {
		m.Here++
		have, err := to.Get(ctx, e.Key())
		if err == nil && (!overwrite || string(have.Value()) == string(e.Value())) {
			m.There++
			return nil
		}
		if err != nil && !errors.Is(err, jetstream.ErrKeyNotFound) {
			return err
		}
		if _, err := to.Put(ctx, e.Key(), e.Value()); err != nil {
			return err
		}
		m.There++
		m.Copied++
		return nil
	})
	return m, err
}

// moveDays copies the daybook. A day that the new place has written is the newer.
func moveDays(ctx context.Context, source jetstream.JetStream, h *Hub) (Moved, error) {
	to, err := h.days(ctx)
	if err != nil {
		return Moved{Name: BucketDays}, err
	}
	return moveBucket(ctx, source, BucketDays, to, false)
}

// moveForgotten copies what is kept of boats whose latest report is no longer in the history, which nothing could be made of again.
func moveForgotten(ctx context.Context, source jetstream.JetStream, first uint64, h *Hub) (Moved, error) {
	m := Moved{Name: BucketBoats}
	reports, err := source.KeyValue(ctx, BucketReports)
	if err != nil {
		return m, err
	}
	create := func(kv jetstream.KeyValue, key string, value []byte) error {
		_, err := kv.Create(ctx, key, value)
		if errors.Is(err, jetstream.ErrKeyExists) || conflict(err) {
			return nil
		}
		return err
	}
	boats, err := source.KeyValue(ctx, BucketBoats)
	if err != nil {
		return m, err
	}
	err = eachEntry(ctx, boats, func(e jetstream.KeyValueEntry) error {
		r, err := decodeRecord(e.Value())
		if err != nil || r.Report.Seq == 0 || r.Report.Stream >= first {
			return nil
		}
		m.Here++
		if kept, err := reports.Get(ctx, e.Key()); err == nil {
			at, data, err := unpackReport(kept.Value())
			if err != nil {
				return err
			}
			at.Stream = 0 // numbers of the old place have no meaning in the new one
			if err := create(h.reports, e.Key(), packReport(at, data)); err != nil {
				return err
			}
		} else if !errors.Is(err, jetstream.ErrKeyNotFound) {
			return err
		}
		r.Report.Stream = 0
		for id, c := range r.Changes {
			c.At.Stream = 0
			r.Changes[id] = c
		}
		for i := range r.Boards {
			r.Boards[i].Seen = 1 // what of it is in the history comes again
		}
		value, err := json.Marshal(&r)
		if err != nil {
			return err
		}
		m.There++
		return create(h.boats, e.Key(), value)
	})
	return m, err
}

// eachEntry calls f with every entry that a bucket holds now.
func eachEntry(ctx context.Context, kv jetstream.KeyValue, f func(jetstream.KeyValueEntry) error) error {
	w, err := kv.WatchAll(ctx, jetstream.IgnoreDeletes())
	if err != nil {
		return err
	}
	defer func() { _ = w.Stop() }()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case e, open := <-w.Updates():
			switch {
			case !open:
				return errors.New("the bucket cannot be read to its end")
			case e == nil:
				return nil
			}
			if err := f(e); err != nil {
				return err
			}
		}
	}
}
