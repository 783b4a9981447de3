package pages

import (
	"bufio"
	"context"
	"encoding/json"
	"fmt"
	"net/http"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"github.com/rs/zerolog"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/fleet"
	"muster/internal/fleet/broker"
	"muster/internal/fleet/hub"
	"muster/internal/fleet/trust"
	"muster/internal/release"
	"muster/internal/report"
)

// BenchmarkMarina measures what a person before the page waits for, with a hub at work behind it: a search by
// version, and a change from its sending to the page that shows it, which the event stream announces.
func BenchmarkMarina(b *testing.B) {
	for _, n := range []int{100, 1000, 10000} {
		b.Run(strconv.Itoa(n), func(b *testing.B) {
			for b.Loop() {
				benchMarina(b, n)
			}
		})
	}
}

func benchMarina(b *testing.B, boats int) {
	ok := func(err error) {
		b.Helper()
		if err != nil {
			b.Fatal(err)
		}
	}
	keys, err := trust.Open(filepath.Join(b.TempDir(), "trust"))
	ok(err)
	papers, err := keys.Papers()
	ok(err)
	server, err := broker.Start(b.Context(), broker.Options{Listen: "127.0.0.1:0", Dir: b.TempDir(), Papers: papers, SyncEvery: time.Minute, Log: zerolog.Nop()})
	ok(err)
	defer func() { _ = server.Stop(time.Minute) }()
	creds, err := keys.HubCreds()
	ok(err)
	nc, err := server.Connect(creds, "hub")
	ok(err)
	defer nc.Close()
	known := sheets(b)
	h, err := hub.New(b.Context(), hub.Options{Conn: nc, Log: zerolog.Nop(), Sheets: func() *release.Sheets { return known }})
	ok(err)
	ctx, stop := context.WithCancel(b.Context())
	done := make(chan error, 1)
	go func() { done <- h.Run(ctx) }()
	defer func() { stop(); <-done }()

	codec, err := fleet.NewCodec()
	ok(err)
	js, err := jetstream.New(nc, jetstream.WithPublishAsyncMaxPending(256))
	ok(err)
	send := func(i int, seq uint64, software string) {
		id := fmt.Sprintf("boat-%d", i)
		body, err := json.Marshal(marinaReport(id, software))
		ok(err)
		m := nats.NewMsg(fleet.Subject(id, fleet.KindReport))
		m.Data, err = codec.Encode(&fleet.Envelope{Schema: fleet.Schema, Boat: boat.Identity{ID: id, Name: "MV " + id}, MadeAt: time.Now(), Clock: boat.ClockSystem, Version: "bench", Body: body})
		ok(err)
		m.Header.Set(nats.MsgIdHdr, fleet.MessageID("b"+strconv.Itoa(i), seq))
		_, err = js.PublishMsgAsync(m, jetstream.WithStallWait(time.Minute))
		ok(err)
	}
	for i := range boats {
		send(i, 1, fmt.Sprintf("4.%d", 40+i%12))
	}
	for h.Stats().Messages[fleet.KindReport] < uint64(boats) {
		time.Sleep(10 * time.Millisecond)
	}
	s := serve(b, h, func(o *Options) { o.Now = time.Now })

	for path, unit := range map[string]string{"/api/v1/search?model=LF9&below=4.45&limit=100": "search-api-ms", "/search?model=LF9&below=4.45": "search-page-ms", "/": "fleet-page-ms"} {
		get(b, s.URL()+path)
		b.ReportMetric(float64(timed(20, func() time.Duration {
			began := time.Now()
			if resp, _ := get(b, s.URL()+path); resp.StatusCode != http.StatusOK {
				b.Fatal(resp.Status)
			}
			return time.Since(began)
		})[10].Microseconds())/1000, unit)
	}

	resp, err := http.Get(s.URL() + "/api/v1/events")
	ok(err)
	defer resp.Body.Close()
	events := bufio.NewReader(resp.Body)
	seq := uint64(1)
	waits := timed(40, func() time.Duration {
		seq++
		time.Sleep(time.Duration(seq%20) * 100 * time.Millisecond) // at any moment between two checks of the event stream
		began, software := time.Now(), fmt.Sprintf("4.%d", 52+seq)
		send(7, seq, software)
		for {
			line, err := events.ReadString('\n')
			ok(err)
			if !strings.HasPrefix(line, "event: ") {
				continue
			}
			if _, page := get(b, s.URL()+"/search?q=boat-7&version="+software); strings.Contains(page, "20 devices") {
				return time.Since(began)
			}
		}
	})
	b.ReportMetric(waits[20].Seconds(), "change-p50-s")
	b.ReportMetric(waits[39].Seconds(), "change-p99-s")
}

// timed measures n times and puts what it took in order.
func timed(n int, f func() time.Duration) []time.Duration {
	var all []time.Duration
	for range n {
		all = append(all, f())
	}
	slices.Sort(all)
	return all
}

// marinaReport is a boat of 20 devices of seven models.
func marinaReport(id, software string) *report.Report {
	r := &report.Report{Schema: report.V1, Boat: boat.Identity{ID: id}, TakenAt: event.At(noon), Clock: boat.ClockSystem, Networks: []report.Network{},
		Devices: []report.Device{}, Talkers: []report.Talker{}, Manual: []boat.Manual{}, Alerts: []alert.Alert{}}
	for i := range 20 {
		code := uint16(100 + i%7)
		r.Devices = append(r.Devices, report.Device{ID: fmt.Sprintf("%016x", i+1), Network: "can0", State: boat.Present, Role: boat.RoleDisplay,
			Name:    &boat.Name{UniqueNumber: uint32(i), Manufacturer: boat.Coded{Code: 2001, Name: "Larkfin Marine"}, ArbitraryAddress: true},
			Product: &boat.Product{Code: &code, Model: fmt.Sprintf("Larkfin LF%d display", 7+i%7), Serial: fmt.Sprintf("%s-%04d", id, i), Software: software}})
	}
	r.Complete()
	return r
}
