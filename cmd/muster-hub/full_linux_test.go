package main

import (
	"encoding/json"
	"fmt"
	"math/rand/v2"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"muster/internal/boat"
	"muster/internal/fleet"
)

// TestDiskFull: on a file system that fills up, a hub reports it, takes nothing, forgets nothing that it
// acknowledged, and goes on when there is room.
func TestDiskFull(t *testing.T) {
	if testing.Short() {
		t.Skip("long")
	}
	disk := t.TempDir()
	if err := syscall.Mount("tmpfs", disk, "tmpfs", 0, "size=24m"); err != nil {
		if os.Getenv("MUSTER_TEST_ALL") == "1" {
			t.Fatalf("mount: %v", err)
		}
		t.Skipf("mount: %v", err)
	}
	t.Cleanup(func() { _ = syscall.Unmount(disk, syscall.MNT_DETACH) })
	ballast := filepath.Join(disk, "ballast")
	if err := os.WriteFile(ballast, make([]byte, 12<<20), 0o600); err != nil {
		t.Fatal(err)
	}
	data, creds := filepath.Join(disk, "hub"), filepath.Join(t.TempDir(), "wagtail.creds")
	h := start(t, "run", "--data", data, "--boats-listen", "127.0.0.1:0", "--listen", "127.0.0.1:0")
	hubSays(t, "enroll", "--data", data, "wagtail", "-o", creds)
	ready := func() (bool, string) {
		resp, err := http.Get(h.pages + "/-/ready")
		if err != nil {
			t.Fatalf("the hub is gone: %v", err)
		}
		defer resp.Body.Close()
		text := make([]byte, 1000)
		n, _ := resp.Body.Read(text)
		return resp.StatusCode == http.StatusOK, string(text[:n])
	}
	until(t, "the hub is ready", func() bool { ok, _ := ready(); return ok })

	nc, err := nats.Connect(h.boats, nats.UserCredentials(creds), nats.CustomInboxPrefix(fleet.Inbox("wagtail")), nats.MaxReconnects(-1))
	if err != nil {
		t.Fatal(err)
	}
	defer nc.Close()
	js, err := jetstream.New(nc, jetstream.WithDefaultTimeout(5*time.Second))
	if err != nil {
		t.Fatal(err)
	}
	codec, err := fleet.NewCodec()
	if err != nil {
		t.Fatal(err)
	}
	acknowledged, refused := 0, 0
	send := func(seq int) bool {
		noise := make([]byte, 100<<10)
		for i := range noise {
			noise[i] = byte(rand.Uint32())
		}
		m := nats.NewMsg(fleet.Subject("wagtail", fleet.KindRecord))
		m.Data = recordOf(t, codec, noise)
		m.Header.Set(nats.MsgIdHdr, fleet.MessageID("board1", uint64(seq)))
		_, err := js.PublishMsg(t.Context(), m)
		if err == nil {
			acknowledged++
		}
		return err == nil
	}
	seq := 1
	for ; refused < 3; seq++ {
		if seq > 1000 {
			t.Fatal("the disk does not fill up")
		}
		if !send(seq) {
			refused++
		}
	}
	until(t, "the hub says that it takes nothing", func() bool { ok, why := ready(); return !ok && why != "" })
	if err := os.Remove(ballast); err != nil {
		t.Fatal(err)
	}
	until(t, "the hub takes messages again", func() bool { return send(seq) })
	until(t, "the hub is ready again", func() bool { ok, _ := ready(); return ok })
	var history []struct{ Stream uint64 }
	until(t, "all that was acknowledged is kept", func() bool {
		return ask(fmt.Sprintf("%s/api/v1/boats/wagtail/history?limit=5000", h.pages), &history) && len(history) >= acknowledged
	})
	h.mu.Lock()
	defer h.mu.Unlock()
	if !strings.Contains(h.log.String(), "make room on its disk") {
		t.Errorf("the log does not say what to do:\n%s", h.log.String())
	}
}

// recordOf is a service record as a boat sends it.
func recordOf(t *testing.T, codec *fleet.Codec, data []byte) []byte {
	t.Helper()
	body, err := json.Marshal(fleet.Document{Name: "record.pdf", Media: "application/pdf", Data: data})
	if err != nil {
		t.Fatal(err)
	}
	out, err := codec.Encode(&fleet.Envelope{Schema: fleet.Schema, Boat: boat.Identity{ID: "wagtail"}, MadeAt: time.Now(), Clock: boat.ClockSystem, Version: "test", Body: body})
	if err != nil {
		t.Fatal(err)
	}
	return out
}
