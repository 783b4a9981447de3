package store

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"go.etcd.io/bbolt"
)

func fixed(t time.Time) func() time.Time { return func() time.Time { return t } }

var day = time.Date(2026, 6, 1, 12, 0, 0, 0, time.UTC)

func mustOpen(t *testing.T, dir string, opt Options) *Store {
	t.Helper()
	if opt.Now == nil {
		opt.Now = fixed(day)
	}
	s, err := Open(dir, opt)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = s.db.Close() })
	return s
}

func TestKeeps(t *testing.T) {
	dir := t.TempDir()
	s := mustOpen(t, dir, Options{})
	s.Put(Devices, "a", []byte("one"))
	s.Put(Alerts, "x", []byte("raised"))
	s.Replace(Manual, map[string][]byte{"m1": []byte("plotter"), "m2": []byte("fan")})
	first := s.Queue("hook", []byte("told first"))
	second := s.Queue("hook", []byte("told second"))
	if err := s.Sync(); err != nil {
		t.Fatal(err)
	}
	s.Delivered("hook", first)
	s.Replace(Manual, map[string][]byte{"m2": []byte("fan")})
	s.Delete(Alerts, "x")
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}

	s = mustOpen(t, dir, Options{})
	if s.SetAside() != nil {
		t.Fatal(s.SetAside())
	}
	if diff := cmp.Diff(map[string][]byte{"m2": []byte("fan")}, s.All(Manual)); diff != "" {
		t.Error(diff)
	}
	if got := string(s.Get(Devices, "a")); got != "one" {
		t.Errorf("device %q", got)
	}
	if s.Get(Alerts, "x") != nil {
		t.Error("a deleted value came back")
	}
	if diff := cmp.Diff([]Item{{ID: second, Body: []byte("told second"), Queued: time.Unix(day.Unix(), 0)}}, s.Waiting("hook", 10)); diff != "" {
		t.Error(diff)
	}
	if third := s.Queue("hook", nil); third <= second {
		t.Errorf("id %d was used before", third)
	}
}

// TestWritesOnlyWhatChanged: the card is spared when nothing new is put.
func TestWritesOnlyWhatChanged(t *testing.T) {
	s := mustOpen(t, t.TempDir(), Options{})
	s.Put(Devices, "a", []byte("one"))
	if err := s.Sync(); err != nil {
		t.Fatal(err)
	}
	before := s.Stats()
	s.Put(Devices, "a", []byte("one"))
	if err := s.Sync(); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(before, s.Stats()); diff != "" {
		t.Error(diff)
	}
	s.Put(Devices, "a", []byte("two"))
	if err := s.Sync(); err != nil {
		t.Fatal(err)
	}
	if w := s.Stats().Written - before.Written; w == 0 || w > 64<<10 {
		t.Errorf("one small value cost %d bytes", w)
	}
}

func TestNewerVersionIsLeftAlone(t *testing.T) {
	dir := t.TempDir()
	s := mustOpen(t, dir, Options{})
	r := record{at: day.Unix(), value: []byte("99")}
	err := s.db.Update(func(tx *bbolt.Tx) error {
		return tx.Bucket([]byte(meta)).Put([]byte(versionKey), encode(versionKey, r))
	})
	if err != nil {
		t.Fatal(err)
	}
	_ = s.db.Close()
	before, _ := os.ReadFile(filepath.Join(dir, fileName))
	_, err = Open(dir, Options{})
	if !errors.Is(err, ErrNewer) {
		t.Fatalf("got %v", err)
	}
	after, _ := os.ReadFile(filepath.Join(dir, fileName))
	if string(before) != string(after) {
		t.Error("the store was changed")
	}
}

func TestDamagedIsSetAside(t *testing.T) {
	for _, tc := range []struct{ name, content string }{
		{"text", "this is no store at all\n"},
		{"zeros", strings.Repeat("\x00", 32<<10)},
		{"one byte", "x"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			dir := t.TempDir()
			if err := os.WriteFile(filepath.Join(dir, fileName), []byte(tc.content), 0o600); err != nil {
				t.Fatal(err)
			}
			s := mustOpen(t, dir, Options{})
			if s.SetAside() == nil || !strings.Contains(s.SetAside().Error(), ".damaged-1") {
				t.Errorf("set aside: %v", s.SetAside())
			}
			kept, err := os.ReadFile(filepath.Join(dir, fileName+".damaged-1"))
			if err != nil || string(kept) != tc.content {
				t.Errorf("kept aside: %v", err)
			}
			s.Put(Work, "w", []byte("goes on"))
			if err := s.Sync(); err != nil {
				t.Error(err)
			}
		})
	}
}

// TestSetAsideAgain: each damaged store gets a name of its own; when all are taken the last gives way, and that is
// reported.
func TestSetAsideAgain(t *testing.T) {
	dir := t.TempDir()
	file := filepath.Join(dir, fileName)
	for i := range keepAside + 2 {
		if err := os.WriteFile(file, fmt.Append(nil, "damaged ", i), 0o600); err != nil {
			t.Fatal(err)
		}
		s := mustOpen(t, dir, Options{})
		want := fmt.Sprint(file, ".damaged-", min(i+1, keepAside))
		if a := s.SetAside(); a == nil || a.As != want || a.Over != (i >= keepAside) || strings.Contains(a.Error(), "over an earlier one") != a.Over {
			t.Errorf("%d: %+v: %v", i, a, a)
		}
		if kept, err := os.ReadFile(want); err != nil || string(kept) != fmt.Sprint("damaged ", i) {
			t.Errorf("%d: %q, %v", i, kept, err)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
}

// TestDamagedOnReadOnlyCard: an unreadable store that the card does not let be set aside is no reason not to start. Values are in memory
// until the card takes writes; then the file is set aside, unchanged, before a new one takes its place.
func TestDamagedOnReadOnlyCard(t *testing.T) {
	dir, locked := t.TempDir(), true
	file := filepath.Join(dir, fileName)
	const content = "this is no store at all\n"
	if err := os.WriteFile(file, []byte(content), 0o600); err != nil {
		t.Fatal(err)
	}
	s := mustOpen(t, dir, Options{Rename: func(from, to string) error {
		if locked {
			return &os.LinkError{Op: "rename", Old: from, New: to, Err: syscall.EROFS}
		}
		return os.Rename(from, to)
	}})
	s.Put(Devices, "a", []byte("heard"))
	if err := s.Sync(); !CardFails(err) {
		t.Errorf("a card that takes nothing: %v", err)
	}
	first := s.SetAside()
	if first == nil || !strings.Contains(first.Error(), "cannot be renamed yet") || first.As != "" || s.Stats().Failures < 2 || s.Stats().Pending == 0 {
		t.Errorf("%v; %+v", first, s.Stats())
	}
	if err := s.Sync(); !errors.Is(err, syscall.EROFS) || s.SetAside() != first {
		t.Errorf("told anew with nothing new: %v, %v", err, s.SetAside())
	}
	if got, err := os.ReadFile(file); err != nil || string(got) != content {
		t.Errorf("the file was changed: %q %v", got, err)
	}
	locked = false
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	if got, err := os.ReadFile(file + ".damaged-1"); err != nil || string(got) != content {
		t.Errorf("set aside: %q %v", got, err)
	}
	if a := s.SetAside(); a == first || a.File != file || a.As != file+".damaged-1" || a.Over {
		t.Errorf("set aside: %+v", a)
	}
	if s := mustOpen(t, dir, Options{}); s.SetAside() != nil || string(s.Get(Devices, "a")) != "heard" {
		t.Errorf("reads %q; %v", s.Get(Devices, "a"), s.SetAside())
	}
}

func TestInUse(t *testing.T) {
	dir := t.TempDir()
	mustOpen(t, dir, Options{})
	if _, err := Open(dir, Options{}); !errors.Is(err, errInUse) {
		t.Errorf("got %v", err)
	}
}

func TestRetention(t *testing.T) {
	now := day
	opt := Options{MaxAge: 24 * time.Hour, MaxBytes: 2000, Now: func() time.Time { return now }}
	s := mustOpen(t, t.TempDir(), opt)
	s.Put(Devices, "old", []byte("x"))
	s.Put(Baseline, "kept", []byte("x"))
	now = now.Add(25 * time.Hour)
	s.Put(Devices, "new", []byte("y"))
	for i := range 40 {
		s.Queue("hook", fmt.Appendf(nil, "%0100d", i))
	}
	if err := s.Sync(); err != nil {
		t.Fatal(err)
	}
	if s.Get(Devices, "old") != nil || s.Get(Devices, "new") == nil || s.Get(Baseline, "kept") == nil {
		t.Errorf("devices kept: %v", s.All(Devices))
	}
	waiting := s.Waiting("hook", 100)
	if len(waiting) == 0 || waiting[len(waiting)-1].ID != 40 {
		t.Fatalf("%d deliveries wait", len(waiting))
	}
	st := s.Stats()
	if st.Bytes > 2000 || st.Shed != uint64(1+40-len(waiting)) {
		t.Errorf("%+v with %d waiting", st, len(waiting))
	}
}

// TestUnsetClock: what was kept while the clock was in 1970 is not old when it jumps to the present.
func TestUnsetClock(t *testing.T) {
	now := time.Unix(300, 0)
	s := mustOpen(t, t.TempDir(), Options{MaxAge: time.Hour, Now: func() time.Time { return now }})
	s.Put(Devices, "a", []byte("x"))
	now = day
	if err := s.Sync(); err != nil || s.Get(Devices, "a") == nil {
		t.Errorf("dropped: %v", err)
	}
}

// TestNumbersAndName: a store keeps its name, and Skip leaves room for numbers that never reached the card.
func TestNumbersAndName(t *testing.T) {
	dir := t.TempDir()
	s := mustOpen(t, dir, Options{})
	id := s.ID()
	first := s.Queue("hub", []byte("a"))
	if err := s.Sync(); err != nil {
		t.Fatal(err)
	}
	lost := s.Queue("hub", []byte("told, and then the power went"))
	if err := s.db.Close(); err != nil {
		t.Fatal(err)
	}
	s = mustOpen(t, dir, Options{})
	if s.ID() != id || mustOpen(t, t.TempDir(), Options{}).ID() == id {
		t.Errorf("name %q, was %q", s.ID(), id)
	}
	s.Skip()
	if next := s.Queue("hub", []byte("b")); next <= lost {
		t.Errorf("number %d comes again after %d", next, lost)
	}
	if err := s.Sync(); err != nil {
		t.Fatal(err)
	}
	if w := s.Waiting("hub", 9); len(w) != 2 || w[0].ID != first {
		t.Errorf("waiting %+v", w)
	}
}
