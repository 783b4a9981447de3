package fleet

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/jwt/v2"
	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nkeys"
	"github.com/rs/zerolog"

	"muster/internal/boat"
	"muster/internal/hosttest"
	"muster/internal/report"
	"muster/internal/store"
)

func TestMain(m *testing.M) { hosttest.Main(m) }

// hub is a message server as the marina runs it. It can be stopped, and started again with what it held, at the same address.
type hub struct {
	t    *testing.T
	opt  server.Options
	s    *server.Server
	seed string // of the account; empty for a server that asks for no name
}

// newHub starts a server, with accounts and permissions if asked for.
func newHub(t *testing.T, accounts bool) *hub {
	t.Helper()
	h := &hub{t: t, opt: server.Options{Host: "127.0.0.1", Port: hosttest.Port(t), JetStream: true, StoreDir: t.TempDir(), NoSigs: true, NoLog: true, MaxPayload: MaxEncoded}}
	if accounts {
		operator, account, system := newKey(t, nkeys.PrefixByteOperator), newKey(t, nkeys.PrefixByteAccount), newKey(t, nkeys.PrefixByteAccount)
		oc := jwt.NewOperatorClaims(public(t, operator))
		ac, sc := jwt.NewAccountClaims(public(t, account)), jwt.NewAccountClaims(public(t, system))
		ac.Limits.JetStreamLimits = jwt.JetStreamLimits{DiskStorage: -1, MemoryStorage: -1, Streams: -1, Consumer: -1}
		memory := &server.MemAccResolver{}
		for _, c := range []*jwt.AccountClaims{ac, sc} {
			token, err := c.Encode(operator)
			if err != nil {
				t.Fatal(err)
			}
			if err := memory.Store(c.Subject, token); err != nil {
				t.Fatal(err)
			}
		}
		h.opt.TrustedOperators, h.opt.AccountResolver, h.opt.SystemAccount = []*jwt.OperatorClaims{oc}, memory, sc.Subject
		seed, _ := account.Seed()
		h.seed = string(seed)
	}
	h.start()
	t.Cleanup(h.stop)
	return h
}

func (h *hub) start() {
	h.t.Helper()
	opt := h.opt
	s, err := server.NewServer(&opt)
	if err != nil {
		h.t.Fatal(err)
	}
	s.Start()
	if !s.ReadyForConnections(3 * time.Minute) {
		h.t.Fatal("the server does not start")
	}
	h.s = s
}

func (h *hub) stop() {
	h.s.Shutdown()
	h.s.WaitForShutdown()
}

func newKey(t *testing.T, kind nkeys.PrefixByte) nkeys.KeyPair {
	t.Helper()
	k, err := nkeys.CreatePair(kind)
	if err != nil {
		t.Fatal(err)
	}
	return k
}

func public(t *testing.T, k nkeys.KeyPair) string {
	t.Helper()
	p, err := k.PublicKey()
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// enroll writes a credentials file for a user of that name who may do what allow sets.
func (h *hub) enroll(name string, allow func(*jwt.UserClaims)) string {
	h.t.Helper()
	account, err := nkeys.FromSeed([]byte(h.seed))
	if err != nil {
		h.t.Fatal(err)
	}
	user := newKey(h.t, nkeys.PrefixByteUser)
	uc := jwt.NewUserClaims(public(h.t, user))
	uc.Name = name
	if allow != nil {
		allow(uc)
	}
	token, err := uc.Encode(account)
	if err != nil {
		h.t.Fatal(err)
	}
	seed, _ := user.Seed()
	text, err := jwt.FormatUserConfig(token, seed)
	if err != nil {
		h.t.Fatal(err)
	}
	file := filepath.Join(h.t.TempDir(), name+".creds")
	if err := os.WriteFile(file, text, 0o600); err != nil {
		h.t.Fatal(err)
	}
	return file
}

// asBoat may do what an enrolled boat may.
func asBoat(c *jwt.UserClaims) {
	c.Pub.Allow.Add(Subjects(c.Name))
	c.Sub.Allow.Add(Inbox(c.Name) + ".>")
}

func (h *hub) url() string { return fmt.Sprintf("nats://127.0.0.1:%d", h.opt.Port) }

// with gives the marina's own view of the stream.
func (h *hub) with(do func(nats.JetStreamContext)) {
	h.t.Helper()
	opts := []nats.Option{nats.MaxReconnects(0)}
	if h.seed != "" {
		opts = append(opts, nats.UserCredentials(h.enroll("marina", nil)))
	}
	nc, err := nats.Connect(h.url(), opts...)
	if err != nil {
		h.t.Fatal(err)
	}
	defer nc.Close()
	js, err := nc.JetStream()
	if err != nil {
		h.t.Fatal(err)
	}
	do(js)
}

func (h *hub) declare(change func(*nats.StreamConfig)) {
	h.t.Helper()
	h.with(func(js nats.JetStreamContext) {
		c := &nats.StreamConfig{Name: "BOATS", Subjects: []string{Subjects("*")}, Duplicates: time.Hour}
		if change != nil {
			change(c)
		}
		if _, err := js.AddStream(c); err != nil {
			h.t.Fatal(err)
		}
	})
}

// sent lists what the stream holds, in its order.
func (h *hub) sent() (list []*nats.RawStreamMsg) {
	h.t.Helper()
	h.with(func(js nats.JetStreamContext) {
		info, err := js.StreamInfo("BOATS")
		if err != nil {
			h.t.Fatal(err)
		}
		for seq := info.State.FirstSeq; seq <= info.State.LastSeq && seq > 0; seq++ {
			m, err := js.GetMsg("BOATS", seq)
			if err != nil {
				h.t.Fatal(err)
			}
			list = append(list, m)
		}
	})
	return list
}

// aboard is an uplink with a store, run until the test ends or stop is called.
type aboard struct {
	*Uplink
	t     *testing.T
	store *store.Store
	log   *logged
	stop  func()
}

// logged keeps the log.
type logged struct {
	mu   sync.Mutex
	text []byte
}

func (l *logged) Write(p []byte) (int, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.text = append(l.text, p...)
	return len(p), nil
}

func (l *logged) String() string {
	l.mu.Lock()
	defer l.mu.Unlock()
	return string(l.text)
}

func newAboard(t *testing.T, dir string, opt Options) *aboard {
	t.Helper()
	now := opt.Now
	if now == nil {
		now = time.Now
	}
	st, err := store.Open(dir, store.Options{Now: now})
	if err != nil {
		t.Fatal(err)
	}
	a := &aboard{t: t, store: st, log: &logged{}}
	opt.Boat, opt.Store, opt.firstRetry = boat.Identity{ID: "plover", Name: "Plover"}, st, time.Millisecond
	opt.Log = zerolog.New(a.log)
	if opt.Report == nil {
		opt.Report = func() *report.Report { return nil }
	}
	opt.Sync = func() {}
	if a.Uplink, err = NewUplink(opt); err != nil {
		t.Fatal(err)
	}
	a.stop = sync.OnceFunc(func() { _ = st.Close() })
	t.Cleanup(func() { a.stop() })
	return a
}

func (a *aboard) run() {
	ctx, cancel := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { a.Run(ctx); close(done) }()
	closeStore := a.stop
	a.stop = sync.OnceFunc(func() { cancel(); <-done; closeStore() })
}

// say queues n messages, each with its number.
func (a *aboard) say(from, n int) {
	a.t.Helper()
	for i := range n {
		if err := a.queue(classChange, fmt.Appendf(nil, `{"n":%d}`, from+i)); err != nil {
			a.t.Fatal(err)
		}
	}
	a.written()
}

func (a *aboard) written() {
	a.t.Helper()
	if err := a.store.Sync(); err != nil {
		a.t.Fatal(err)
	}
	a.Wake()
}

// eventually waits until what is true; it has no limit of its own but the test's.
func eventually(t *testing.T, what func() bool) {
	t.Helper()
	for !what() {
		if t.Context().Err() != nil {
			t.Fatal("did not happen")
		}
		time.Sleep(2 * time.Millisecond)
	}
}

func (a *aboard) drained() bool { return a.store.Unsent(Target) == 0 }

// numbers reads the numbers that say gave.
func numbers(t *testing.T, list []*nats.RawStreamMsg) (all []int) {
	t.Helper()
	c, err := NewCodec()
	if err != nil {
		t.Fatal(err)
	}
	for _, m := range list {
		e, err := c.Decode(m.Data)
		if err != nil {
			t.Fatal(err)
		}
		var n int
		if _, err := fmt.Sscanf(string(e.Body), `{"n":%d}`, &n); err != nil {
			t.Fatalf("body %q", e.Body)
		}
		all = append(all, n)
	}
	return all
}

func upTo(n int) (all []int) {
	for i := range n {
		all = append(all, i)
	}
	return all
}

// cutter is a link that breaks at random.
type cutter struct {
	listener net.Listener
	to       string
	wg       sync.WaitGroup
	mu       sync.Mutex
	open     map[net.Conn]bool
	cuts     int
	through  func() uint64 // what has come through so far
	stopped  chan struct{}
}

func newCutter(t *testing.T, to string, through func() uint64) *cutter {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	c := &cutter{listener: l, to: to, through: through, open: map[net.Conn]bool{}, stopped: make(chan struct{})}
	c.wg.Go(c.accept)
	c.wg.Go(c.cut)
	t.Cleanup(func() {
		close(c.stopped)
		_ = l.Close()
		c.cutAll()
		c.wg.Wait()
	})
	return c
}

func (c *cutter) url() string { return "nats://" + c.listener.Addr().String() }

func (c *cutter) accept() {
	for {
		in, err := c.listener.Accept()
		if errors.Is(err, net.ErrClosed) {
			return
		}
		out, err := net.Dial("tcp", c.to)
		if err != nil {
			_ = in.Close()
			continue
		}
		c.mu.Lock()
		c.open[in], c.open[out] = true, true
		c.mu.Unlock()
		for _, pair := range [][2]net.Conn{{in, out}, {out, in}} {
			c.wg.Go(func() {
				_, _ = io.Copy(slow{pair[0]}, pair[1])
				_ = pair[0].Close()
				_ = pair[1].Close()
			})
		}
	}
}

// slow passes on a part at a time, so that a link breaks amid a message.
type slow struct{ net.Conn }

func (s slow) Write(p []byte) (n int, err error) {
	for part := range slices.Chunk(p, 700) {
		time.Sleep(3 * time.Millisecond)
		k, err := s.Conn.Write(part)
		n += k
		if err != nil {
			return n, err
		}
	}
	return n, nil
}

func (c *cutter) cutAll() {
	c.mu.Lock()
	defer c.mu.Unlock()
	for conn := range c.open {
		_ = conn.Close()
	}
	if len(c.open) > 0 {
		c.cuts++
	}
	clear(c.open)
}

func (c *cutter) cut() {
	span, before := time.Duration(0), uint64(0)
	for {
		// A machine on which nothing comes through before the link breaks again is given longer each time.
		if now := c.through(); now > before {
			span, before = 0, now
		} else {
			span += 20 * time.Millisecond
		}
		select {
		case <-time.After(50*time.Millisecond + rand.N(250*time.Millisecond) + span):
			c.cutAll()
		case <-c.stopped:
			return
		}
	}
}

// seedOf makes an account that no server has.
func seedOf(t *testing.T) string {
	t.Helper()
	seed, err := newKey(t, nkeys.PrefixByteAccount).Seed()
	if err != nil {
		t.Fatal(err)
	}
	return string(seed)
}
