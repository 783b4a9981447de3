package hub

import (
	"context"
	"errors"
	"fmt"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"muster/internal/fleet"
	"muster/internal/input"
	"muster/internal/release"
)

// Names of what a hub declares. The version grows when an older hub could misread what is in it.
const (
	StreamBoats   = "BOATS_V1"         // what boats sent
	StreamRefused = "BOATS_REFUSED_V1" // rejected messages
	BucketBoats   = "muster_boats_v1"  // what is shown of each boat
	BucketReports = "muster_reports_v1"
	BucketEnrol   = "muster_enrolled_v1"

	consumer       = "hub" // shared by all hub processes
	subjectRefused = "muster.v1.refused"
	bucketProbe    = "muster_hubs_v1"
)

// Options are what a hub keeps and for how long.
type Options struct {
	Conn     *nats.Conn
	Replicas int                          // of streams and buckets; 1 when 0
	MaxAge   time.Duration                // of the history; DefaultMaxAge when 0
	MaxBytes int64                        // of the history; no bound but the store's when 0
	Sheets   func() *release.Sheets       // nil for none
	Workers  int                          // messages taken in at one time; 32 when 0
	Budget   int64                        // bytes that a boat may send on a day; no bound when 0
	CutOff   func(boat, why string) error // keeps a boat out from now on; nil on a hub without keys
	Log      zerolog.Logger

	ackWait time.Duration // after which a message that a hub took and never finished comes again; 30 s when 0
}

// DefaultMaxAge is how long messages are kept.
const DefaultMaxAge = 400 * 24 * time.Hour

// Bounds of the streams.
const (
	duplicates    = 10 * time.Minute // span of the server's check for repeated messages; older ones show by number
	perSubject    = 20000            // messages of one kind of one boat, so that no boat pushes out the others' history
	refusedAll    = 4000             // with keepBytes 256 MB at most; a bound in bytes would reserve that on the disk
	refusedEach   = 200
	refusedAge    = 90 * 24 * time.Hour
	maxPending    = 4096
	requestWithin = 5 * time.Second
	probeEvery    = 5 * time.Second
)

// Hub keeps the fleet. New declares, Run works until its context ends.
type Hub struct {
	opt     Options
	js      jetstream.JetStream
	codec   *fleet.Codec
	boats   jetstream.KeyValue
	reports jetstream.KeyValue
	enrol   jetstream.KeyValue
	probes  jetstream.KeyValue
	stream  jetstream.Stream
	refused jetstream.Stream
	work    jetstream.Consumer
	index   *index
	decode  chan struct{} // one token for each message being taken apart
	kept    revisions     // of the bucket of reports

	loaded  atomic.Int32 // buckets read to their end
	failing atomic.Pointer[error]
	stats   counters
	pending atomic.Uint64
}

type counters struct {
	kinds                             [4]atomic.Uint64 // in the order of fleet.Kinds
	refused, repeated, late, failures atomic.Uint64
}

func (c *counters) count(k fleet.Kind) {
	if i := slices.Index(fleet.Kinds(), k); i >= 0 {
		c.kinds[i].Add(1)
	}
}

// New declares the streams and buckets. What is there stays, with its bounds set again.
func New(ctx context.Context, opt Options) (*Hub, error) {
	if opt.Replicas == 0 {
		opt.Replicas = 1
	}
	if opt.MaxAge == 0 {
		opt.MaxAge = DefaultMaxAge
	}
	if opt.Workers == 0 {
		opt.Workers = 32
	}
	if opt.ackWait == 0 {
		opt.ackWait = 30 * time.Second
	}
	js, err := jetstream.New(opt.Conn, jetstream.WithDefaultTimeout(requestWithin))
	if err != nil {
		return nil, fmt.Errorf("hub: %w", err)
	}
	codec, err := fleet.NewCodec()
	if err != nil {
		return nil, fmt.Errorf("hub: %w", err)
	}
	h := &Hub{opt: opt, js: js, codec: codec, index: newIndex(), decode: make(chan struct{}, runtime.GOMAXPROCS(0))}
	if err := h.declare(ctx); err != nil {
		return nil, err
	}
	return h, nil
}

// declare waits for a cluster that is being put together, as long as ctx allows.
func (h *Hub) declare(ctx context.Context) error {
	for {
		// A server without a leader does not answer at all.
		once, cancel := context.WithTimeout(ctx, requestWithin)
		err := h.declareOnce(once)
		cancel()
		if err == nil || ctx.Err() != nil || !passing(err) {
			return err
		}
		select {
		case <-ctx.Done():
			return err
		case <-time.After(500 * time.Millisecond):
		}
	}
}

// passing separates what repairs itself, such as a cluster without a leader yet, from what does not.
func passing(err error) bool {
	if e, ok := errors.AsType[*jetstream.APIError](err); ok {
		return e.Code == 503 || e.Code == 500 || e.ErrorCode == 10005 // no suitable peers yet
	}
	return errors.Is(err, context.DeadlineExceeded) || errors.Is(err, nats.ErrTimeout) || errors.Is(err, nats.ErrNoResponders) ||
		errors.Is(err, jetstream.ErrNoStreamResponse) || errors.Is(err, jetstream.ErrJetStreamNotEnabled)
}

// streams are the two streams as this version of the hub requires them.
func (o *Options) streams() []jetstream.StreamConfig {
	return []jetstream.StreamConfig{
		{Name: StreamBoats, Description: "what boats sent", Subjects: []string{fleet.Subjects("*")},
			Storage: jetstream.FileStorage, Replicas: o.Replicas, MaxAge: o.MaxAge, MaxBytes: orNone(o.MaxBytes),
			MaxMsgsPerSubject: perSubject, Discard: jetstream.DiscardOld,
			Duplicates: min(duplicates, o.MaxAge), DenyDelete: true, DenyPurge: true},
		{Name: StreamRefused, Description: "rejected messages", Subjects: []string{subjectRefused + ".>"}, Storage: jetstream.FileStorage,
			Replicas: o.Replicas, MaxAge: refusedAge, MaxMsgs: refusedAll, MaxMsgsPerSubject: refusedEach, Discard: jetstream.DiscardOld,
			Duplicates: duplicates},
	}
}

func orNone(n int64) int64 {
	if n == 0 {
		return -1
	}
	return n
}

// buckets are the buckets as this version of the hub requires them.
func (o *Options) buckets() []jetstream.KeyValueConfig {
	b := func(name, what string) jetstream.KeyValueConfig {
		return jetstream.KeyValueConfig{Bucket: name, Description: what, History: 1, Storage: jetstream.FileStorage,
			Replicas: o.Replicas}
	}
	return []jetstream.KeyValueConfig{b(BucketBoats, "what is shown of each boat"), b(BucketReports, "the latest report of each boat"),
		b(BucketEnrol, "the enrolled boats")}
}

func (h *Hub) declareOnce(ctx context.Context) error {
	streams := h.opt.streams()
	for i, to := range []*jetstream.Stream{&h.stream, &h.refused} {
		s, err := h.js.CreateOrUpdateStream(ctx, streams[i])
		if err != nil {
			return fmt.Errorf("hub: declare stream %s: %w", streams[i].Name, err)
		}
		*to = s
	}
	probe := jetstream.KeyValueConfig{Bucket: bucketProbe, Description: "whether the store takes anything", History: 1, Replicas: h.opt.Replicas,
		Storage: jetstream.FileStorage, TTL: time.Minute}
	for i, to := range []*jetstream.KeyValue{&h.boats, &h.reports, &h.enrol, &h.probes} {
		b := append(h.opt.buckets(), probe)[i]
		kv, err := h.js.CreateOrUpdateKeyValue(ctx, b)
		if err != nil {
			return fmt.Errorf("hub: declare bucket %s: %w", b.Bucket, err)
		}
		*to = kv
	}
	c, err := h.stream.CreateOrUpdateConsumer(ctx, jetstream.ConsumerConfig{Durable: consumer, Description: "hub processes, which share it",
		AckPolicy: jetstream.AckExplicitPolicy, AckWait: h.opt.ackWait, MaxDeliver: -1, MaxAckPending: maxPending,
		DeliverPolicy: jetstream.DeliverAllPolicy})
	if err != nil {
		return fmt.Errorf("hub: declare consumer: %w", err)
	}
	h.work = c
	return nil
}

// Run keeps the fleet until ctx ends.
func (h *Hub) Run(ctx context.Context) error {
	var wg sync.WaitGroup
	defer wg.Wait()
	wg.Go(func() { h.probe(ctx) })
	wg.Go(func() { h.watch(ctx, h.boats, h.sawRecord) })
	wg.Go(func() { h.watch(ctx, h.enrol, h.sawEnrolment) })
	return h.ingest(ctx)
}

// watch reads a bucket and every change of it, until ctx ends.
func (h *Hub) watch(ctx context.Context, kv jetstream.KeyValue, saw func(jetstream.KeyValueEntry)) {
	loaded := false
	for ctx.Err() == nil {
		w, err := kv.WatchAll(ctx)
		if err != nil {
			h.opt.Log.Warn().Err(err).Str("bucket", kv.Bucket()).Msg("bucket cannot be watched; trying again")
			pause(ctx, time.Second)
			continue
		}
		for open := true; open; {
			select {
			case <-ctx.Done():
				open = false
			case e, ok := <-w.Updates():
				switch {
				case !ok:
					open = false
				case e == nil && !loaded:
					loaded = true
					h.loaded.Add(1)
				case e != nil:
					saw(e)
				}
			}
		}
		_ = w.Stop()
		pause(ctx, 200*time.Millisecond)
	}
}

func pause(ctx context.Context, d time.Duration) {
	select {
	case <-ctx.Done():
	case <-time.After(d):
	}
}

func (h *Hub) sawRecord(e jetstream.KeyValueEntry) {
	if e.Operation() != jetstream.KeyValuePut {
		return
	}
	if _, have := h.index.record(e.Key()); have >= e.Revision() {
		return // written here
	}
	r, err := decodeRecord(e.Value())
	if err != nil {
		h.opt.Log.Error().Err(err).Str("boat", e.Key()).Msg("the boat's record cannot be read; its next word makes a new one")
		return
	}
	h.index.put(e.Key(), &r, e.Revision())
}

func (h *Hub) sawEnrolment(e jetstream.KeyValueEntry) {
	if e.Operation() != jetstream.KeyValuePut {
		h.index.enrol(e.Key(), nil, e.Revision())
		return
	}
	var v enrolment
	if err := input.OpenJSON(context.Background(), "", e.Value(), &v); err == nil {
		h.index.enrol(e.Key(), &v, e.Revision())
	}
}

// probe writes a message of its own every few seconds: boats that are not acknowledged are silent, so this is how a
// hub finds that the store takes nothing.
func (h *Hub) probe(ctx context.Context) {
	key := strings.ToLower(nats.NewInbox()[len("_INBOX."):])
	for ; ctx.Err() == nil; pause(ctx, probeEvery) {
		_, err := h.probes.Put(ctx, key, []byte(time.Now().UTC().Format(time.RFC3339)))
		h.stored(err)
		if info, err := h.work.Info(ctx); err == nil {
			h.pending.Store(info.NumPending + uint64(info.NumAckPending))
		}
	}
}

// stored notes whether the store took something, and logs when that changes.
func (h *Hub) stored(err error) {
	if errors.Is(err, context.Canceled) {
		return
	}
	if err == nil {
		if h.failing.Swap(nil) != nil {
			h.opt.Log.Info().Msg("the store takes messages again")
		}
		return
	}
	if h.failing.Swap(&err) == nil {
		h.opt.Log.Error().Err(err).Msg("the store accepts nothing, and boats keep their messages; make room on its disk, or see why its servers do not answer")
	}
}

// Ready is nil when every boat is known and the store takes messages.
func (h *Hub) Ready() error {
	switch err := h.failing.Load(); {
	case !h.opt.Conn.IsConnected():
		return errors.New("no connection to the message server")
	case h.loaded.Load() < 2:
		return errors.New("reading what is known of the boats")
	case err != nil:
		return fmt.Errorf("the store takes nothing: %w", *err)
	}
	return nil
}

// Stats are what this process has counted.
func (h *Hub) Stats() Stats {
	s := Stats{Messages: map[fleet.Kind]uint64{}, Refused: h.stats.refused.Load(), Repeated: h.stats.repeated.Load(),
		Late:     h.stats.late.Load(),
		Failures: h.stats.failures.Load(), Pending: h.pending.Load(), Connected: h.opt.Conn.IsConnected()}
	for i, k := range fleet.Kinds() {
		s.Messages[k] = h.stats.kinds[i].Load()
	}
	return s
}

// Boats lists every boat by id.
func (h *Hub) Boats() []*Boat { return h.index.list() }

// Boat gives one boat, nil when it is not known.
func (h *Hub) Boat(id string) *Boat { return h.index.boat(id) }

// Revision grows with every change.
func (h *Hub) Revision() uint64 {
	h.index.mu.RLock()
	defer h.index.mu.RUnlock()
	return h.index.revision
}

// Changed is closed at the next change.
func (h *Hub) Changed() <-chan struct{} {
	h.index.mu.RLock()
	defer h.index.mu.RUnlock()
	return h.index.changed
}

// Unit gives the row of one unit of a boat, nil when it is not known.
func (h *Hub) Unit(boat, id string) *Unit { return h.index.unit(boat, id) }

// Search finds devices over the fleet.
func (h *Hub) Search(q Query) ([]Hit, error) {
	var sheets *release.Sheets
	if h.opt.Sheets != nil {
		sheets = h.opt.Sheets()
	}
	return h.index.search(q, sheets)
}

var _ Fleet = (*Hub)(nil)
