package fleet

import (
	"encoding/json"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/nats-io/jwt/v2"
	"github.com/nats-io/nats.go"

	"muster/internal/boat"
	"muster/internal/report"
)

// TestOfflineFirst: what was queued before there was a hub arrives when there is one, in order, once.
func TestOfflineFirst(t *testing.T) {
	h := newHub(t, false)
	h.stop()
	a := newAboard(t, t.TempDir(), Options{URLs: []string{h.url()}})
	a.run()
	a.say(0, 50)
	eventually(t, func() bool { return strings.Contains(a.log.String(), "the hub cannot be reached") })
	h.start()
	eventually(t, func() bool { return strings.Contains(a.log.String(), "no stream stores what boats send") })
	h.declare(nil)
	eventually(t, a.drained)
	list := h.sent()
	if d := cmp.Diff(upTo(50), numbers(t, list)); d != "" {
		t.Error(d)
	}
	for _, m := range list {
		board, seq, err := ParseMessageID(m.Header.Get(nats.MsgIdHdr))
		if err != nil || board != a.Board() || seq == 0 || m.Subject != "muster.v1.boat.plover.report" {
			t.Errorf("%s: %v, %v", m.Subject, m.Header, err)
		}
	}
	if s := a.Stats(); s.Sent != 50 || !s.Connected || s.LastAck.IsZero() || s.Queued != 0 {
		t.Errorf("%+v", s)
	}
	if n := strings.Count(a.log.String(), "the hub cannot be reached"); n > 3 {
		t.Errorf("said %d times:\n%s", n, a.log)
	}
}

// TestHubRestarts amid a stream of messages.
func TestHubRestarts(t *testing.T) {
	h := newHub(t, false)
	h.declare(nil)
	a := newAboard(t, t.TempDir(), Options{URLs: []string{h.url()}})
	a.run()
	n := 0
	for range 4 {
		a.say(n, 40)
		n += 40
		eventually(t, func() bool { return a.Stats().Sent >= uint64(n-30) })
		h.stop()
		a.say(n, 10)
		n += 10
		h.start()
	}
	eventually(t, a.drained)
	if d := cmp.Diff(upTo(n), numbers(t, h.sent())); d != "" {
		t.Error(d)
	}
}

// TestLinkOfSeconds: a link that breaks every 50 to 300 ms, amid messages too, loses nothing, doubles nothing and keeps the order.
func TestLinkOfSeconds(t *testing.T) {
	const n = 1000
	h := newHub(t, false)
	h.declare(nil)
	var sent atomic.Uint64
	c := newCutter(t, fmt.Sprintf("127.0.0.1:%d", h.opt.Port), sent.Load)
	a := newAboard(t, t.TempDir(), Options{URLs: []string{c.url()}})
	a.run()
	for i := 0; i < n; i += 100 {
		a.say(i, 100)
	}
	eventually(t, func() bool { sent.Store(a.Stats().Sent); return a.drained() })
	if d := cmp.Diff(upTo(n), numbers(t, h.sent())); d != "" {
		t.Error(d)
	}
	c.mu.Lock()
	defer c.mu.Unlock()
	t.Logf("%d cuts", c.cuts)
	if c.cuts < 4 {
		t.Error("the link held")
	}
}

// TestPowerCutAfterSending: what was sent, and not yet noted as sent, is sent again, and the stream drops it.
func TestPowerCutAfterSending(t *testing.T) {
	h := newHub(t, false)
	h.declare(nil)
	dir := t.TempDir()
	a := newAboard(t, dir, Options{URLs: []string{h.url()}})
	a.say(0, 30)
	card, err := os.ReadFile(filepath.Join(dir, "muster.db"))
	if err != nil {
		t.Fatal(err)
	}
	a.run()
	eventually(t, a.drained)
	a.stop()
	if err := os.WriteFile(filepath.Join(dir, "muster.db"), card, 0o600); err != nil {
		t.Fatal(err)
	}
	b := newAboard(t, dir, Options{URLs: []string{h.url()}})
	if b.Board() != a.Board() || b.store.Unsent(Target) != 30 {
		t.Fatalf("board %s was %s, %d wait", b.Board(), a.Board(), b.store.Unsent(Target))
	}
	b.run()
	b.say(30, 5)
	eventually(t, b.drained)
	if d := cmp.Diff(upTo(35), numbers(t, h.sent())); d != "" {
		t.Error(d)
	}
}

// TestPermissions: credentials that allow less than they must are reported once, in plain words, and nothing is lost.
func TestPermissions(t *testing.T) {
	h := newHub(t, true)
	h.declare(nil)
	for _, tt := range []struct {
		name  string
		allow func(*jwt.UserClaims)
		want  string
	}{
		{"another boat's subject", func(c *jwt.UserClaims) { c.Pub.Allow.Add(Subjects("wagtail")); c.Sub.Allow.Add(Inbox(c.Name) + ".>") }, "the hub does not allow it"},
		{"no inbox", func(c *jwt.UserClaims) { c.Pub.Allow.Add(Subjects(c.Name)); c.Sub.Allow.Add("nothing") }, "the hub does not allow it"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			a := newAboard(t, t.TempDir(), Options{URLs: []string{h.url()}, Credentials: h.enroll("plover", tt.allow)})
			a.run()
			a.say(0, 3)
			eventually(t, func() bool { return strings.Contains(a.log.String(), tt.want) })
			if a.store.Unsent(Target) != 3 {
				t.Errorf("%d wait", a.store.Unsent(Target))
			}
			a.stop()
			if n := strings.Count(a.log.String(), tt.want); n > 2 {
				t.Errorf("said %d times:\n%s", n, a.log)
			}
		})
	}
	t.Run("stranger", func(t *testing.T) {
		other := newHub(t, true)
		a := newAboard(t, t.TempDir(), Options{URLs: []string{h.url()}, Credentials: other.enroll("plover", asBoat)})
		a.run()
		a.say(0, 3)
		eventually(t, func() bool { return strings.Contains(a.log.String(), "does not accept the boat's credentials") })
	})
	t.Run("enrolled", func(t *testing.T) {
		a := newAboard(t, t.TempDir(), Options{URLs: []string{h.url()}, Credentials: h.enroll("plover", asBoat)})
		a.run()
		a.say(0, 3)
		eventually(t, a.drained)
	})
	if n := len(h.sent()); n < 3 {
		t.Errorf("%d told", n)
	}
}

// TestFull: a stream that has no more room refuses, and what waits is kept until there is. Room that comes in the middle of a window lets
// later messages in first; the hub goes by their numbers (hub.stamp), so here too the set counts and not the order.
func TestFull(t *testing.T) {
	h := newHub(t, false)
	h.declare(func(c *nats.StreamConfig) { c.MaxMsgs, c.Discard = 5, nats.DiscardNew })
	a := newAboard(t, t.TempDir(), Options{URLs: []string{h.url()}})
	a.run()
	a.say(0, 10)
	eventually(t, func() bool { return strings.Contains(a.log.String(), "the hub refuses what the boat sends") })
	h.with(func(js nats.JetStreamContext) {
		if _, err := js.UpdateStream(&nats.StreamConfig{Name: "BOATS", Subjects: []string{Subjects("*")}, Duplicates: time.Hour, MaxMsgs: -1}); err != nil {
			t.Fatal(err)
		}
	})
	eventually(t, a.drained)
	got := numbers(t, h.sent())
	slices.Sort(got)
	if d := cmp.Diff(upTo(10), got); d != "" {
		t.Error(d)
	}
}

// TestTooLarge: what no server takes is not queued; what this one does not take is given up. Neither holds back the others.
func TestTooLarge(t *testing.T) {
	h := newHub(t, false)
	h.declare(func(c *nats.StreamConfig) { c.MaxMsgSize = 10_000 })
	a := newAboard(t, t.TempDir(), Options{URLs: []string{h.url()}})
	noise := func(n int) []byte { // does not compress
		b := make([]byte, 0, n)
		for x := uint64(1); len(b) < n; x = x*6364136223846793005 + 1442695040888963407 {
			b = fmt.Appendf(b, "%016x", x)
		}
		return b
	}
	text := func(n int) string { return string(noise(n)) }
	for range 2 {
		a.Record(Document{Name: "record.pdf", Media: "application/pdf", Data: noise(4 << 20)})
		a.Record(Document{Name: "record.html", Media: "text/html", Data: append(noise(4<<20), 'x')})
	}
	if n := a.store.Unsent(Target); n != 0 || a.Stats().TooLarge != 2 {
		t.Fatalf("%d wait, %+v", n, a.Stats())
	}
	if n := strings.Count(a.log.String(), "cannot be sent to the hub"); n != 1 {
		t.Errorf("said %d times:\n%s", n, a.log)
	}
	a.say(0, 1)
	if err := a.queue(classSnapshot, []byte(`"`+text(100_000)+`"`)); err != nil {
		t.Fatal(err)
	}
	a.say(1, 1)
	a.run()
	eventually(t, a.drained)
	if d := cmp.Diff(upTo(2), numbers(t, h.sent())); d != "" {
		t.Error(d)
	}
	if !strings.Contains(a.log.String(), "is given up") || a.Stats().TooLarge != 3 {
		t.Errorf("%+v\n%s", a.Stats(), a.log)
	}
}

// TestUnsetClock: a boat computer whose clock is in 1970 is received, over TLS and by credentials too, and reports
// how good its times are.
func TestUnsetClock(t *testing.T) {
	h := newHub(t, true)
	h.declare(nil)
	creds := h.enroll("plover", asBoat)
	past := func() time.Time { return time.Unix(300, 0) }
	r := &report.Report{Schema: report.V1, Clock: boat.ClockSystem}
	a := newAboard(t, t.TempDir(), Options{URLs: []string{h.url()}, Credentials: creds, Now: past, Report: func() *report.Report { return r }})
	a.run()
	a.Alert([]byte(`{"schema":"muster.alert-change/v1"}`))
	a.written()
	eventually(t, a.drained)
	c, err := NewCodec()
	if err != nil {
		t.Fatal(err)
	}
	list := h.sent()
	e, err := c.Decode(list[0].Data)
	if err != nil || !e.MadeAt.Equal(past()) || e.Clock != boat.ClockUnset || list[0].Subject != "muster.v1.boat.plover.alert" {
		t.Errorf("%s %+v: %v", list[0].Subject, e, err)
	}
}

// TestDocuments: the same snapshot or paper is sent once.
func TestDocuments(t *testing.T) {
	h := newHub(t, false)
	h.declare(nil)
	a := newAboard(t, t.TempDir(), Options{URLs: []string{h.url()}})
	for range 3 {
		a.Snapshot([]byte(`{"schema":"muster.snapshot/v1"}`))
		a.Record(Document{Name: "record.pdf", Media: "application/pdf", Data: []byte("%PDF")})
	}
	a.written()
	a.run()
	eventually(t, a.drained)
	list := h.sent()
	if len(list) != 2 || list[0].Subject != "muster.v1.boat.plover.snapshot" || list[1].Subject != "muster.v1.boat.plover.record" {
		t.Fatalf("%d told", len(list))
	}
	c, err := NewCodec()
	if err != nil {
		t.Fatal(err)
	}
	e, err := c.Decode(list[1].Data)
	if err != nil {
		t.Fatal(err)
	}
	var d Document
	if err := json.Unmarshal(e.Body, &d); err != nil || d.Name != "record.pdf" || string(d.Data) != "%PDF" {
		t.Errorf("%+v: %v", d, err)
	}
}

// TestStopsAtOnce: whatever stage a session is in, the end of ctx ends it.
func TestStopsAtOnce(t *testing.T) {
	mute, err := net.Listen("tcp", "127.0.0.1:0") // accepts and sends nothing
	if err != nil {
		t.Fatal(err)
	}
	defer mute.Close()
	a := newAboard(t, t.TempDir(), Options{URLs: []string{"nats://" + mute.Addr().String()}})
	a.run()
	conn, err := mute.Accept()
	if err != nil {
		t.Fatal(err)
	}
	defer conn.Close()
	a.stop()
}
