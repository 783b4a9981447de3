package daemon

import (
	"bytes"
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"net/http/httptest"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/rs/zerolog"
	"go.etcd.io/bbolt"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/config"
	"muster/internal/event"
	"muster/internal/store"
	"muster/internal/tap"
	"muster/pgn"
)

// room is how large a file of this process may be from now on: none at all is a card that is full.
func room(t *testing.T, bytes uint64) {
	t.Helper()
	if err := syscall.Setrlimit(syscall.RLIMIT_FSIZE, &syscall.Rlimit{Cur: bytes, Max: 1 << 40}); err != nil {
		t.Fatal(err)
	}
}

// TestFullCard: a card that takes nothing, from the start or amid a run, is reported once; muster goes on listening,
// alerts are still sent, and when there is room everything is written and that is reported once.
func TestFullCard(t *testing.T) {
	if os.Getenv("MUSTER_FULL_CARD") == "" { // the bound is one of a process, and go test writes files in this one
		cmd := exec.CommandContext(t.Context(), os.Args[0], "-test.run=^TestFullCard$", "-test.v")
		cmd.Env = append(os.Environ(), "MUSTER_FULL_CARD=1")
		if out, err := cmd.CombinedOutput(); err != nil || strings.Count(string(out), "--- PASS: TestFullCard/") != 3 {
			t.Errorf("%v\n%s", err, out)
		}
		return
	}
	signal.Ignore(syscall.SIGXFSZ)
	defer signal.Reset(syscall.SIGXFSZ)
	const fails, again = "the store cannot be written; muster goes on listening", "the store is written again"
	for _, when := range []string{"amid a run", "from the start", "at a second start"} {
		t.Run(when, func(t *testing.T) {
			dir := filepath.Join(t.TempDir(), "state")
			if when == "at a second start" {
				d, stop := aboard(t, keptOptions(t, dir, network(t0, "can0", false), claim(t0, nameA+9, 40)))
				eventually(t, func() bool { return len(d.Report().Devices) == 1 })
				stop()
			}
			full := func() {
				room(t, 0)
				t.Cleanup(func() { room(t, 1<<40) })
			}
			if when != "amid a run" {
				full()
			}
			hook := &receiver{}
			server := httptest.NewServer(hook)
			defer server.Close()
			src := newWire()
			opt := options("127.0.0.1:0", map[string]tap.Source{"can0": src}, "can0")
			opt.Config.StateDir = dir
			opt.Config.Notify = []config.Target{{ID: "hook", Webhook: server.URL}}
			a := newAfloat(t, opt)
			heardFrom := byte(0)
			hears := func() {
				t.Helper()
				heardFrom++
				now := event.Time(a.wall.Load())
				src.events <- []event.Event{claim(now, nameA+pgn.NAME(heardFrom), heardFrom)}
				eventually(t, func() bool { return a.d.Report().Device((nameA + pgn.NAME(heardFrom)).String()) != nil })
			}
			enter := func() {
				t.Helper()
				if _, err := a.d.Desk().AddManual(t.Context(), boat.Manual{Model: "Larkfin LF9 display"}); err != nil {
					t.Fatal(err)
				}
			}
			src.events <- []event.Event{network(t0, "can0", false)}
			hears()
			if when == "amid a run" {
				enter()
				if a.said(fails) != 0 || a.d.keeper.store.Stats().Failures != 0 {
					t.Errorf("before: %s", a.log.String())
				}
				full()
			}
			for range 3 {
				hears()
				enter()
			}
			tell(t, a.d, change("raised", "silent:x", false))
			eventually(t, func() bool { return slices.Contains(hook.got(), "raised silent:x") })
			eventually(t, func() bool { return a.said(fails) > 0 }) // whatever finds the fault logs it a moment later
			if a.said(fails) != 1 || a.said(again) != 0 || a.d.keeper.store.Stats().Failures < 3 || a.d.keeper.store.Stats().Pending == 0 {
				t.Errorf("%+v; said %s", a.d.keeper.store.Stats(), a.log.String())
			}
			speak := func(now event.Time) { src.events <- []event.Event{depth(now)} }
			standing := func() string { return a.alert("store-failing", "") }
			a.until("an alert", func() bool { return standing() == string(alert.StatusOpen) }, speak)
			room(t, 1<<40)
			enter()
			hears()
			a.until("the end of the alert", func() bool { return standing() == string(alert.StatusCleared) }, speak)
			eventually(t, func() bool { return a.said(again) > 0 })
			if st := a.d.keeper.store.Stats(); a.said(fails) != 1 || a.said(again) != 1 || st.Syncs == 0 {
				t.Errorf("%+v; said %s", st, a.log.String())
			}
			entered, known := len(a.d.Report().Manual), int(heardFrom)
			if when == "at a second start" {
				known++
			}
			if err := a.d.Stop(); err != nil {
				t.Error(err)
			}
			s, err := store.Open(dir, store.Options{})
			if err != nil || s.SetAside() != nil {
				t.Fatal(err, s.SetAside())
			}
			defer s.Close()
			if got := len(s.All(store.Manual)) - 1; got != entered { // and their count
				t.Errorf("%d of %d devices entered by hand are kept", got, entered)
			}
			if got := len(s.All(store.Devices)); got != known {
				t.Errorf("%d of %d devices are kept", got, known)
			}
		})
	}
}

// TestNewerStore: a store of a newer version is refused in one line and left as it is.
func TestNewerStore(t *testing.T) {
	dir := t.TempDir()
	d, stop := aboard(t, keptOptions(t, dir, network(t0, "can0", false), claim(t0, nameA, 35)))
	eventually(t, func() bool { return len(d.Report().Devices) == 1 })
	stop()
	file := filepath.Join(dir, "muster.db")
	db, err := bbolt.Open(file, 0o600, nil)
	if err != nil {
		t.Fatal(err)
	}
	// A value is a checksum over key and rest, 8 bytes of time, and the text.
	rest := append(make([]byte, 8), "2"...)
	sum := crc32.Update(crc32.Checksum([]byte("version"), crc32.MakeTable(crc32.Castagnoli)), crc32.MakeTable(crc32.Castagnoli), rest)
	err = db.Update(func(tx *bbolt.Tx) error {
		return tx.Bucket([]byte("meta")).Put([]byte("version"), append(binary.BigEndian.AppendUint32(nil, sum), rest...))
	})
	if err := errors.Join(err, db.Close()); err != nil {
		t.Fatal(err)
	}
	before, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	src := newFake(nil)
	opt := options("off", map[string]tap.Source{"can0": src}, "can0")
	opt.Config.StateDir = dir
	if _, err := New(t.Context(), opt); !errors.Is(err, store.ErrNewer) || strings.Contains(err.Error(), "\n") || !strings.Contains(err.Error(), "update muster, or give it another state_dir") {
		t.Errorf("got %v", err)
	}
	after, err := os.ReadFile(file)
	if err != nil || string(after) != string(before) || !src.isClosed() {
		t.Errorf("%v; the store is as it was: %v; the source is closed: %v", err, string(after) == string(before), src.isClosed())
	}
	if files, _ := filepath.Glob(file + "*"); len(files) != 1 {
		t.Errorf("%d files", len(files))
	}
}

// TestDamagedStore: a store that cannot be read is set aside and reported, and the next run goes on in a new one.
func TestDamagedStore(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, "muster.db")
	d, stop := aboard(t, keptOptions(t, dir, network(t0, "can0", false), claim(t0, nameA, 35)))
	eventually(t, func() bool { return len(d.Report().Devices) == 1 })
	stop()
	text, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	text = bytes.ReplaceAll(text, []byte("first_seen"), []byte("fIrst_seen")) // a bit of a device's text
	if err := os.WriteFile(file, text, 0o600); err != nil {
		t.Fatal(err)
	}
	src := newWire()
	opt := options("off", map[string]tap.Source{"can0": src}, "can0")
	opt.Config.StateDir = dir
	a := newAfloat(t, opt)
	src.events <- []event.Event{network(t0, "can0", false), claim(t0, nameA+1, 36)}
	eventually(t, func() bool { return len(a.d.Report().Devices) == 1 })
	if a.said("the earlier store cannot be read") != 1 || a.said("muster.db.damaged-1; a new one is begun") != 1 {
		t.Errorf("said %s", a.log.String())
	}
	if kept, err := os.ReadFile(file + ".damaged-1"); err != nil || string(kept) != string(text) {
		t.Errorf("what was set aside: %v", err)
	}
	a.until("an alert", func() bool { return a.alert("store-failing", "") == string(alert.StatusOpen) },
		func(now event.Time) { src.events <- []event.Event{depth(now)} })
	alerts := a.d.Report().Alerts
	i := slices.IndexFunc(alerts, func(x alert.Alert) bool { return x.Check == "store-failing" })
	if e := alerts[i].Evidence; e["file"] != file || e["set_aside_as"] != file+".damaged-1" || e["lost"] != "1 of 1 devices" || e["error"] == "" {
		t.Errorf("the alert's evidence: %v", e)
	}
	if err := a.d.Stop(); err != nil {
		t.Error(err)
	}
	d, _ = aboard(t, keptOptions(t, dir))
	if d.keeper.store.SetAside() != nil || len(d.keeper.store.All(store.Devices)) != 1 {
		t.Errorf("the next run: %v, %d devices", d.keeper.store.SetAside(), len(d.keeper.store.All(store.Devices)))
	}
}

// TestSetAsideLater: a damaged store that the card lets be renamed only amid the run is reported when it is found, and with its new name
// when it has one; the alert follows.
func TestSetAsideLater(t *testing.T) {
	dir, locked := t.TempDir(), true
	file := filepath.Join(dir, "muster.db")
	if err := os.WriteFile(file, []byte("this is no store at all\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := store.Open(dir, store.Options{Rename: func(from, to string) error {
		if locked {
			return &os.LinkError{Op: "rename", Old: from, New: to, Err: syscall.EROFS}
		}
		return os.Rename(from, to)
	}})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	var said bytes.Buffer
	k := &keeper{store: s, log: zerolog.New(&said), now: time.Now}
	evidence := func() map[string]any {
		settings := check.DefaultSettings()
		found := check.Judge([]check.Rule{k.asideRule()}, &boat.State{}, t0, &settings).Findings
		if len(found) != 1 {
			t.Fatalf("%d findings", len(found))
		}
		return found[0].Evidence
	}
	lines := func() int { return strings.Count(said.String(), "the earlier store cannot be read") }
	k.logSetAside()
	k.write()
	if e := evidence(); lines() != 1 || strings.Contains(said.String(), "set_aside_as") || e["set_aside_as"] != nil || e["file"] != file {
		t.Errorf("%v; said %s", e, said.String())
	}
	locked = false
	k.write()
	k.write()
	if e := evidence(); lines() != 2 || !strings.Contains(said.String(), `"set_aside_as":"`+file+`.damaged-1","lost":"`) || e["set_aside_as"] != file+".damaged-1" || e["lost"] != lost {
		t.Errorf("%v; said %s", e, said.String())
	}
}

// TestPartlyDamaged: of a store of which most can be read, the alert names what is lost and no more.
func TestPartlyDamaged(t *testing.T) {
	dir := t.TempDir()
	s, err := store.Open(dir, store.Options{})
	if err != nil {
		t.Fatal(err)
	}
	for i := range 20 {
		s.Put(store.Devices, fmt.Sprint(i), fmt.Appendf(nil, "device number %d", i))
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(s.Path())
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(s.Path(), bytes.ReplaceAll(text, []byte("device number 7"), []byte("device numbed 7")), 0o600); err != nil {
		t.Fatal(err)
	}
	if s, err = store.Open(dir, store.Options{}); err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	var said bytes.Buffer
	k := &keeper{store: s, log: zerolog.New(&said), now: time.Now}
	k.logSetAside()
	settings := check.DefaultSettings()
	found := check.Judge([]check.Rule{k.asideRule()}, &boat.State{}, t0, &settings).Findings
	if len(found) != 1 || found[0].Summary != "muster could not read all of its store at the start (lost: 1 of 20 devices)" ||
		found[0].Evidence["lost"] != "1 of 20 devices" || len(found[0].Steps) == 0 {
		t.Errorf("%+v", found)
	}
	if n := len(s.All(store.Devices)); n != 19 || !strings.Contains(said.String(), `"lost":"1 of 20 devices"`) {
		t.Errorf("%d devices; said %s", n, said.String())
	}
}
