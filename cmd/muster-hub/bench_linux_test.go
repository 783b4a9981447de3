package main

import (
	"encoding/json"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/fleet"
	"muster/internal/hosttest"
	"muster/internal/report"
)

// BenchmarkHub measures the program as a marina runs it, each acknowledgement on the disk: reports a second of boats
// of 20 devices, its memory once they are in, and how long after a restart it has them all.
func BenchmarkHub(b *testing.B) {
	for _, n := range []int{100, 1000, 10000} {
		b.Run(strconv.Itoa(n), func(b *testing.B) {
			for b.Loop() {
				benchHub(b, n)
			}
		})
	}
}

func benchHub(b *testing.B, boats int) {
	dir := b.TempDir()
	data, creds := filepath.Join(dir, "hub"), filepath.Join(dir, "hub.creds")
	args := []string{"run", "--data", data, "--boats-listen", hosttest.Address(b), "--listen", hosttest.Address(b), "--sheets", "../../deploy/sheets"}
	h := start(b, args...)
	hubSays(b, "hub-creds", "--data", data, "-o", creds)
	nc, err := nats.Connect(h.boats, nats.UserCredentials(creds))
	if err != nil {
		b.Fatal(err)
	}
	js, err := jetstream.New(nc, jetstream.WithPublishAsyncMaxPending(256))
	if err != nil {
		b.Fatal(err)
	}
	codec, err := fleet.NewCodec()
	if err != nil {
		b.Fatal(err)
	}
	var messages []*nats.Msg // one connection sends for all boats: their encoding is not what is measured
	for i := range boats {
		id := fmt.Sprintf("boat-%d", i)
		r := &report.Report{Schema: report.V1, Boat: boat.Identity{ID: id}, TakenAt: event.At(time.Now()), Clock: boat.ClockSystem}
		for j := range 20 {
			r.Devices = append(r.Devices, report.Device{ID: fmt.Sprintf("%016x", j+1), Network: "can0", State: boat.Present, Role: boat.RoleDisplay,
				Name:    &boat.Name{UniqueNumber: uint32(j), Manufacturer: boat.Coded{Code: 2001, Name: "Larkfin Marine"}},
				Product: &boat.Product{Model: fmt.Sprintf("Larkfin LF%d display", 7+j%7), Serial: fmt.Sprintf("%s-%d", id, j), Software: fmt.Sprintf("4.%d", 40+i%12)}})
		}
		r.Complete()
		body, err := json.Marshal(r)
		if err != nil {
			b.Fatal(err)
		}
		m := nats.NewMsg(fleet.Subject(id, fleet.KindReport))
		if m.Data, err = codec.Encode(&fleet.Envelope{Schema: fleet.Schema, Boat: r.Boat, MadeAt: time.Now(), Clock: r.Clock, Version: "bench", Body: body}); err != nil {
			b.Fatal(err)
		}
		m.Header.Set(nats.MsgIdHdr, fleet.MessageID("b"+strconv.Itoa(i), 1))
		messages = append(messages, m)
	}
	known := func() bool {
		var sum struct{ Boats int }
		return ask(h.pages+"/api/v1/fleet", &sum) && sum.Boats == boats
	}
	began := time.Now()
	for _, m := range messages {
		if _, err := js.PublishMsgAsync(m, jetstream.WithStallWait(patience)); err != nil {
			b.Fatal(err)
		}
	}
	until(b, "all are known", known)
	b.ReportMetric(float64(boats)/time.Since(began).Seconds(), "reports/s")
	b.ReportMetric(resident(b, h.cmd.Process.Pid), "MB")
	nc.Close()
	h.end(b, syscall.SIGTERM)
	began = time.Now()
	h = start(b, args...)
	until(b, "all are known again", func() bool {
		resp, err := http.Get(h.pages + "/-/ready")
		if err != nil {
			return false
		}
		resp.Body.Close()
		return resp.StatusCode == http.StatusOK && known()
	})
	b.ReportMetric(time.Since(began).Seconds(), "start-s")
	b.ReportMetric(resident(b, h.cmd.Process.Pid), "MB-after-start")
	h.end(b, syscall.SIGTERM)
}

// resident is the memory of a process, in MB.
func resident(b *testing.B, pid int) float64 {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
	if err != nil {
		b.Fatal(err)
	}
	_, rest, _ := strings.Cut(string(text), "VmRSS:")
	var kb float64
	if _, err := fmt.Sscan(rest, &kb); err != nil {
		b.Fatal(err)
	}
	return kb * 1024 / 1e6
}
