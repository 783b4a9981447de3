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

func must(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// marina is a hub at work, to which a test sends the reports of boats.
type marina struct {
	*hub.Hub
	t     testing.TB
	js    jetstream.JetStream
	codec *fleet.Codec
	keys  *trust.Trust
	seq   map[string]uint64
}

func newMarina(t testing.TB) *marina {
	t.Helper()
	m := &marina{t: t, seq: map[string]uint64{}}
	var err error
	m.keys, err = trust.Open(filepath.Join(t.TempDir(), "trust"))
	must(t, err)
	papers, err := m.keys.Papers()
	must(t, err)
	server, err := broker.Start(t.Context(), broker.Options{Listen: "127.0.0.1:0", Dir: t.TempDir(), Papers: papers, SyncEvery: time.Minute, Log: zerolog.Nop()})
	must(t, err)
	t.Cleanup(func() { _ = server.Stop(time.Minute) })
	creds, err := m.keys.HubCreds()
	must(t, err)
	nc, err := server.Connect(creds, "hub")
	must(t, err)
	t.Cleanup(nc.Close)
	known := sheets(t)
	m.Hub, err = hub.New(t.Context(), hub.Options{Conn: nc, Log: zerolog.Nop(), Sheets: func() *release.Sheets { return known }})
	must(t, err)
	ctx, stop := context.WithCancel(context.Background())
	done := make(chan error, 1)
	go func() { done <- m.Run(ctx) }()
	t.Cleanup(func() { stop(); <-done })
	m.codec, err = fleet.NewCodec()
	must(t, err)
	m.js, err = jetstream.New(nc, jetstream.WithPublishAsyncMaxPending(256))
	must(t, err)
	return m
}

// send sends the next message of a boat.
func (m *marina) send(id string, kind fleet.Kind, body any) {
	m.t.Helper()
	m.seq[id]++
	text, err := json.Marshal(body)
	must(m.t, err)
	msg := nats.NewMsg(fleet.Subject(id, kind))
	msg.Data, err = m.codec.Encode(&fleet.Envelope{Schema: fleet.Schema, Boat: boat.Identity{ID: id, Name: "MV " + id}, MadeAt: time.Now(), Clock: boat.ClockSystem, Version: "test", Body: text})
	must(m.t, err)
	msg.Header.Set(nats.MsgIdHdr, fleet.MessageID("b-"+id, m.seq[id]))
	_, err = m.js.PublishMsgAsync(msg, jetstream.WithStallWait(time.Minute))
	must(m.t, err)
}

// hears sends a report and waits until it is shown.
func (m *marina) hears(id string, r *report.Report) {
	m.t.Helper()
	m.send(id, fleet.KindReport, r)
	m.until("the report of "+id, func() bool {
		b := m.Boat(id)
		return b != nil && len(b.Boards) == 1 && b.Boards[0].Seq == m.seq[id]
	})
}

func (m *marina) until(what string, ok func() bool) {
	m.t.Helper()
	for end := time.Now().Add(3 * time.Minute); !ok(); time.Sleep(5 * time.Millisecond) {
		if time.Now().After(end) {
			m.t.Fatalf("did not come: %s", what)
		}
	}
}

func benchMarina(b *testing.B, boats int) {
	h := newMarina(b)
	send := func(i int, software string) {
		id := fmt.Sprintf("boat-%d", i)
		h.send(id, fleet.KindReport, marinaReport(id, software))
	}
	for i := range boats {
		send(i, fmt.Sprintf("4.%d", 40+i%12))
	}
	h.until("every report", func() bool { return h.Stats().Messages[fleet.KindReport] >= uint64(boats) })
	s := serve(b, h.Hub, func(o *Options) { o.Now = time.Now })

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
	must(b, err)
	defer resp.Body.Close()
	events := bufio.NewReader(resp.Body)
	seq := uint64(1)
	waits := timed(40, func() time.Duration {
		seq++
		time.Sleep(time.Duration(seq%20) * 100 * time.Millisecond) // at any moment between two checks of the event stream
		began, software := time.Now(), fmt.Sprintf("4.%d", 52+seq)
		send(7, software)
		for {
			line, err := events.ReadString('\n')
			must(b, err)
			if !strings.HasPrefix(line, "event: ") {
				continue
			}
			if _, page := get(b, s.URL()+"/search?q=boat-7&version="+software); strings.Contains(page, "20 units") {
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
