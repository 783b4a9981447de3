//go:build unix

package store

import (
	"errors"
	"fmt"
	"maps"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
)

// later is a muster of version 3, whose second step gives every device a new key and drops what was entered by hand.
func later() Options {
	return Options{Now: fixed(day), version: 3, migrations: map[int]func(*Store) error{
		1: func(*Store) error { return nil },
		2: func(s *Store) error {
			old := s.values[Devices]
			for _, k := range slices.Sorted(maps.Keys(old)) {
				s.put(Devices, "n2k/"+k, append([]byte("new "), old[k].value...))
				s.drop(Devices, k)
			}
			for k := range s.values[Manual] {
				s.drop(Manual, k)
			}
			return nil
		},
	}}
}

// earlier begins a store of the present version and gives its bytes.
func earlier(t *testing.T, dir string) []byte {
	t.Helper()
	s := mustOpen(t, dir, Options{})
	for i := range 20 {
		s.Put(Devices, fmt.Sprint(i), fmt.Append(nil, "device ", i))
	}
	s.Put(Manual, "m1", []byte("plotter"))
	s.Queue("hook", []byte("not told yet"))
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	text, err := os.ReadFile(s.Path())
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// migrated holds the store to what the steps of later make of that of earlier.
func migrated(t *testing.T, s *Store) {
	t.Helper()
	if s.SetAside() != nil || len(s.All(Devices)) != 20 || string(s.Get(Devices, "n2k/7")) != "new device 7" || len(s.All(Manual)) != 0 || s.Unsent("hook") != 1 {
		t.Errorf("%v; devices %q, by hand %q, %d unsent", s.SetAside(), s.All(Devices), s.All(Manual), s.Unsent("hook"))
	}
}

// TestMigration: a store of an earlier version is brought to the present one on the way in, step by step, and once.
func TestMigration(t *testing.T) {
	dir := t.TempDir()
	earlier(t, dir)
	for range 2 {
		s := mustOpen(t, dir, later())
		migrated(t, s)
		if got := string(s.values[meta][versionKey].value); got != "3" {
			t.Errorf("version %s", got)
		}
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
	}
	if _, err := Open(dir, Options{}); !errors.Is(err, ErrNewer) {
		t.Errorf("the earlier muster then: %v", err)
	}
}

// TestMigrationRefused: a step that fails, or that this muster no longer has, is one line, and the store is as it
// was.
func TestMigrationRefused(t *testing.T) {
	for want, step := range map[string]func(*Store) error{
		"bring version 2 to 3: value \"x\" makes no sense":                                                                func(*Store) error { return errors.New(`value "x" makes no sense`) },
		"version 2 is older than this muster can read: start the muster between once, or give this one another state_dir": nil,
	} {
		dir := t.TempDir()
		before := earlier(t, dir)
		opt := later()
		opt.migrations[2] = step
		_, err := Open(dir, opt)
		if err == nil || err.Error() != "open store "+filepath.Join(dir, fileName)+": "+want {
			t.Errorf("got %v", err)
		}
		unchanged(t, dir, before)
	}
}

// unchanged holds the directory to the one file with these bytes.
func unchanged(t *testing.T, dir string, before []byte) {
	t.Helper()
	after, err := os.ReadFile(filepath.Join(dir, fileName))
	if err != nil || string(after) != string(before) {
		t.Errorf("the store was changed: %v", err)
	}
	if files, _ := os.ReadDir(dir); len(files) != 1 {
		t.Errorf("files: %v", files)
	}
}

// TestMigrationOnFullCard: on a card that takes nothing the store is migrated in memory, and on the card when it takes writes again.
func TestMigrationOnFullCard(t *testing.T) {
	dir, full := t.TempDir(), true
	before := earlier(t, dir)
	opt := later()
	opt.Rename = func(from, to string) error {
		if full {
			return &os.LinkError{Op: "rename", Old: from, New: to, Err: syscall.ENOSPC}
		}
		return os.Rename(from, to)
	}
	s, err := Open(dir, opt)
	if err != nil {
		t.Fatal(err)
	}
	migrated(t, s)
	if err := s.Sync(); !CardFails(err) {
		t.Errorf("a full card: %v", err)
	}
	unchanged(t, dir, before)
	full = false
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	migrated(t, mustOpen(t, dir, later()))
}

// dieMigrating ends its own process at a point of the migration, as a power cut does.
func dieMigrating(dir, point string) int {
	die := func(at string) {
		if at == point {
			_ = syscall.Kill(os.Getpid(), syscall.SIGKILL)
		}
	}
	opt := later()
	second := opt.migrations[2]
	opt.migrations[2] = func(s *Store) error {
		die("before the step")
		err := second(s)
		die("after the step")
		return err
	}
	opt.Rename = func(from, to string) error {
		die("written")
		err := os.Rename(from, to)
		die("in place")
		return err
	}
	_, err := Open(dir, opt)
	fmt.Println("it lives", err)
	return 1
}

// TestKilledMigrating kills a process at each point of a migration: the card holds the store of before it or of after it.
func TestKilledMigrating(t *testing.T) {
	for _, point := range []string{"before the step", "after the step", "written", "in place"} {
		t.Run(point, func(t *testing.T) {
			dir := t.TempDir()
			earlier(t, dir)
			cmd := exec.Command(os.Args[0])
			cmd.Env = append(os.Environ(), childKey+"="+dir, childKey+"_MIGRATES="+point)
			if out, err := cmd.CombinedOutput(); err == nil || !strings.Contains(err.Error(), "killed") {
				t.Fatalf("%v: %s", err, out)
			}
			if point != "in place" { // an earlier muster still reads it
				s := mustOpen(t, dir, Options{})
				if s.SetAside() != nil || string(s.Get(Devices, "7")) != "device 7" || len(s.All(Manual)) != 1 {
					t.Errorf("%v; %q", s.SetAside(), s.All(Devices))
				}
				if err := s.Close(); err != nil {
					t.Fatal(err)
				}
			}
			migrated(t, mustOpen(t, dir, later()))
		})
	}
}
