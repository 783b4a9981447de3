package hub

import (
	"context"
	"errors"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats.go"

	"muster/internal/fleet"
)

// violations collects what the server forbids.
type violations struct {
	mu   sync.Mutex
	text []string
}

func (v *violations) take(_ *nats.Conn, _ *nats.Subscription, err error) {
	v.mu.Lock()
	defer v.mu.Unlock()
	v.text = append(v.text, err.Error())
}

func (v *violations) has(part string) bool {
	v.mu.Lock()
	defer v.mu.Unlock()
	for _, s := range v.text {
		if strings.Contains(strings.ToLower(s), strings.ToLower(part)) {
			return true
		}
	}
	return false
}

// TestForbidden: a boat publishes on its own subjects and waits under its own inbox; whatever else it tries is refused.
func TestForbidden(t *testing.T) {
	publish := []string{
		fleet.Subject("other", fleet.KindReport), fleet.Subject("wagtail2", fleet.KindReport), "muster.v1.boat.wagtail", "muster.v1.boat", "muster.v1.boat.wagtail.poem", "muster.v1.boat.wagtail.report.1", "muster.v2.boat.wagtail.report",
		"muster.v1.refused.boat.other", "$JS.API.INFO", "$JS.API.STREAM.INFO." + StreamBoats, "$JS.API.STREAM.PURGE." + StreamBoats,
		"$JS.API.STREAM.DELETE." + StreamBoats, "$JS.API.STREAM.MSG.GET." + StreamBoats, "$JS.API.DIRECT.GET.KV_" + BucketBoats,
		"$JS.API.CONSUMER.MSG.NEXT." + StreamBoats + "." + consumer, "$JS.ACK." + StreamBoats + "." + consumer + ".1.1.1.1.1", "$JS.FC.x",
		"$KV." + BucketBoats + ".other", "$KV." + BucketBoats + ".wagtail", "$KV." + BucketEnrol + ".wagtail", "$SYS.REQ.CLAIMS.UPDATE", "$SYS.REQ.SERVER.PING",
		"$SYS.REQ.ACCOUNT.PING.CONNZ", fleet.Inbox("other") + ".x", fleet.Inbox("wagtail") + ".x", "_INBOX.x", "_R_.x", "x",
	}
	subscribe := []string{
		fleet.Subjects("wagtail"), fleet.Subjects("other"), fleet.Subjects("*"), "muster.>", ">", "*", "muster.v1.*.*.*", "muster.v1.refused.>",
		fleet.Inbox("other") + ".>", fleet.Inbox("wagtail"), "_INBOX.>", "_INBOX.*.*", "$JS.>", "$JS.API.>", "$JS.EVENT.>", "$KV.>", "$KV." + BucketBoats + ".>", "$SYS.>",
		"$SYS.ACCOUNT.>", "_R_.>", "*.>", "*.*",
	}
	servers(t, func(t *testing.T, r *rig) {
		h := r.hub(t, nil)
		var seen violations
		s := r.sender(t, "wagtail", "board1")
		other := r.sender(t, "other", "board2")
		other.send(t, fleet.KindReport, testReport("other", 2, "1.0"))
		until(t, "the other boat", func() bool { b := h.Boat("other"); return b != nil && len(b.Devices) == 2 })
		nc := s.js.Conn()
		nc.SetErrorHandler(seen.take)
		before := h.Boat("other")
		spy := spyOn(t, r)

		for _, subject := range publish {
			if err := nc.Publish(subject, s.encode(t, testReport("other", 1, "9.9"))); err != nil {
				t.Fatal(err)
			}
		}
		for _, subject := range subscribe {
			for _, queue := range []string{"", "q"} {
				sub, err := nc.QueueSubscribeSync(subject, queue)
				if err != nil {
					t.Fatal(err)
				}
				if err := nc.Flush(); err != nil {
					t.Fatal(err)
				}
				_ = sub.Unsubscribe()
			}
		}
		if err := nc.Flush(); err != nil {
			t.Fatal(err)
		}
		for _, subject := range publish {
			until(t, "no to publish on "+subject, func() bool { return seen.has(`publish to "` + subject + `"`) })
		}
		for _, subject := range subscribe {
			until(t, "no to subscribe to "+subject, func() bool { return seen.has(`subscription to "` + subject + `"`) })
		}

		// Answers are led where the boat may not publish.
		for i, subject := range append(publish, "$KV."+BucketBoats+".other", "$JS.API.STREAM.PURGE.KV_"+BucketBoats, "$JS.API.STREAM.PURGE."+StreamRefused) {
			m := nats.NewMsg(fleet.Subject("wagtail", fleet.KindReport))
			m.Reply, m.Data = subject, s.encode(t, testReport("wagtail", 1, "1.0"))
			m.Header.Set(nats.MsgIdHdr, fleet.MessageID("board1", uint64(i+1)))
			if err := nc.PublishMsg(m); err != nil {
				t.Fatal(err)
			}
		}
		s.seq = 1000
		s.send(t, fleet.KindReport, testReport("wagtail", 3, "1.0"))
		until(t, "the boat's own report", func() bool { b := h.Boat("wagtail"); return b != nil && len(b.Devices) == 3 })

		if got := spy(); len(got) > 0 {
			t.Errorf("reached the hub's account on %q", got)
		}
		after := h.Boat("other")
		if after.Refused != before.Refused || after.LastHeard != before.LastHeard || len(after.Devices) != 2 || len(after.Boards) != 1 {
			t.Errorf("the other boat changed:\n%+v\n%+v", before, after)
		}
		kv, err := h.boats.Get(t.Context(), "other")
		if err != nil || !strings.HasPrefix(string(kv.Value()), `{"name"`) {
			t.Errorf("the other boat's record is now %q, %v", kv.Value(), err)
		}
	})
}

// spyOn watches the hub's account for anything that is not the hub's own.
func spyOn(t *testing.T, r *rig) func() []string {
	t.Helper()
	nc := connect(t, r.url, r.creds(t, "hub"))
	var mu sync.Mutex
	var got []string
	_, err := nc.Subscribe(">", func(m *nats.Msg) {
		// What the boat sends has the boat's content; answers that were led astray are acknowledgements of the boats' stream.
		if strings.HasPrefix(m.Subject, "_INBOX.") || m.Subject == fleet.Subject("wagtail", fleet.KindReport) || strings.HasPrefix(m.Subject, "_R_.") {
			return
		}
		if strings.Contains(string(m.Data), `"stream":"`+StreamBoats+`"`) && !strings.HasPrefix(m.Subject, "$JS.") && m.Subject != fleet.Subject("other", fleet.KindReport) ||
			m.Subject == fleet.Subject("wagtail2", fleet.KindReport) || strings.HasPrefix(m.Subject, "$SYS.REQ") || m.Subject == "x" {
			mu.Lock()
			got = append(got, m.Subject+" "+string(m.Data[:min(80, len(m.Data))]))
			mu.Unlock()
		}
	})
	if err == nil {
		err = nc.Flush()
	}
	if err != nil {
		t.Fatal(err)
	}
	return func() []string {
		mu.Lock()
		defer mu.Unlock()
		return got
	}
}

// keep lets a hub look after the list of boats.
func keep(t *testing.T, r *rig, h *running) {
	t.Helper()
	system := connect(t, r.url, r.creds(t, "system"))
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan struct{})
	go func() { defer close(done); h.KeepEnrolled(ctx, r.trust, system) }()
	t.Cleanup(func() { stop(); <-done })
}

// TestRevoked: a boat that is revoked is dropped at once and cannot connect again, nor can a boat computer whose boat
// was enrolled again.
func TestRevoked(t *testing.T) {
	servers(t, func(t *testing.T, r *rig) {
		h := r.hub(t, nil)
		keep(t, r, h)

		lost := r.creds(t, "wagtail")
		old := connect(t, r.url, lost)
		other := r.sender(t, "other", "board2")
		fresh := r.sender(t, "wagtail", "board3") // enrols again
		if !r.trust.Await(patience) {
			t.Fatal("the list did not come in force")
		}
		until(t, "the lost board is dropped", func() bool { return old.IsClosed() || !old.IsConnected() })
		refused := func(creds []byte) {
			t.Helper()
			nc, err := nats.Connect(r.url, nats.UserCredentialBytes(creds), nats.Timeout(patience))
			if err == nil {
				nc.Close()
			}
			if !errors.Is(err, nats.ErrAuthorization) && !errors.Is(err, nats.ErrAuthRevoked) {
				t.Fatalf("a board that is no longer trusted: %v", err)
			}
		}
		refused(lost)
		fresh.send(t, fleet.KindReport, testReport("wagtail", 1, "1.0"))

		if err := r.trust.Revoke("wagtail", "", time.Now()); err != nil {
			t.Fatal(err)
		}
		if !r.trust.Await(patience) {
			t.Fatal("the list did not come in force")
		}
		until(t, "the boat is dropped", func() bool { return !fresh.js.Conn().IsConnected() })
		until(t, "the hub knows", func() bool { b := h.Boat("wagtail"); return b != nil && !b.Revoked.IsZero() && !b.Enrolled.IsZero() })
		other.send(t, fleet.KindReport, testReport("other", 1, "1.0"))
		if b := h.Boat("other"); b == nil || !b.Revoked.IsZero() {
			t.Errorf("the other boat: %+v", b)
		}
	})
}
