package hub

import (
	"context"
	"encoding/binary"
	"encoding/json"
	"errors"
	"fmt"
	"hash/maphash"
	"strconv"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"muster/internal/fleet"
)

// retryIn is when a message that could not be stored comes again.
const retryIn = 2 * time.Second

// fetchBytes bounds what is fetched and not taken in yet. One message fits.
const fetchBytes = 16 << 20

// ingest hands messages to workers until ctx ends. All of one boat go to one worker, so that they rarely meet; that they are taken in
// the right order is for the records to see, since another process may have the message before.
func (h *Hub) ingest(ctx context.Context) error {
	seed := maphash.MakeSeed()
	lanes := make([]chan parcel, h.opt.Workers)
	spending := budget{limit: h.opt.Budget}
	var wg sync.WaitGroup
	for i := range lanes {
		lanes[i] = make(chan parcel, 16)
		wg.Go(func() {
			for p := range lanes[i] {
				h.take(ctx, p)
			}
		})
	}
	defer func() {
		for _, l := range lanes {
			close(l)
		}
		wg.Wait()
		_ = h.opt.Conn.FlushTimeout(time.Second)
	}()
	for ctx.Err() == nil {
		messages, err := h.work.Messages(jetstream.PullMaxMessagesWithBytesLimit(512, fetchBytes),
			jetstream.PullHeartbeat(5*time.Second))
		if err != nil {
			h.opt.Log.Warn().Err(err).Msg("messages cannot be fetched; trying again")
			pause(ctx, time.Second)
			continue
		}
		stop := context.AfterFunc(ctx, messages.Drain) // what was fetched is handed back
		for {
			m, err := messages.Next()
			if errors.Is(err, jetstream.ErrMsgIteratorClosed) {
				break
			}
			if err != nil {
				h.opt.Log.Debug().Err(err).Msg("fetching messages")
				if errors.Is(err, jetstream.ErrConsumerDeleted) || errors.Is(err, jetstream.ErrConsumerNotFound) {
					break
				}
				pause(ctx, 100*time.Millisecond)
				continue
			}
			who, _, _ := fleet.ParseSubject(m.Subject())
			lanes[maphash.String(seed, who)%uint64(len(lanes))] <- h.sort(&spending, m, who)
		}
		stop()
		messages.Stop()
		if ctx.Err() == nil {
			if err := h.declare(ctx); err != nil {
				h.opt.Log.Warn().Err(err).Msg("streams cannot be declared; trying again")
				pause(ctx, time.Second)
			}
		}
	}
	return nil
}

// take takes one message in. It is acknowledged once its content is stored, or once it is known to be above its boat's budget.
func (h *Hub) take(ctx context.Context, m parcel) {
	err := ctx.Err()
	switch {
	case err != nil:
	case m.first:
		err = h.exceed(ctx, m)
	case m.over:
		h.stats.refused.Add(1)
	default:
		err = h.store(ctx, m.Msg)
	}
	if err == nil {
		if err := m.Ack(); err != nil {
			h.opt.Log.Debug().Err(err).Msg("acknowledge")
		}
		return
	}
	if ctx.Err() != nil {
		_ = m.Nak() // for another process, at once
		return
	}
	h.stats.failures.Add(1)
	h.opt.Log.Debug().Err(err).Str("subject", m.Subject()).Msg("message not stored; it comes again")
	if Full(err) {
		h.stored(err)
	}
	_ = m.NakWithDelay(retryIn)
}

// Full reports whether the store refused because it has no room.
func Full(err error) bool {
	e, ok := errors.AsType[*jetstream.APIError](err)
	return ok && (e.ErrorCode == 10023 || e.ErrorCode == 10047 || e.ErrorCode == 10077 || e.Code == 503)
}

func (h *Hub) store(ctx context.Context, msg jetstream.Msg) error {
	ctx, cancel := context.WithTimeout(ctx, requestWithin)
	defer cancel()
	meta, err := msg.Metadata()
	if err != nil {
		return err
	}
	h.decode <- struct{}{}
	m, err := read(h.codec, msg.Subject(), msg.Headers().Get(nats.MsgIdHdr), msg.Data())
	<-h.decode
	if err != nil {
		return h.keepAside(ctx, msg, meta, m, asRefused(err))
	}
	m.at.Stream, m.received = meta.Sequence.Stream, receivedAt(msg.Headers(), meta)
	if m.kind == fleet.KindReport {
		if err := h.keepReport(ctx, m, msg.Data()); err != nil {
			return err
		}
	}
	var n news
	err = h.update(ctx, m.boat, func(r *record) bool {
		n = r.apply(m)
		return n != repeated
	})
	if err != nil {
		return err
	}
	switch n {
	case repeated:
		if meta.NumDelivered == 1 {
			h.stats.repeated.Add(1)
		}
		return nil
	case late:
		h.stats.late.Add(1)
	}
	h.stats.count(m.kind)
	return nil
}

// update changes the record of a boat by compare and set, so that hubs side by side never undo each other's work. edit may run more
// than once; it reports false when there is nothing to write.
func (h *Hub) update(ctx context.Context, id string, edit func(*record) bool) error {
	r, revision := h.index.record(id)
	for {
		next := &record{}
		if r != nil {
			next = r.clone()
		}
		if !edit(next) {
			return nil
		}
		value, err := json.Marshal(next)
		if len(value) > maxRecord { // the latest report has what must be shown
			next.forget()
			value, err = json.Marshal(next)
		}
		if err != nil {
			return fmt.Errorf("record of boat %s: %w", id, err)
		}
		written, err := h.boats.Update(ctx, id, value, revision)
		if err == nil {
			h.index.put(id, next, written)
			return nil
		}
		if !conflict(err) {
			return fmt.Errorf("record of boat %s: %w", id, err)
		}
		if r, revision, err = h.readRecord(ctx, id); err != nil {
			return err
		}
	}
}

// maxRecord bounds what is written of one boat, in bytes: a message server takes no more.
const maxRecord = fleet.MaxEncoded - 64<<10

// conflict reports whether another hub wrote in between.
func conflict(err error) bool {
	e, ok := errors.AsType[*jetstream.APIError](err)
	if !ok {
		var je jetstream.JetStreamError
		if !errors.As(err, &je) || je.APIError() == nil {
			return false
		}
		e = je.APIError()
	}
	return e.ErrorCode == jetstream.JSErrCodeStreamWrongLastSequence || e.ErrorCode == jetstream.JSErrCodeStreamWrongLastSequenceConstant
}

func (h *Hub) readRecord(ctx context.Context, id string) (*record, uint64, error) {
	e, err := h.boats.Get(ctx, id)
	if errors.Is(err, jetstream.ErrKeyNotFound) {
		return nil, 0, nil
	}
	if err != nil {
		return nil, 0, fmt.Errorf("record of boat %s: %w", id, err)
	}
	r, err := decodeRecord(e.Value())
	if err != nil {
		h.opt.Log.Error().Err(err).Str("boat", id).Msg("the boat's record cannot be read and is made again")
	}
	return &r, e.Revision(), nil
}

// revisions remembers the report that was last stored for each boat, so that it need not be read again.
type revisions struct {
	mu sync.Mutex
	of map[string]keptReport
}

type keptReport struct {
	at       stamp
	revision uint64
}

func (r *revisions) get(id string) (keptReport, bool) {
	r.mu.Lock()
	defer r.mu.Unlock()
	k, ok := r.of[id]
	return k, ok
}

func (r *revisions) put(id string, k keptReport) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.of == nil {
		r.of = map[string]keptReport{}
	}
	if k.revision > r.of[id].revision {
		r.of[id] = k
	}
}

// keepReport puts a report, as it came, into the bucket of latest reports, unless a later one is there. The history forgets; this does not.
func (h *Hub) keepReport(ctx context.Context, m *message, data []byte) error {
	have, known := h.kept.get(m.boat)
	value := packReport(m.at, data)
	for {
		if known && have.at.Seq != 0 && !m.at.after(have.at) {
			return nil
		}
		revision, err := h.reports.Update(ctx, m.boat, value, have.revision)
		if err == nil {
			h.kept.put(m.boat, keptReport{m.at, revision})
			return nil
		}
		if !conflict(err) {
			if errors.Is(err, nats.ErrMaxPayload) {
				return nil // the history has it
			}
			return fmt.Errorf("report of boat %s: %w", m.boat, err)
		}
		e, err := h.reports.Get(ctx, m.boat)
		if errors.Is(err, jetstream.ErrKeyNotFound) {
			have, known = keptReport{}, false
			continue
		}
		if err != nil {
			return fmt.Errorf("report of boat %s: %w", m.boat, err)
		}
		at, _, _ := unpackReport(e.Value())
		have, known = keptReport{at, e.Revision()}, true
		h.kept.put(m.boat, have)
	}
}

// packReport puts a stamp before a message.
func packReport(at stamp, data []byte) []byte {
	b := binary.AppendUvarint(make([]byte, 0, len(data)+96), uint64(len(at.Board)))
	b = append(b, at.Board...)
	b = binary.AppendUvarint(binary.AppendUvarint(b, at.Seq), at.Stream)
	return append(b, data...)
}

func unpackReport(b []byte) (at stamp, data []byte, err error) {
	bad := errors.New("the kept report is damaged")
	n, used := binary.Uvarint(b)
	if used <= 0 || n > uint64(len(b)-used) {
		return at, nil, bad
	}
	at.Board, b = string(b[used:used+int(n)]), b[used+int(n):]
	for _, to := range []*uint64{&at.Seq, &at.Stream} {
		if *to, used = binary.Uvarint(b); used <= 0 {
			return stamp{}, nil, bad
		}
		b = b[used:]
	}
	return at, b, nil
}

// Headers of a message that was set apart.
const (
	headerReason  = "Muster-Reason"
	headerSubject = "Muster-Subject"
	headerAt      = "Muster-At"
	headerBytes   = "Muster-Bytes"
	keepBytes     = 64 << 10 // of the content
)

// keepAside stores a message that is refused, with the reason, and counts it against the boat that may send on its
// subject.
func (h *Hub) keepAside(ctx context.Context, msg jetstream.Msg, meta *jetstream.MsgMetadata, m *message, why *refusedError) error {
	subject := subjectRefused + ".unknown"
	if m != nil && !why.unowned {
		subject = subjectRefused + ".boat." + m.boat
	}
	data := msg.Data()
	out := nats.NewMsg(subject)
	out.Data = data[:min(len(data), keepBytes)]
	for k, v := range map[string]string{headerReason: clip(why.reason), headerSubject: clip(msg.Subject()),
		headerBytes: strconv.Itoa(len(data)),
		headerAt:    receivedAt(msg.Headers(), meta).Format(time.RFC3339Nano)} {
		out.Header.Set(k, v)
	}
	ack, err := h.js.PublishMsg(ctx, out, jetstream.WithMsgID("refused."+strconv.FormatUint(meta.Sequence.Stream, 10)))
	if err != nil {
		return fmt.Errorf("keep a refused message: %w", err)
	}
	if ack.Duplicate {
		return nil // counted before
	}
	h.stats.refused.Add(1)
	h.opt.Log.Warn().Str("subject", clip(msg.Subject())).Str("reason", clip(why.reason)).Msg("message rejected")
	if m == nil || why.unowned {
		return nil
	}
	return h.update(ctx, m.boat, func(r *record) bool {
		r.Refused++
		r.LastHeard = latest(r.LastHeard, receivedAt(msg.Headers(), meta))
		return true
	})
}
