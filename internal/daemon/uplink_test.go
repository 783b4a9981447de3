package daemon

import (
	"encoding/json"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/prometheus/client_golang/prometheus/testutil"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/fleet"
	"muster/internal/snapshot"
)

// stream is a message server with a stream for boats.
func stream(t *testing.T) (url string, js nats.JetStreamContext) {
	t.Helper()
	s, err := server.NewServer(&server.Options{Host: "127.0.0.1", Port: -1, JetStream: true, StoreDir: t.TempDir(), NoSigs: true, NoLog: true})
	if err != nil {
		t.Fatal(err)
	}
	s.Start()
	t.Cleanup(func() { s.Shutdown(); s.WaitForShutdown() })
	if !s.ReadyForConnections(3 * time.Minute) {
		t.Fatal("the server does not start")
	}
	url = fmt.Sprintf("nats://127.0.0.1:%d", s.Addr().(*net.TCPAddr).Port)
	nc, err := nats.Connect(url)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(nc.Close)
	if js, err = nc.JetStream(); err != nil {
		t.Fatal(err)
	}
	if _, err := js.AddStream(&nats.StreamConfig{Name: "BOATS", Subjects: []string{fleet.Subjects("*")}}); err != nil {
		t.Fatal(err)
	}
	return url, js
}

// told lists the kinds in the stream, and reads the last message.
func told(t *testing.T, js nats.JetStreamContext) (kinds []string, last *fleet.Envelope) {
	t.Helper()
	info, err := js.StreamInfo("BOATS")
	if err != nil {
		t.Fatal(err)
	}
	codec, err := fleet.NewCodec()
	if err != nil {
		t.Fatal(err)
	}
	for seq := uint64(1); seq <= info.State.LastSeq; seq++ {
		m, err := js.GetMsg("BOATS", seq)
		if err != nil {
			t.Fatal(err)
		}
		_, kind, err := fleet.ParseSubject(m.Subject)
		if err != nil {
			t.Fatal(err)
		}
		kinds = append(kinds, string(kind))
		if last, err = codec.Decode(m.Data); err != nil {
			t.Fatal(err)
		}
	}
	return kinds, last
}

// TestUplink: alerts, snapshots and records reach the hub, those of before a restart too; a reload turns it off and on.
func TestUplink(t *testing.T) {
	url, js := stream(t)
	dir := t.TempDir()
	now := event.At(time.Now())
	opt := keptOptions(t, dir, network(now, "can0", false), claim(now, nameA, 35))
	opt.Config.Boat = boat.Identity{ID: "wagtail", Name: "Wagtail"}
	opt.Config.Fleet.URL = []string{"nats://127.0.0.1:1"}
	opt.fleetLook = make(chan time.Duration) // reports are not checked, so that none is sent between what is counted here
	d, stop := aboard(t, opt)
	tell(t, d, change(alert.Raised, "a", false), change(alert.Raised, "quiet", true))
	stop()

	opt = keptOptions(t, dir, network(now, "can0", false), claim(now, nameA, 35))
	opt.Config.Boat, opt.Config.Fleet.URL = boat.Identity{ID: "wagtail", Name: "Wagtail"}, []string{url}
	opt.fleetLook = make(chan time.Duration)
	d, _ = aboard(t, opt)
	eventually(t, func() bool { return len(d.Report().Devices) == 1 && d.notifiers.up.Load().Stats().Sent == 1 })
	d.notifiers.sendSnapshot(snapshot.New(d.Report()))
	eventually(t, func() bool { return d.notifiers.up.Load().Stats().Sent == 2 })
	d.notifiers.sendRecord("record.pdf", "application/pdf", []byte("%PDF"))
	eventually(t, func() bool { return d.notifiers.up.Load().Stats().Sent == 3 })
	tell(t, d, change(alert.Cleared, "a", false))
	eventually(t, func() bool { return d.notifiers.up.Load().Stats().Sent == 4 })
	kinds, last := told(t, js)
	if diff := cmp.Diff([]string{"alert", "snapshot", "record", "alert"}, kinds); diff != "" {
		t.Error(diff)
	}
	var m Message
	if err := json.Unmarshal(last.Body, &m); err != nil || m.Schema != messageSchema || m.Kind != alert.Cleared || m.Boat.ID != "wagtail" {
		t.Errorf("%+v: %v", m, err)
	}

	if err := testutil.CollectAndCompare(d.counts, strings.NewReader(`# HELP muster_fleet_connected Whether there is a connection with the hub: 1 or 0.
# TYPE muster_fleet_connected gauge
muster_fleet_connected 1
# HELP muster_fleet_queued Messages that wait for the hub.
# TYPE muster_fleet_queued gauge
muster_fleet_queued 0
# HELP muster_fleet_sent_total Messages that the hub's stream stored.
# TYPE muster_fleet_sent_total counter
muster_fleet_sent_total 4
# HELP muster_fleet_shed_total Messages given up because too many waited.
# TYPE muster_fleet_shed_total counter
muster_fleet_shed_total 0
# HELP muster_fleet_too_large_total Messages not sent because no message server takes them.
# TYPE muster_fleet_too_large_total counter
muster_fleet_too_large_total 0
`), "muster_fleet_connected", "muster_fleet_queued", "muster_fleet_sent_total", "muster_fleet_shed_total", "muster_fleet_too_large_total"); err != nil {
		t.Error(err)
	}

	was := d.notifiers.up.Load()
	c := d.opt.Config
	if _, err := d.Reload(t.Context(), c); err != nil || d.notifiers.up.Load() != was {
		t.Errorf("a reload without a change began another: %v", err)
	}
	c.Fleet.Credentials = filepath.Join(dir, "none.creds")
	if _, err := d.Reload(t.Context(), c); err == nil || !strings.Contains(err.Error(), "none.creds") || d.notifiers.up.Load() != was {
		t.Errorf("credentials that are not there: %v", err)
	}
	c.Fleet.Credentials = ""
	c.Fleet.Every = time.Hour
	if _, err := d.Reload(t.Context(), c); err != nil || d.notifiers.up.Load() == was {
		t.Errorf("a reload with a change: %v", err)
	}
	tell(t, d, change(alert.Raised, "b", false))
	eventually(t, func() bool { return d.notifiers.up.Load().Stats().Sent == 1 })
	c.Fleet.URL = nil
	if _, err := d.Reload(t.Context(), c); err != nil || d.notifiers.up.Load() != nil {
		t.Errorf("turned off: %v", err)
	}
	tell(t, d, change(alert.Raised, "c", false))
	if n := d.keeper.store.Unsent(fleet.Target); n != 0 {
		t.Errorf("%d wait for nobody", n)
	}
}

func TestCheckFleet(t *testing.T) {
	c := keptOptions(t, "").Config
	if err := CheckFleet(&c); err != nil {
		t.Error(err)
	}
	c.Boat.ID, c.Fleet.URL, c.Fleet.Credentials = "wagtail", []string{"tls://hub.example"}, filepath.Join(t.TempDir(), "k.creds")
	if err := CheckFleet(&c); err == nil {
		t.Error("credentials that are not there")
	}
	if err := os.WriteFile(c.Fleet.Credentials, []byte("x"), 0o600); err != nil {
		t.Fatal(err)
	}
	if err := CheckFleet(&c); err == nil || !strings.Contains(err.Error(), "muster-hub enroll") {
		t.Errorf("got %v", err)
	}
}
