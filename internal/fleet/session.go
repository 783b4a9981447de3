package fleet

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"math/rand/v2"
	"net"
	"os"
	"strconv"
	"strings"
	"time"

	"github.com/nats-io/nats.go"

	"muster/internal/input"
	"muster/internal/store"
)

// Bounds of a session. They suit links of a few kB/s that last seconds.
const (
	windowMessages = 16        // sent and not yet acknowledged
	windowBytes    = 128 << 10 // of them, unless one alone is larger
	dialWithin     = 5 * time.Second
	pingEvery      = 15 * time.Second // two without an answer end the session
	slowest        = 4 << 10          // bytes a second that a link carries at least
	ackWithin      = 5 * time.Second  // besides the time that the link needs
	readAhead      = 256              // messages taken from the store at once
	steady         = 10 * time.Second // a session that lasted so long worked, though nothing was to be sent
)

// Longest waits between attempts.
const (
	lastRetryLink    = 15 * time.Second // the link may come for seconds
	lastRetryRefused = 5 * time.Minute  // a person must act
)

// refusal is what the hub, and not the link, is in the way with.
type refusal struct{ error }

func (r *refusal) Unwrap() error { return r.error }

var (
	errNoStream = &refusal{errors.New("no stream stores what boats send: muster-hub does not run there, or has not run yet")}
	errNoAnswer = errors.New("the hub does not answer")
)

// backoff waits longer from time to time, never twice the same.
type backoff struct{ first, next time.Duration }

func (b *backoff) wait(last time.Duration) time.Duration {
	d := min(max(b.next, b.first), last)
	b.next = 2 * d
	return d/2 + rand.N(d/2+1)
}

func (b *backoff) reset() { b.next = 0 }

// send keeps a session with the hub until ctx ends.
func (u *Uplink) send(ctx context.Context) {
	b := &backoff{first: u.opt.firstRetry}
	for ctx.Err() == nil {
		did, err := u.session(ctx, b)
		if ctx.Err() != nil {
			return
		}
		if did {
			u.opt.Log.Debug().Err(err).Msg("the link to the hub went away")
		} else {
			u.logLink(err)
		}
		pause(ctx, b.wait(lastRetry(err)), nil)
	}
}

func lastRetry(err error) time.Duration {
	var no *refusal
	if errors.As(err, &no) {
		return lastRetryRefused
	}
	return lastRetryLink
}

// pause waits, but not longer than ctx and the link last.
func pause(ctx context.Context, d time.Duration, lost <-chan error) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
		return nil
	case err := <-lost:
		return err
	case <-ctx.Done():
		return ctx.Err()
	}
}

const downKey = "down "

// logLink logs why nothing gets through, once until the reason changes, and once that it does again.
func (u *Uplink) logLink(err error) {
	u.mu.Lock()
	defer u.mu.Unlock()
	was, is := "", ""
	for what := range u.once {
		if strings.HasPrefix(what, downKey) {
			was = what
		}
	}
	if err != nil {
		is = downKey + err.Error()
		if op := (*net.OpError)(nil); errors.As(err, &op) {
			is = downKey + "link" // ports and addresses vary
		}
	}
	if is == was && u.once["said"] {
		return
	}
	delete(u.once, was)
	u.once["said"] = true
	if err == nil {
		delete(u.once, fullKey)
		u.opt.Log.Info().Int("waiting", u.opt.Store.Unsent(Target)).Msg("the hub stores what the boat sends")
		return
	}
	u.once[is] = true
	u.opt.Log.Warn().Err(err).Int("waiting", u.opt.Store.Unsent(Target)).Msg("the hub cannot be reached; retrying")
}

// flight is a message on its way.
type flight struct {
	id   uint64
	size int
}

// session is one connection with the hub.
type session struct {
	u       *Uplink
	nc      *nats.Conn
	inbox   string
	refused chan error // what the server forbids
	batch   []store.Item
	window  []flight // oldest first
	bytes   int      // in the window
	latest  uint64   // sent
	acked   bool     // something was
}

// session connects, and sends what waits until the link is lost. It reports whether it did any good.
func (u *Uplink) session(ctx context.Context, b *backoff) (did bool, err error) {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	lost := make(chan error, 1)
	s := &session{u: u, refused: make(chan error, 4)}
	if s.nc, err = u.connect(ctx, lost, s.refused); err != nil {
		return false, explain(err)
	}
	defer s.nc.Close()
	u.connected.Store(true)
	defer u.connected.Store(false)
	began := time.Now()
	s.inbox = s.nc.NewInbox() + "."
	acks := make(chan *nats.Msg, 4*windowMessages)
	if _, err := s.nc.ChanSubscribe(s.inbox+"*", acks); err != nil {
		return false, explain(err)
	}
	for {
		err := s.flow(ctx, acks, lost, b)
		var no *refusal
		if !errors.As(err, &no) || ctx.Err() != nil {
			return s.acked || time.Since(began) > steady, explain(err)
		}
		u.logLink(err)
		s.batch, s.window, s.bytes, s.latest = nil, nil, 0, 0 // from the oldest again
		if err := pause(ctx, b.wait(lastRetryRefused), lost); err != nil {
			return s.acked, explain(err)
		}
	}
}

// flow sends in order, each message until it is acknowledged, until something is in the way.
func (s *session) flow(ctx context.Context, acks <-chan *nats.Msg, lost <-chan error, b *backoff) error {
	patience := time.NewTimer(time.Hour)
	defer patience.Stop()
	for {
		if err := s.fill(); err != nil {
			return err
		}
		patience.Reset(ackWithin + time.Duration(s.bytes)*time.Second/slowest)
		var late <-chan time.Time
		if len(s.window) > 0 {
			late = patience.C
		}
		select {
		case m := <-acks:
			if err := s.take(m); err != nil {
				return err
			}
			b.reset()
		case <-s.u.awake:
		case err := <-s.refused:
			return err
		case err := <-lost:
			return err
		case <-late:
			return errNoAnswer
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// fill sends what the window has room for, oldest first.
func (s *session) fill() error {
	for len(s.window) < windowMessages && (s.bytes < windowBytes || len(s.window) == 0) {
		it, any := s.next()
		if !any {
			return nil
		}
		kind, data, err := s.u.open(it.Body)
		if err == nil && int64(len(data)) > s.nc.MaxPayload() {
			err = fmt.Errorf("the hub takes %d bytes: %w", s.nc.MaxPayload(), ErrTooLarge)
		}
		if err != nil {
			s.u.giveUp(it, err)
			continue
		}
		m := nats.NewMsg(Subject(s.u.opt.Boat.ID, kind))
		m.Reply, m.Data = s.inbox+strconv.FormatUint(it.ID, 10), data
		m.Header.Set(nats.MsgIdHdr, MessageID(s.u.board, it.ID))
		switch err := s.nc.PublishMsg(m); {
		case errors.Is(err, nats.ErrMaxPayload):
			s.u.giveUp(it, fmt.Errorf("the hub takes %d bytes with the header: %w", s.nc.MaxPayload(), ErrTooLarge))
			continue
		case err != nil:
			return err
		}
		s.window = append(s.window, flight{it.ID, len(data)})
		s.bytes += len(data)
	}
	return nil
}

// next is the oldest message that was not sent in this session.
func (s *session) next() (store.Item, bool) {
	if len(s.batch) == 0 {
		s.batch = s.u.opt.Store.Waiting(Target, readAhead)
		for len(s.batch) > 0 && s.batch[0].ID <= s.latest {
			s.batch = s.batch[1:]
		}
		if len(s.batch) == 0 {
			return store.Item{}, false
		}
	}
	it := s.batch[0]
	s.batch, s.latest = s.batch[1:], it.ID
	return it, true
}

// tooLargeForStream is the server's number for a message beyond the stream's own bound (nats-server, errors.json).
const tooLargeForStream = 10054

// take reads an acknowledgement.
func (s *session) take(m *nats.Msg) error {
	if len(m.Data) == 0 && m.Header.Get("Status") == "503" {
		return errNoStream
	}
	id, err := strconv.ParseUint(strings.TrimPrefix(m.Subject, s.inbox), 10, 64)
	if err != nil {
		return nil // no item's
	}
	var ack struct {
		Stream string `json:"stream"`
		Error  *struct {
			Code        int    `json:"err_code"`
			Description string `json:"description"`
		} `json:"error"`
	}
	if err := input.OpenJSON(context.Background(), "", m.Data, &ack); err != nil {
		return &refusal{fmt.Errorf("the hub's answer cannot be read: %w", err)}
	}
	switch {
	case ack.Error != nil && ack.Error.Code == tooLargeForStream:
		s.u.giveUp(store.Item{ID: id}, fmt.Errorf("the hub's stream refuses it: %w", ErrTooLarge))
	case ack.Error != nil:
		return &refusal{fmt.Errorf("the hub refuses what the boat sends: %s (%d)", ack.Error.Description, ack.Error.Code)}
	case ack.Stream == "":
		return &refusal{fmt.Errorf("the hub's answer %q names no stream", m.Data)}
	default:
		s.u.opt.Store.Delivered(Target, id)
		s.u.sent.Add(1)
		s.u.lastAck.Store(s.u.opt.Now().UnixMilli())
		if !s.acked {
			s.acked = true
			s.u.logLink(nil)
		}
	}
	for i, f := range s.window {
		if f.id == id {
			s.window = append(s.window[:i], s.window[i+1:]...)
			s.bytes -= f.size
			break
		}
	}
	return nil
}

// giveUp drops a message that can never be sent.
func (u *Uplink) giveUp(it store.Item, err error) {
	u.opt.Store.Delivered(Target, it.ID)
	if errors.Is(err, ErrTooLarge) {
		u.tooLarge.Add(1)
	}
	if u.first("give up") {
		u.opt.Log.Error().Err(err).Uint64("message", it.ID).Int("bytes", len(it.Body)).Msg("cannot be sent to the hub, and is given up")
	}
}

// connect opens a connection that ends with ctx. Its end is sent to lost, what the server forbids to refused.
func (u *Uplink) connect(ctx context.Context, lost, refused chan<- error) (*nats.Conn, error) {
	try := func(to chan<- error, err error) {
		select {
		case to <- err:
		default:
		}
	}
	o := &u.opt
	trusted, err := o.trusted()
	if err != nil {
		return nil, &refusal{err}
	}
	security := &tls.Config{RootCAs: trusted, MinVersion: tls.VersionTLS12}
	opts := []nats.Option{
		nats.Name("muster " + o.Version), nats.NoReconnect(), nats.Timeout(dialWithin), nats.PingInterval(pingEvery), nats.MaxPingsOutstanding(2),
		nats.FlusherTimeout(2 * pingEvery), nats.CustomInboxPrefix(Inbox(o.Boat.ID)), nats.SkipHostLookup(), nats.SetCustomDialer(dialer{ctx}),
		nats.ErrorHandler(func(_ *nats.Conn, _ *nats.Subscription, err error) {
			if errors.Is(err, nats.ErrPermissionViolation) {
				try(refused, &refusal{fmt.Errorf("the hub does not allow it: %w", err)})
			} else {
				try(lost, err)
			}
		}),
		nats.DisconnectErrHandler(func(_ *nats.Conn, err error) {
			if err == nil {
				err = errors.New("the hub ended the connection")
			}
			try(lost, err)
		}),
		func(n *nats.Options) error { n.TLSConfig = security; return nil },
	}
	if o.Credentials != "" {
		c, err := ReadCredentials(o.Credentials)
		if err != nil {
			return nil, &refusal{err}
		}
		security.Time = func() time.Time { // a boat computer without a clock battery starts in 1970
			now := o.Now()
			if now.Before(c.Issued) {
				return c.Issued
			}
			return now
		}
		opts = append(opts, nats.UserCredentials(o.Credentials))
	}
	return nats.Connect(strings.Join(o.URLs, ","), opts...)
}

// dialer opens connections that end with ctx.
type dialer struct{ ctx context.Context }

// Dial implements nats.CustomDialer.
func (d dialer) Dial(network, address string) (net.Conn, error) {
	c, err := (&net.Dialer{Timeout: dialWithin}).DialContext(d.ctx, network, address)
	if err != nil {
		return nil, err
	}
	context.AfterFunc(d.ctx, func() { _ = c.Close() })
	return c, nil
}

// trusted are the certificates of CA, nil for those that the computer trusts.
func (o *Options) trusted() (*x509.CertPool, error) {
	if o.CA == "" {
		return nil, nil
	}
	text, err := os.ReadFile(o.CA)
	if err != nil {
		return nil, fmt.Errorf("fleet ca: %w", err)
	}
	pool := x509.NewCertPool()
	if !pool.AppendCertsFromPEM(text) {
		return nil, fmt.Errorf("fleet ca %s: %w", o.CA, errNoCA)
	}
	return pool, nil
}

// explain puts in plain words an error that a person must act on.
func explain(err error) error {
	var authority x509.UnknownAuthorityError
	var hostname x509.HostnameError
	switch {
	case err == nil:
		return nil
	case errors.Is(err, nats.ErrAuthExpired), errors.Is(err, nats.ErrAuthRevoked), errors.Is(err, nats.ErrAccountAuthExpired):
		return &refusal{fmt.Errorf("the hub no longer accepts the boat's credentials (%w): %s", err, newFile)}
	case errors.Is(err, nats.ErrAuthorization):
		return &refusal{fmt.Errorf("the hub does not accept the boat's credentials (%w): %s", err, newFile)}
	case errors.As(err, &authority):
		return &refusal{fmt.Errorf("no known CA signed the hub's certificate: name the marina's CA file under fleet.ca: %w", err)}
	case errors.As(err, &hostname):
		return &refusal{fmt.Errorf("the hub's certificate is for another name: give fleet.url with the name in it: %w", err)}
	case errors.Is(err, nats.ErrSecureConnWanted):
		return &refusal{fmt.Errorf("the hub offers no TLS: %w", err)}
	}
	return err
}
