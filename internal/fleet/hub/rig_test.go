package hub

import (
	"context"
	"encoding/json"
	"fmt"
	"path/filepath"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
	"muster/internal/fleet"
	"muster/internal/fleet/broker"
	"muster/internal/fleet/trust"
	"muster/internal/report"
)

// rig is a folder of keys with a server in this process that trusts it.
type rig struct {
	trust  *trust.Trust
	server *broker.Server
	url    string
	codec  *fleet.Codec
}

func newTrust(t testing.TB) *trust.Trust {
	t.Helper()
	tr, err := trust.Open(filepath.Join(t.TempDir(), "trust"))
	if err != nil {
		t.Fatal(err)
	}
	return tr
}

func newRig(t testing.TB, edit func(*broker.Options)) *rig {
	t.Helper()
	r := &rig{trust: newTrust(t), codec: newCodec(t)}
	r.start(t, t.TempDir(), edit)
	return r
}

func newCodec(t testing.TB) *fleet.Codec {
	t.Helper()
	c, err := fleet.NewCodec()
	if err != nil {
		t.Fatal(err)
	}
	return c
}

func (r *rig) papers(t testing.TB) trust.Papers {
	t.Helper()
	p, err := r.trust.Papers()
	if err != nil {
		t.Fatal(err)
	}
	return p
}

func (r *rig) start(t testing.TB, dir string, edit func(*broker.Options)) {
	t.Helper()
	opt := broker.Options{Listen: "127.0.0.1:0", Dir: dir, Papers: r.papers(t), SyncEvery: time.Minute, Log: zerolog.Nop()}
	if edit != nil {
		edit(&opt)
	}
	s, err := broker.Start(t.Context(), opt)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.Stop(patience) })
	r.server, r.url = s, s.ClientURL()
}

// connect connects with credentials over the network. As an uplink does, it gives up a node that took the connection
// and sends nothing: one that is being killed may.
func connect(t testing.TB, url string, creds []byte, opts ...nats.Option) *nats.Conn {
	t.Helper()
	nc, err := nats.Connect(url, append([]nats.Option{nats.UserCredentialBytes(creds), nats.MaxReconnects(-1), nats.Timeout(patience / 6),
		nats.PingInterval(10 * time.Second), nats.MaxPingsOutstanding(2),
		nats.ReconnectWait(100 * time.Millisecond), nats.ReconnectBufSize(-1), nats.ErrorHandler(func(*nats.Conn, *nats.Subscription, error) {})}, opts...)...)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	return nc
}

func (r *rig) creds(t testing.TB, who string) []byte {
	t.Helper()
	var creds []byte
	var err error
	switch who {
	case "hub":
		creds, err = r.trust.HubCreds()
	case "system":
		creds, err = r.trust.SystemCreds()
	default:
		creds, err = r.trust.Enroll(who, time.Now())
	}
	if err != nil {
		t.Fatal(err)
	}
	return creds
}

// running is a hub at work.
type running struct {
	*Hub
	stop func()
}

func (r *rig) hub(t testing.TB, edit func(*Options)) *running {
	t.Helper()
	return r.hubAt(t, r.url, edit)
}

func (r *rig) hubAt(t testing.TB, url string, edit func(*Options)) *running {
	t.Helper()
	nc := connect(t, url, r.creds(t, "hub"))
	opt := Options{Conn: nc, Log: zerolog.Nop(), ackWait: 5 * time.Second}
	if edit != nil {
		edit(&opt)
	}
	ctx, cancel := context.WithTimeout(t.Context(), patience)
	defer cancel()
	h, err := New(ctx, opt)
	if err != nil {
		t.Fatal(err)
	}
	run, stop := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() {
		defer close(done)
		_ = h.Run(run)
	}()
	out := &running{h, func() { stop(); <-done; nc.Close() }}
	t.Cleanup(out.stop)
	until(t, "the hub is ready", func() bool { return h.Ready() == nil })
	return out
}

// calm is a hub that is given nothing twice on a computer that stops for seconds, for tests that count what it took.
func calm(o *Options) { o.ackWait = patience }

// patience is how long a test waits for what must come: test computers are loaded with other work.
const patience = 5 * time.Minute

// until waits for something that must come.
func until(t testing.TB, what string, ok func() bool) {
	t.Helper()
	for end := time.Now().Add(patience); !ok(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("did not come within %v: %s", patience, what)
		}
	}
}

// answer asks again until there is an answer: a cluster that has just lost a node may give none.
func answer[T any](t testing.TB, what string, ask func() (T, error)) (got T) {
	t.Helper()
	var err error
	until(t, what, func() bool { got, err = ask(); return err == nil })
	return got
}

// sender is a boat that sends as its uplink does.
type sender struct {
	id, board string
	seq       uint64
	js        jetstream.JetStream
	codec     *fleet.Codec
}

func (r *rig) sender(t testing.TB, id, board string) *sender {
	t.Helper()
	return r.senderAt(t, r.url, id, board)
}

func (r *rig) senderAt(t testing.TB, url, id, board string) *sender {
	t.Helper()
	s := &sender{id: id, board: board, codec: r.codec}
	s.on(t, connect(t, url, r.creds(t, id), nats.CustomInboxPrefix(fleet.Inbox(id))))
	return s
}

func (s *sender) on(t testing.TB, nc *nats.Conn) {
	t.Helper()
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	s.js = js
}

// envelope wraps a body.
func (s *sender) envelope(body any) *fleet.Envelope {
	raw, err := json.Marshal(body)
	if err != nil {
		panic(err)
	}
	return &fleet.Envelope{Schema: fleet.Schema, Boat: boat.Identity{ID: s.id, Name: "MV " + s.id}, MadeAt: time.Now(), Clock: boat.ClockSystem,
		Version: "test", Body: raw}
}

func (s *sender) encode(t testing.TB, body any) []byte {
	t.Helper()
	data, err := s.codec.Encode(s.envelope(body))
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// raw publishes bytes and waits until the hub's stream has them.
func (s *sender) raw(subject, id string, data []byte) (*jetstream.PubAck, error) {
	return s.rawWithin(patience, subject, id, data)
}

func (s *sender) rawWithin(d time.Duration, subject, id string, data []byte) (*jetstream.PubAck, error) {
	ctx, cancel := context.WithTimeout(context.Background(), d)
	defer cancel()
	m := nats.NewMsg(subject)
	m.Data = data
	if id != "" {
		m.Header.Set(nats.MsgIdHdr, id)
	}
	return s.js.PublishMsg(ctx, m, jetstream.WithRetryAttempts(0))
}

// send publishes the next message and repeats it until it is acknowledged, as an uplink does.
func (s *sender) send(t testing.TB, k fleet.Kind, body any) {
	t.Helper()
	s.seq++
	data := s.encode(t, body)
	until(t, "an acknowledgement", func() bool {
		_, err := s.rawWithin(2*time.Second, fleet.Subject(s.id, k), fleet.MessageID(s.board, s.seq), data)
		return err == nil
	})
}

func testReport(id string, devices int, software string) *report.Report {
	r := &report.Report{Schema: report.V1, Boat: boat.Identity{ID: id}, TakenAt: event.At(time.Date(2026, 5, 2, 8, 0, 0, 0, time.UTC)),
		Clock: boat.ClockSystem, Networks: []report.Network{}, Devices: []report.Device{}, Talkers: []report.Talker{}, Manual: []boat.Manual{}, Alerts: []alert.Alert{}}
	for i := range devices {
		code, address := uint16(100+i%7), uint8(i)
		r.Devices = append(r.Devices, report.Device{ID: fmt.Sprintf("%016x", i+1), Network: "can0", Address: &address, State: boat.Present, Role: boat.RoleDisplay,
			Name:    &boat.Name{UniqueNumber: uint32(i), Manufacturer: boat.Coded{Code: 2001, Name: "Larkfin Marine"}, ArbitraryAddress: true},
			Product: &boat.Product{Code: &code, Model: fmt.Sprintf("Larkfin LF%d display", i%7), Serial: fmt.Sprintf("%s-%04d", id, i), Software: software}})
	}
	r.Complete()
	return r
}

func testAlert(severity check.Severity, what string) alert.Alert {
	return alert.Alert{ID: "silent:" + what, Check: "silent", Severity: severity, State: alert.StatusOpen, Since: event.At(time.Date(2026, 5, 2, 8, 0, 0, 0, time.UTC)),
		Summary: what + " is silent", Remedy: "Look at its connector."}
}

func testChange(id string, k alert.ChangeKind, a alert.Alert) any {
	return struct {
		Schema string `json:"schema"`
		alert.Change
		Boat boat.Identity `json:"boat"`
	}{changeSchema, alert.Change{Kind: k, Alert: a}, boat.Identity{ID: id}}
}
