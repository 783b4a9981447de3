package hub

import (
	"context"
	"fmt"
	"os"
	"runtime"
	"slices"
	"strconv"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"muster/internal/alert"
	"muster/internal/check"
	"muster/internal/fleet"
	"muster/internal/fleet/broker"
)

// BenchmarkFleet measures a whole fleet of boats with 20 devices each, once per size: reports a second, memory, the time from a
// publication to the index, a search, and a start with all boats known. MUSTER_BENCH_SYNC=always forces each write to the disk.
func BenchmarkFleet(b *testing.B) {
	for _, n := range []int{100, 1000, 10000} {
		b.Run(strconv.Itoa(n), func(b *testing.B) {
			for b.Loop() {
				benchFleet(b, n)
			}
		})
	}
}

func benchFleet(b *testing.B, boats int) {
	r := newRig(b, func(o *broker.Options) {
		if os.Getenv("MUSTER_BENCH_SYNC") == "always" {
			o.SyncEvery = 0
		}
	})
	h := r.hub(b, nil)
	nc := connect(b, r.url, r.creds(b, "hub")) // one connection sends for all boats: their encoding is not what is measured
	js, err := jetstream.New(nc, jetstream.WithPublishAsyncMaxPending(256))
	if err != nil {
		b.Fatal(err)
	}
	s := &sender{board: "b", codec: r.codec, js: js}
	message := func(i int, seq uint64, software string) *nats.Msg {
		s.id = fmt.Sprintf("boat-%d", i)
		rep := testReport(s.id, 20, software)
		rep.Alerts = []alert.Alert{testAlert(check.Warning, "a")}
		m := nats.NewMsg(fleet.Subject(s.id, fleet.KindReport))
		m.Data = s.encode(b, rep)
		m.Header.Set(nats.MsgIdHdr, fleet.MessageID("b"+strconv.Itoa(i), seq))
		return m
	}
	messages := make([]*nats.Msg, boats)
	for i := range messages {
		messages[i] = message(i, 1, fmt.Sprintf("4.%d", 40+i%10))
	}
	start := time.Now()
	for _, m := range messages {
		if _, err := js.PublishMsgAsync(m, jetstream.WithStallWait(time.Minute)); err != nil {
			b.Fatal(err)
		}
	}
	for h.Stats().Messages[fleet.KindReport] < uint64(boats) {
		if time.Since(start) > 10*time.Minute {
			b.Fatal("not taken in within ten minutes")
		}
		time.Sleep(time.Millisecond)
	}
	b.ReportMetric(float64(boats)/time.Since(start).Seconds(), "reports/s")
	messages = nil

	var waits []time.Duration
	for i := range 200 {
		m := message(i%boats, uint64(2+i/boats), "5.0")
		id := s.id
		before := h.Boat(id).Report
		begin := time.Now()
		if _, err := js.PublishMsg(context.Background(), m); err != nil {
			b.Fatal(err)
		}
		for {
			changed := h.Changed()
			if h.Boat(id).Report != before {
				break
			}
			<-changed
		}
		waits = append(waits, time.Since(begin))
		time.Sleep(5 * time.Millisecond)
	}
	slices.Sort(waits)
	b.ReportMetric(float64(waits[len(waits)/2].Microseconds())/1000, "p50-ms")
	b.ReportMetric(float64(waits[len(waits)*99/100].Microseconds())/1000, "p99-ms")

	var search time.Duration
	for range 5 {
		begin := time.Now()
		hits, err := h.Search(Query{Text: "larkfin", Version: "4.45"})
		if err != nil || boats > 500 && len(hits) == 0 {
			b.Fatal(err, len(hits))
		}
		search = max(search, time.Since(begin))
	}
	b.ReportMetric(float64(search.Microseconds())/1000, "search-ms")
	h.stop()

	var base, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&base)
	begin := time.Now()
	again := r.hub(b, nil)
	b.ReportMetric(float64(time.Since(begin).Microseconds())/1000, "start-ms")
	if got := len(again.Boats()); got != boats {
		b.Fatalf("%d boats of %d", got, boats)
	}
	runtime.GC()
	runtime.ReadMemStats(&after)
	b.ReportMetric(float64(int64(after.HeapAlloc)-int64(base.HeapAlloc))/1e6, "index-MB")
	again.stop()
}
