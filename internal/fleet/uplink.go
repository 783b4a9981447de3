package fleet

import (
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"github.com/rs/zerolog"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/report"
	"muster/internal/store"
)

// Options are what an Uplink sends, to which hub and as which boat.
type Options struct {
	Boat        boat.Identity
	URLs        []string      // of the hub's message servers
	Credentials string        // file; empty for a server that asks for none
	CA          string        // PEM file of the trusted authorities; empty for those that the computer trusts
	Every       time.Duration // a report is sent at least this often; default 15 min
	Metrics     string        // URL where this boat computer can be scraped; may be empty
	Version     string        // of muster

	Report func() *report.Report // the latest, shared and read-only; nil when there is none
	Store  *store.Store          // keeps what waits
	Sync   func()                // asks the store's owner to write it soon and then to call Wake; it does not block
	Log    zerolog.Logger
	Now    func() time.Time // default time.Now

	Look       <-chan time.Duration // when to check the report, on a clock that is never set; nil: each second
	MaxWaiting int                  // messages that may wait; default 2000
	MaxBytes   int                  // of all of them; default 8 MiB

	firstRetry time.Duration // wait after the first failure; default 500 ms
}

// Uplink reports to a hub what happens aboard. It owns no model: it reads the latest report, and a caller that has
// more calls its methods, from any goroutine. What is to be sent waits in the store until the hub's stream has it.
type Uplink struct {
	opt    Options
	board  string
	codec  *Codec
	awake  chan struct{}
	files  [sha256.Size]byte // of the credentials and the CA when it was made
	queued atomic.Bool       // something was queued since the bounds were looked at

	mu    sync.Mutex // guards the following
	once  map[string]bool
	bulky [][sha256.Size]byte // documents queued recently

	sent, shed, tooLarge atomic.Uint64
	connected            atomic.Bool
	lastAck              atomic.Int64 // Unix milliseconds, 0 for never
}

// Stats are what an Uplink counts since it was made.
type Stats struct {
	Queued    int    // messages that wait
	Sent      uint64 // taken in by the hub's stream
	Shed      uint64 // given up for lack of room
	TooLarge  uint64 // not sent because no message server takes them
	Connected bool
	LastAck   time.Time // when the stream last took a message; zero for never
}

// NewUplink checks the options and reads the files that they name. It starts nothing.
func NewUplink(opt Options) (*Uplink, error) {
	opt.Every = cmp.Or(opt.Every, 15*time.Minute)
	opt.MaxWaiting = cmp.Or(opt.MaxWaiting, 2000)
	opt.MaxBytes = cmp.Or(opt.MaxBytes, 8<<20)
	opt.firstRetry = cmp.Or(opt.firstRetry, 500*time.Millisecond)
	if opt.Now == nil {
		opt.Now = time.Now
	}
	credentials, err := opt.Check()
	if err != nil {
		return nil, err
	}
	if credentials != nil && credentials.Open {
		opt.Log.Warn().Str("file", opt.Credentials).Msg("other users of this computer can read the fleet's credentials; chmod 600 fixes it")
	}
	codec, err := NewCodec()
	if err != nil {
		return nil, err
	}
	u := &Uplink{opt: opt, codec: codec, awake: make(chan struct{}, 1), once: map[string]bool{}, files: opt.digest(), board: opt.Store.ID()}
	opt.Store.Skip()
	if err := opt.Store.Sync(); err != nil {
		u.board = store.NewID() // the numbers are not kept either, and would come again
	}
	return u, nil
}

// Check reports what is wrong with the options, and returns the credentials when there are any.
func (o *Options) Check() (*Credentials, error) {
	if err := CheckBoatID(o.Boat.ID); err != nil {
		return nil, fmt.Errorf("fleet: %w", err)
	}
	if len(o.URLs) == 0 {
		return nil, errors.New("fleet: no URL of a hub")
	}
	if _, err := o.trusted(); err != nil {
		return nil, err
	}
	if o.Credentials == "" {
		return nil, nil
	}
	c, err := ReadCredentials(o.Credentials)
	if err != nil {
		return nil, err
	}
	now := time.Now
	if o.Now != nil {
		now = o.Now
	}
	return c, c.Check(o.Boat.ID, now())
}

func (o *Options) digest() (sum [sha256.Size]byte) {
	h := sha256.New()
	for _, file := range []string{o.Credentials, o.CA} {
		text, _ := os.ReadFile(file)
		_, _ = fmt.Fprintf(h, "%d ", len(text))
		_, _ = h.Write(text)
	}
	return [sha256.Size]byte(h.Sum(nil))
}

// Stale reports whether the files that the options name have changed since.
func (u *Uplink) Stale() bool { return u.files != u.opt.digest() }

// Board names the store that the messages are numbered by.
func (u *Uplink) Board() string { return u.board }

// Stats counts since the Uplink was made.
func (u *Uplink) Stats() Stats {
	s := Stats{Queued: u.opt.Store.Unsent(Target), Sent: u.sent.Load(), Shed: u.shed.Load(), TooLarge: u.tooLarge.Load(),
		Connected: u.connected.Load()}
	if ms := u.lastAck.Load(); ms != 0 {
		s.LastAck = time.UnixMilli(ms)
	}
	return s
}

// Wake signals that the store was written: what was queued before may be sent.
func (u *Uplink) Wake() {
	select {
	case u.awake <- struct{}{}:
	default:
	}
}

// Run reports and sends until ctx ends.
func (u *Uplink) Run(ctx context.Context) {
	var reporter sync.WaitGroup
	reporter.Go(func() { u.report(ctx) })
	u.send(ctx)
	reporter.Wait()
}

// lookEvery is how often the report is looked at.
const lookEvery = time.Second

// report queues reports as they are due.
func (u *Uplink) report(ctx context.Context) {
	tick := time.NewTicker(lookEvery)
	defer tick.Stop()
	if u.opt.Look != nil {
		tick.Stop()
	}
	began, p := time.Now(), newPace(u.opt.Every)
	var last *report.Report
	var digested uint64
	for {
		var now time.Duration
		select {
		case <-tick.C:
			now = time.Since(began)
		case now = <-u.opt.Look:
		case <-ctx.Done():
			if p.pending() {
				u.queueReport(classChange, last)
			}
			return
		}
		u.bound()
		r := u.opt.Report()
		if r == nil {
			continue
		}
		if r != last {
			last, digested = r, digest(r)
		}
		if c := p.due(now, digested); c != 0 {
			u.queueReport(c, r)
			p.made(now)
		}
	}
}

func (u *Uplink) queueReport(c class, r *report.Report) {
	body, err := json.Marshal(r)
	if err == nil {
		err = u.queue(c, body)
	}
	u.logUnqueued(c, err)
}

// envelope wraps a body.
func (u *Uplink) envelope(body []byte) *Envelope {
	e := &Envelope{Schema: Schema, Boat: u.opt.Boat, MadeAt: u.opt.Now().UTC(), Clock: boat.ClockSystem,
		Version: u.opt.Version, Metrics: u.opt.Metrics, Body: body}
	if r := u.opt.Report(); r != nil {
		e.Clock = r.Clock
		if r.Clock == boat.ClockGNSS && event.At(e.MadeAt) < event.ClockSet {
			e.MadeAt = r.TakenAt.UTC()
		}
	}
	if e.Clock == boat.ClockSystem && event.At(e.MadeAt) < event.ClockSet {
		e.Clock = boat.ClockUnset
	}
	return e
}

// queue compresses a body and lets it wait.
func (u *Uplink) queue(c class, body []byte) error {
	data, err := u.codec.Encode(u.envelope(body))
	if err != nil {
		return err
	}
	u.put(c, data)
	u.opt.Sync()
	return nil
}

func (u *Uplink) put(c class, data []byte) {
	u.opt.Store.Queue(Target, append([]byte{byte(c)}, data...))
	u.queued.Store(true)
}

// logUnqueued logs once for each class that something could not be queued.
func (u *Uplink) logUnqueued(c class, err error) {
	if err == nil {
		return
	}
	if errors.Is(err, ErrTooLarge) {
		u.tooLarge.Add(1)
	}
	if u.first("queue " + string(c.kind())) {
		u.opt.Log.Error().Err(err).Str("kind", string(c.kind())).Msg("cannot be sent to the hub")
	}
}

// first reports whether something is queued for the first time.
func (u *Uplink) first(what string) bool {
	u.mu.Lock()
	defer u.mu.Unlock()
	said := u.once[what]
	u.once[what] = true
	return !said
}

// Alert queues a change of an alert, muster.alert-change/v1 as JSON. It compresses nothing and does not ask for the store to be
// written: the caller puts the alert itself in the same batch.
func (u *Uplink) Alert(change []byte) {
	text, err := json.Marshal(u.envelope(change))
	if err == nil && len(text) > MaxEncoded {
		err = fmt.Errorf("fleet: %d bytes: %w", len(text), ErrTooLarge)
	}
	if err != nil {
		u.logUnqueued(classAlert, err)
		return
	}
	u.put(classAlert, text)
}

// Snapshot queues a sealed snapshot. The same one is queued once.
func (u *Uplink) Snapshot(sealed []byte) { u.document(classSnapshot, sealed) }

// Record queues a printed paper. The same one is queued once.
func (u *Uplink) Record(d Document) {
	body, err := json.Marshal(d)
	if err != nil {
		u.logUnqueued(classRecord, err)
		return
	}
	u.document(classRecord, body)
}

// documentsKnown is how many documents are remembered, so that the same is not queued twice.
const documentsKnown = 64

func (u *Uplink) document(c class, body []byte) {
	sum := sha256.Sum256(body)
	u.mu.Lock()
	for _, known := range u.bulky {
		if known == sum {
			u.mu.Unlock()
			return
		}
	}
	u.bulky = append(u.bulky, sum)
	if len(u.bulky) > documentsKnown {
		u.bulky = u.bulky[1:]
	}
	u.mu.Unlock()
	u.logUnqueued(c, u.queue(c, body))
}

const fullKey = "full"

// bound gives up what there is no room for.
func (u *Uplink) bound() {
	if !u.queued.Swap(false) {
		return
	}
	items := u.opt.Store.Waiting(Target, math.MaxInt)
	gone := shed(items, u.opt.MaxWaiting, u.opt.MaxBytes)
	if len(gone) == 0 {
		return
	}
	u.opt.Store.Delivered(Target, gone...)
	u.shed.Add(uint64(len(gone)))
	if u.first(fullKey) {
		u.opt.Log.Warn().Int("waiting", len(items)).Int("given_up", len(gone)).
			Msg("too much waits for the hub; reports at intervals are thinned out, oldest first, and alerts kept longest")
	}
}
