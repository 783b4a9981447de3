package api

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"sync"
	"syscall"

	"muster/internal/alert"
	"muster/internal/event"
	"muster/internal/input"
	"muster/internal/report"
	"muster/internal/snapshot"
	"muster/internal/store"
)

// Bounds of a shelf: without a folder the oldest snapshot is dropped, in a folder none is ever deleted.
const (
	shelfInMemory = 20
	shelfInFolder = 1000
	snapshotBytes = 16 << 20
)

// shelf keeps snapshots, in a folder when there is one.
type shelf struct {
	mu   sync.Mutex
	dir  string // empty: memory only
	list []Kept // oldest first
	held map[string]*snapshot.Snapshot
}

// Kept describes a kept snapshot.
type Kept struct {
	ID       string     `json:"id"`
	TakenAt  event.Time `json:"taken_at,omitzero"`
	Boat     string     `json:"boat,omitempty"`
	Devices  int        `json:"devices"`
	Alerts   int        `json:"alerts" doc:"Alerts that had not cleared."`
	Complete bool       `json:"complete" doc:"Every online device was identified, or failed to answer."`
	SHA256   string     `json:"sha256"`
}

var snapshotID = regexp.MustCompile(`^[0-9]{8}T[0-9]{6}Z-[0-9a-f]{12}$`)

// openShelf reads the folder; skipped is what was wrong with files that are not snapshots.
func openShelf(dir string) (s *shelf, skipped error, err error) {
	s = &shelf{dir: dir, held: map[string]*snapshot.Snapshot{}}
	if dir == "" {
		return s, nil, nil
	}
	if skipped = os.MkdirAll(dir, 0o750); skipped != nil && !store.CardFails(skipped) {
		return nil, nil, fmt.Errorf("api: snapshots: %w", skipped)
	}
	entries, err := os.ReadDir(dir)
	switch {
	case skipped != nil && errors.Is(err, fs.ErrNotExist): // none can be kept until there is room
		return s, skipped, nil
	case err != nil:
		return nil, nil, fmt.Errorf("api: snapshots: %w", err)
	}
	var errs []error
	for _, e := range entries {
		id, ok := strings.CutSuffix(e.Name(), ".json")
		if !ok || !snapshotID.MatchString(id) || len(s.list) >= shelfInFolder {
			continue
		}
		snap, err := s.read(id)
		if err != nil {
			errs = append(errs, err)
			continue
		}
		s.list = append(s.list, about(id, snap))
	}
	s.sort()
	return s, errors.Join(errs...), nil
}

func (s *shelf) sort() {
	slices.SortFunc(s.list, func(a, b Kept) int { return cmp.Or(cmp.Compare(a.TakenAt, b.TakenAt), cmp.Compare(a.ID, b.ID)) })
}

func about(id string, s *snapshot.Snapshot) Kept {
	k := Kept{ID: id, TakenAt: s.TakenAt(), Boat: cmp.Or(s.Report.Boat.Name, s.Report.Boat.ID), Complete: s.Complete,
		Devices: len(s.Report.Aboard())}
	for i := range s.Report.Alerts {
		if s.Report.Alerts[i].State != alert.StatusCleared {
			k.Alerts++
		}
	}
	if s.Seal != nil {
		k.SHA256 = s.Seal.SHA256
	}
	return k
}

// idOf is the id of a sealed snapshot: its time and the beginning of its digest.
func idOf(s *snapshot.Snapshot) string {
	return s.TakenAt().UTC().Format("20060102T150405Z") + "-" + s.Seal.SHA256[:12]
}

// take seals a snapshot of the report and keeps it. The same report gives the same snapshot.
func (s *shelf) take(r *report.Report, program string) (Kept, error) {
	if r == nil || r.TakenAt.IsZero() {
		return Kept{}, errors.New("no traffic received yet: wait for traffic, then take the snapshot")
	}
	snap := snapshot.New(r)
	snap.Program = program
	if err := snap.Close(nil); err != nil {
		return Kept{}, err
	}
	id := idOf(snap)
	s.mu.Lock()
	defer s.mu.Unlock()
	if i := s.index(id); i >= 0 {
		return s.list[i], nil
	}
	if s.dir != "" {
		if len(s.list) >= shelfInFolder {
			return Kept{}, fmt.Errorf("take snapshot: %w: move old ones out of %s", ErrFull, s.dir)
		}
		if err := s.write(id, snap); err != nil {
			return Kept{}, fmt.Errorf("take snapshot: %w", err)
		}
	} else {
		s.held[id] = snap
		if len(s.list) >= shelfInMemory {
			delete(s.held, s.list[0].ID)
			s.list = slices.Delete(s.list, 0, 1)
		}
	}
	k := about(id, snap)
	s.list = append(s.list, k)
	s.sort()
	return k, nil
}

// write puts the whole file in place or none.
func (s *shelf) write(id string, snap *snapshot.Snapshot) error {
	text, err := snap.Encode()
	if err != nil {
		return err
	}
	if err := os.MkdirAll(s.dir, 0o750); err != nil { // there may have been no room for it at the start
		return err
	}
	return input.WriteFile(s.path(id), text, 0o600)
}

// MakeRoom is the way out when NoRoom.
const MakeRoom = "free disk space, and try again"

// NoRoom reports whether the card or disk is full.
func NoRoom(err error) bool { return errors.Is(err, syscall.ENOSPC) }

func (s *shelf) path(id string) string { return filepath.Join(s.dir, id+".json") }

func (s *shelf) read(id string) (*snapshot.Snapshot, error) {
	info, err := os.Stat(s.path(id))
	if err != nil {
		return nil, err
	}
	if info.Size() > snapshotBytes {
		return nil, fmt.Errorf("snapshot %s: %d bytes, the limit is %d", s.path(id), info.Size(), snapshotBytes)
	}
	text, err := os.ReadFile(s.path(id))
	if err != nil {
		return nil, err
	}
	snap, err := snapshot.Decode(text)
	if err != nil {
		return nil, fmt.Errorf("%s: %w", s.path(id), err)
	}
	return snap, nil
}

func (s *shelf) index(id string) int {
	return slices.IndexFunc(s.list, func(k Kept) bool { return k.ID == id })
}

// get finds a snapshot; ErrNoSuch when none has the id.
func (s *shelf) get(id string) (*snapshot.Snapshot, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !snapshotID.MatchString(id) || s.index(id) < 0 {
		return nil, fmt.Errorf("snapshot %q: %w", id, ErrNoSuch)
	}
	if s.dir == "" {
		return s.held[id], nil
	}
	snap, err := s.read(id)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, fmt.Errorf("snapshot %q: %w", id, ErrNoSuch)
	}
	return snap, err
}

// kept lists the snapshots, latest first.
func (s *shelf) kept() []Kept {
	s.mu.Lock()
	defer s.mu.Unlock()
	list := append([]Kept{}, s.list...)
	slices.Reverse(list)
	return list
}
