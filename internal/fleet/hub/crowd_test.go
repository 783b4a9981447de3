package hub

import (
	"context"
	"strings"
	"sync"
	"testing"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/rs/zerolog"
)

// spoken is a log that can be read while it is written.
type spoken struct {
	mu   sync.Mutex
	text strings.Builder
}

func (s *spoken) Write(b []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.text.Write(b)
}

func (s *spoken) has(text string) bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	return strings.Contains(s.text.String(), text)
}

// TestCrowdOfConnections: a boat that opens a hundred connections keeps the latest few; another boat keeps its own.
func TestCrowdOfConnections(t *testing.T) {
	r := newRig(t, nil)
	var said spoken
	h := r.hub(t, func(o *Options) { o.Log = zerolog.New(&said) })
	keep(t, r, h)
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error, 1)
	system := connect(t, r.url, r.creds(t, "system"))
	go func() { done <- h.KeepFew(ctx, r.trust, system) }()
	t.Cleanup(func() {
		stop()
		if err := <-done; err != nil {
			t.Error(err)
		}
	})
	until(t, "the events are asked for", func() bool { return system.NumSubscriptions() > 0 && system.Flush() == nil })

	creds, other := r.creds(t, "wagtail"), connect(t, r.url, r.creds(t, "plover"), nats.NoReconnect())
	if !r.trust.Await(patience) {
		t.Fatal("the list did not come in force")
	}
	var all []*nats.Conn
	for range 100 {
		all = append(all, connect(t, r.url, creds, nats.NoReconnect()))
	}
	open := func() (n int) {
		for _, nc := range all {
			if nc.IsConnected() {
				n++
			}
		}
		return n
	}
	until(t, "all but the latest are ended", func() bool { return open() == boatConnections })
	if latest := all[len(all)-1]; !latest.IsConnected() || latest.Flush() != nil {
		t.Error("the latest connection is ended")
	}
	if err := other.Flush(); err != nil {
		t.Errorf("another boat: %v", err)
	}
	until(t, "the log names the boat", func() bool { return said.has(`"boat":"wagtail"`) && said.has("too many connections") })
	z, err := r.server.Connz(&server.ConnzOptions{Username: true, Account: r.papers(t).Boats.Key})
	if err != nil || z.NumConns != boatConnections+1 {
		t.Errorf("the server has %d connections of boats, %v; want %d", z.NumConns, err, boatConnections+1)
	}
}
