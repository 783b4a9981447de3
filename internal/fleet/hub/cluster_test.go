package hub

import (
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"muster/internal/fleet"
	"muster/internal/fleet/broker"
	"muster/internal/hosttest"
)

// cluster is three nodes in this process.
type cluster struct {
	*rig
	nodes []*broker.Server
	opts  []broker.Options
}

func newCluster(t testing.TB) *cluster {
	t.Helper()
	c := &cluster{rig: &rig{trust: newTrust(t), codec: newCodec(t)}}
	c.grow(t)
	return c
}

// grow starts three nodes for the rig's keys.
func (c *cluster) grow(t testing.TB) {
	t.Helper()
	var routes, urls []string
	for range 3 {
		routes = append(routes, hosttest.Address(t))
	}
	for i := range 3 {
		c.opts = append(c.opts, broker.Options{Listen: hosttest.Address(t), Dir: t.TempDir(), Papers: c.papers(t), SyncEvery: time.Minute,
			Log: zerolog.Nop(), Name: fmt.Sprintf("n%d", i), Cluster: "marina", ClusterListen: routes[i], Routes: routes})
		urls = append(urls, "nats://"+c.opts[i].Listen)
	}
	var mu sync.Mutex
	var wg sync.WaitGroup
	c.nodes = make([]*broker.Server, 3)
	for i := range 3 {
		wg.Go(func() {
			s, err := broker.Start(t.Context(), c.opts[i])
			mu.Lock()
			defer mu.Unlock()
			c.nodes[i] = s
			if err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	if t.Failed() {
		t.FailNow()
	}
	t.Cleanup(func() {
		for _, n := range c.nodes {
			_ = n.Stop(patience)
		}
	})
	c.url = strings.Join(urls, ",")
	until(t, "the cluster has a leader", func() bool {
		for _, n := range c.nodes {
			if n.JetStreamIsLeader() {
				return true
			}
		}
		return false
	})
}

// TestClusterLosesANode: of three nodes and two hubs one each is killed while boats report. Nothing is lost and nothing is double.
func TestClusterLosesANode(t *testing.T) {
	if testing.Short() {
		t.Skip("long")
	}
	c := newCluster(t)
	three := func(o *Options) { o.Replicas = 3 }
	h1, h2 := c.hub(t, three), c.hub(t, three)
	const boats, each = 8, 30
	var sent atomic.Int64
	var wg sync.WaitGroup
	for i := range boats {
		s := c.sender(t, fmt.Sprintf("boat-%d", i), fmt.Sprintf("board%d", i))
		wg.Go(func() {
			for n := range each {
				s.send(t, fleet.KindReport, testReport(s.id, 2, fmt.Sprintf("1.%d", n)))
				sent.Add(1)
			}
		})
	}
	until(t, "a third is sent", func() bool { return sent.Load() > boats*each/3 })
	leader := streamLeader(t, h1.Hub)
	for i, n := range c.nodes {
		if n.Name() == leader {
			if err := c.nodes[i].Stop(patience); err != nil {
				t.Error(err)
			}
		}
	}
	until(t, "two thirds are sent", func() bool { return sent.Load() > boats*each*2/3 })
	h2.stop()
	wg.Wait()
	latest := fmt.Sprintf("1.%d", each-1)
	until(t, "every boat's last report is known", func() bool { return allRun(h1.Hub, boats, latest) })
	wantEachOnce(t, h1.Hub, boats, each)
	for i := range boats {
		b := h1.Boat(fmt.Sprintf("boat-%d", i))
		if b.Boards[0].Seq != each || b.Refused != 0 || len(b.Boards) != 1 || b.Turns != 0 {
			t.Errorf("%s: %+v", b.ID, b.Boards)
		}
	}
	h3 := c.hub(t, three)
	if !allRun(h3.Hub, boats, latest) {
		t.Error("a new hub does not show what the others do")
	}
}

func streamLeader(t testing.TB, h *Hub) string {
	t.Helper()
	return answer(t, "the stream has a leader", func() (string, error) {
		info, err := h.stream.Info(t.Context())
		if err != nil || info.Cluster == nil || info.Cluster.Leader == "" {
			return "", errors.Join(err, errors.New("no leader"))
		}
		return info.Cluster.Leader, nil
	})
}

func allRun(h *Hub, boats int, software string) bool {
	for i := range boats {
		b := h.Boat(fmt.Sprintf("boat-%d", i))
		if b == nil || len(b.Devices) == 0 || b.Devices[0].Software != software {
			return false
		}
	}
	return true
}

// wantEachOnce counts the messages in the stream by their ids.
func wantEachOnce(t testing.TB, h *Hub, boats, each int) {
	t.Helper()
	got := answer(t, "the stream can be read", func() (map[string]int, error) {
		got := map[string]int{}
		err := tail(t.Context(), h.stream, "", 0, func(m jetstream.Msg, _ *jetstream.MsgMetadata) {
			got[m.Subject()+" "+m.Headers().Get(nats.MsgIdHdr)]++
		})
		return got, err
	})
	for i := range boats {
		for n := range each {
			id := fleet.Subject(fmt.Sprintf("boat-%d", i), fleet.KindReport) + " " + fleet.MessageID(fmt.Sprintf("board%d", i), uint64(n+1))
			if got[id] != 1 {
				t.Errorf("%s is there %d times", id, got[id])
			}
			delete(got, id)
		}
	}
	if len(got) > 0 {
		t.Errorf("%d messages that nobody sent", len(got))
	}
}

// TestSideBySide: two hubs share the work; one is stopped in the middle of it, and one that starts later shows the same.
func TestSideBySide(t *testing.T) {
	r := newRig(t, nil)
	a, b := r.hub(t, nil), r.hub(t, nil)
	const boats, each = 10, 40
	var wg sync.WaitGroup
	var sent atomic.Int64
	for i := range boats {
		s := r.sender(t, fmt.Sprintf("boat-%d", i), fmt.Sprintf("board%d", i))
		wg.Go(func() {
			for n := range each {
				s.send(t, fleet.KindReport, testReport(s.id, 2, fmt.Sprintf("1.%d", n)))
				sent.Add(1)
			}
		})
	}
	until(t, "half is sent, and some of it each hub has taken", func() bool {
		return sent.Load() > boats*each/2 && a.Stats().Messages[fleet.KindReport] > 0 && b.Stats().Messages[fleet.KindReport] > 0
	})
	b.stop()
	wg.Wait()
	latest := fmt.Sprintf("1.%d", each-1)
	until(t, "every boat's last report is known", func() bool { return allRun(a.Hub, boats, latest) })
	again := r.hub(t, nil)
	for i := range boats {
		id := fmt.Sprintf("boat-%d", i)
		x, y := a.Boat(id), again.Boat(id)
		if x.Boards[0] != y.Boards[0] || x.Report != y.Report || x.Devices[0].Software != y.Devices[0].Software || !x.LastHeard.Equal(y.LastHeard) {
			t.Errorf("%s differs:\n%+v\n%+v", id, x, y)
		}
	}
	if a.Revision() != again.Revision() {
		t.Errorf("revisions %d and %d", a.Revision(), again.Revision())
	}
}

// TestMove: everything moves to a cluster while boats report, first to the one and then to the other.
func TestMove(t *testing.T) {
	if testing.Short() {
		t.Skip("long")
	}
	r := newRig(t, nil)
	from := r.hub(t, nil)
	c := &cluster{rig: &rig{trust: r.trust, codec: r.codec}}
	c.grow(t)
	const boats, each = 6, 60
	var sent atomic.Int64
	var wg sync.WaitGroup
	moved := make(chan struct{})
	for i := range boats {
		id := fmt.Sprintf("boat-%d", i)
		creds := r.creds(t, id)
		s := &sender{id: id, board: fmt.Sprintf("board%d", i), codec: r.codec}
		s.on(t, connect(t, r.url, creds, nats.CustomInboxPrefix(fleet.Inbox(id))))
		there := connect(t, c.url, creds, nats.CustomInboxPrefix(fleet.Inbox(id)))
		wg.Go(func() {
			for n := range each {
				if n == each*2/3 {
					<-moved
					s.on(t, there)
				}
				time.Sleep(5 * time.Millisecond) // so that the move meets them
				s.send(t, fleet.KindReport, testReport(s.id, 2, fmt.Sprintf("1.%d", n)))
				sent.Add(1)
			}
		})
	}
	until(t, "some are sent", func() bool { return sent.Load() > boats*each/6 })
	days := func(h *Hub, put map[string]int) Daybook {
		t.Helper()
		book, err := h.Daybook(t.Context())
		for day, behind := range put {
			err = errors.Join(err, book.Put(t.Context(), day, map[string]Counts{"Larkfin LF9 display": {Behind: behind}}))
		}
		if err != nil {
			t.Fatal(err)
		}
		return book
	}
	days(from.Hub, map[string]int{"2026-11-01": 3, "2026-11-02": 2})
	source, target := connect(t, r.url, r.creds(t, "hub")), connect(t, c.url, r.creds(t, "hub"))
	move := func() {
		t.Helper()
		sums := answer(t, "everything is moved", func() ([]Moved, error) { return Move(t.Context(), source, target, 3, zerolog.Nop()) })
		for _, s := range sums {
			t.Logf("%+v", s)
			if s.Here != s.There {
				t.Errorf("%s: %d here, %d there", s.Name, s.Here, s.There)
			}
		}
	}
	move()
	close(moved)
	to := c.hub(t, func(o *Options) { o.Replicas = 3 })
	book := days(to.Hub, map[string]int{"2026-11-02": 1}) // written again at the new place
	until(t, "all is sent to the old place that goes there", func() bool { return sent.Load() >= boats*each*2/3 })
	until(t, "the old hub is through", func() bool { return from.Stats().Messages[fleet.KindReport] == boats*each*2/3 })
	from.stop()
	move()
	wg.Wait()
	move() // changes nothing
	until(t, "every boat's last report is known", func() bool { return allRun(to.Hub, boats, fmt.Sprintf("1.%d", each-1)) })
	wantEachOnce(t, to.Hub, boats, each)
	kept := answer(t, "the daybook", func() ([]Day, error) { return book.Days(t.Context()) })
	want := []Day{{"2026-11-01", map[string]Counts{"Larkfin LF9 display": {Behind: 3}}}, {"2026-11-02", map[string]Counts{"Larkfin LF9 display": {Behind: 1}}}}
	if diff := cmp.Diff(want, kept); diff != "" {
		t.Errorf("the daybook: %s", diff)
	}
	past := answer(t, "the history", func() ([]Past, error) { return to.History(t.Context(), "boat-0", 0) })
	if len(past) != each {
		t.Errorf("history of %d", len(past))
	}
}
