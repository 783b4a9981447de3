// Package store keeps on the boat's card what must survive a power cut.
package store

import (
	"bytes"
	"cmp"
	"crypto/rand"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"time"

	"go.etcd.io/bbolt"
)

// Kind names one family of values.
type Kind string

// The kinds of value. Values of devices and deliveries have an age; the others stay until they are deleted.
const (
	Devices    Kind = "devices"    // what is known of the past of each device
	Alerts     Kind = "alerts"     // alerts and silences
	Baseline   Kind = "baseline"   // the snapshot that the boat is compared with
	Work       Kind = "work"       // the work order being followed, and the one before it
	Manual     Kind = "manual"     // devices entered by hand
	Deliveries Kind = "deliveries" // what is still to be delivered
	Trends     Kind = "trends"     // points of the trends, which replace the oldest
	meta       Kind = "meta"
)

var kinds = []Kind{Devices, Alerts, Baseline, Work, Manual, Deliveries, Trends, meta}

// Version is the version of the file's shape.
const Version = 1

// fileName is the store's file in its directory.
const fileName = "muster.db"

// ErrNewer means that a later version of muster wrote the store. The file is left as it is.
var ErrNewer = errors.New("written by a newer muster")

// Options bound a Store. The zero value of a field means its default.
type Options struct {
	MaxAge   time.Duration // of devices not received and deliveries not made; default two years
	MaxBytes int           // of all values together; default 16 MiB
	Now      func() time.Time

	Rename func(from, to string) error // os.Rename when nil; tests have a card that does not take it

	version    int                        // of the file's shape; Version but in tests
	migrations map[int]func(*Store) error // migrations but in tests
}

// Store holds every value in memory, and on the card as of the latest Sync. It is safe for use from several goroutines.
type Store struct {
	opt    Options
	path   string
	db     *bbolt.DB  // nil for a store in memory, and while the card takes none
	shape  int        // version of the file that was read; 0 for none
	writes sync.Mutex // one Sync at a time; taken before batch
	batch  sync.Mutex // no Sync begins amid a batch; taken before mu

	mu       sync.Mutex
	values   map[Kind]map[string]record
	dirty    map[Kind]map[string]bool
	writing  int    // values that a write under way takes, no longer among dirty
	size     int    // bytes of all values and keys
	next     uint64 // the latest delivery's number
	offered  uint64 // deliveries up to this one have been through a Sync
	stats    Stats
	setAside *Aside

	unreadable *damaged // a file that is still to be set aside; taken with writes, or before the Store is shared
}

// Stats are what a Store counts.
type Stats struct {
	Bytes    int    // of all values and keys
	Written  uint64 // bytes written to the card since Open, whole pages
	Syncs    uint64 // transactions written
	Failures uint64 // transactions that the card did not take
	Shed     uint64 // values dropped for their age or for lack of room
	Pending  int    // values not yet written
}

// Open reads the store in dir, or begins one. A store that cannot be read is set aside, as soon as the card allows
// it, and a new one begun: see SetAside. A store of a newer version is refused with ErrNewer and left as it is.
// Without a dir the values are kept in memory alone; with one on a card that is full or takes no writes they are
// until it does: each Sync tries again, and reports what is wrong.
func Open(dir string, opt Options) (*Store, error) {
	opt.MaxAge = cmp.Or(opt.MaxAge, 2*365*24*time.Hour)
	opt.MaxBytes = cmp.Or(opt.MaxBytes, 16<<20)
	if opt.Now == nil {
		opt.Now = time.Now
	}
	if opt.Rename == nil {
		opt.Rename = os.Rename
	}
	if opt.version == 0 {
		opt.version, opt.migrations = Version, migrations
	}
	s := &Store{opt: opt, path: filepath.Join(dir, fileName), dirty: map[Kind]map[string]bool{}}
	s.forget()
	for _, k := range kinds {
		s.dirty[k] = map[string]bool{}
	}
	if dir == "" {
		s.path = ""
		return s, nil
	}
	if err := os.MkdirAll(dir, 0o750); err != nil && !CardFails(err) {
		return nil, fmt.Errorf("open store: %w", err)
	}
	var err error
	s.shape, err = s.load()
	switch {
	case errors.As(err, &s.unreadable):
		if s.shape == 0 {
			s.forget()
		}
	case err != nil:
		return nil, err
	}
	if err := s.begin(); err != nil {
		return nil, err
	}
	if s.unreadable != nil && s.shape > 0 {
		s.salvage()
	}
	if err := s.attach(); err != nil && !CardFails(err) {
		return nil, err
	}
	return s, nil
}

// Aside is a store that could not be read. It is not changed any longer.
type Aside struct {
	File string // where it was, and the new one is
	As   string // what it is called now; empty while the card does not let it be renamed
	Over bool   // an earlier one had that name and was overwritten
	Kept int    // values of it that could be read and are in the new one
	Lost string // what could not be read, as numbers of each kind, as far as known
	Why  error  // what is wrong with it
	Card error  // why it could not be renamed yet
}

// Error describes in one line what became of the file.
func (a *Aside) Error() string {
	if a.As == "" {
		return fmt.Sprintf("store %s cannot be read, and cannot be renamed yet: %v; new data is kept in memory: %v", a.File, a.Card, a.Why)
	}
	over, with := "", ""
	if a.Kept > 0 {
		with = fmt.Sprintf(" with the %d values that could be read", a.Kept)
	}
	if a.Lost != "" {
		with += "; lost: " + a.Lost
	}
	if a.Over {
		over = ", over an earlier one"
	}
	return fmt.Sprintf("store %s cannot be read and was renamed to %s%s; a new one is begun%s: %v", a.File, a.As, over, with, a.Why)
}

// Unwrap gives what is wrong with the file and with the card.
func (a *Aside) Unwrap() []error { return []error{a.Why, a.Card} }

// SetAside is which unreadable store was set aside, or will be when the card allows it, and why; nil when there was
// none. It is the same value until that changes.
func (s *Store) SetAside() *Aside {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.setAside
}

// ID names this store and no other: a new one has a new name. It is on the card after the next Sync.
func (s *Store) ID() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	id := s.values[meta][idKey].value
	if id == nil {
		id = []byte(NewID())
		s.put(meta, idKey, id)
	}
	return string(id)
}

// NewID is a name that nothing else has.
func NewID() string { return strings.ToLower(rand.Text()[:10]) }

// Path is the store's file, "" for one in memory.
func (s *Store) Path() string { return s.path }

// Get returns a value, which the caller must not change; nil when there is none.
func (s *Store) Get(kind Kind, key string) []byte {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.values[kind][key].value
}

// All returns every value of a kind by key. The values must not be changed.
func (s *Store) All(kind Kind) map[string][]byte {
	s.mu.Lock()
	defer s.mu.Unlock()
	all := make(map[string][]byte, len(s.values[kind]))
	for k, r := range s.values[kind] {
		all[k] = r.value
	}
	return all
}

// Put sets a value, which the store keeps. It is on the card after the next Sync. A value that is there already costs nothing.
func (s *Store) Put(kind Kind, key string, value []byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.put(kind, key, value)
}

func (s *Store) put(kind Kind, key string, value []byte) {
	old, exists := s.values[kind][key]
	if exists && bytes.Equal(old.value, value) {
		return
	}
	s.grow(kind, len(value)-len(old.value))
	if !exists {
		s.grow(kind, len(key))
	}
	s.values[kind][key] = record{at: s.opt.Now().Unix(), value: value}
	s.dirty[kind][key] = true
}

// grow counts bytes of values and keys, but for those that the store keeps for itself.
func (s *Store) grow(kind Kind, by int) {
	if kind != meta {
		s.size += by
	}
}

// Delete drops a value.
func (s *Store) Delete(kind Kind, key string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.drop(kind, key)
}

func (s *Store) drop(kind Kind, key string) {
	old, exists := s.values[kind][key]
	if !exists {
		return
	}
	s.grow(kind, -len(old.value)-len(key))
	delete(s.values[kind], key)
	s.dirty[kind][key] = true
}

// Replace makes values all that there is of a kind.
func (s *Store) Replace(kind Kind, values map[string][]byte) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for k := range s.values[kind] {
		if _, stays := values[k]; !stays {
			s.drop(kind, k)
		}
	}
	for k, v := range values {
		s.put(kind, k, v)
	}
}

// Together lets do set and delete several values that one transaction writes: all of them survive a power cut, or none.
func (s *Store) Together(do func()) {
	s.batch.Lock()
	defer s.batch.Unlock()
	do()
}

// Sync writes what changed in one transaction. What was set before it is on the card when it returns nil; after an error
// nothing of it is, and the next Sync tries again.
func (s *Store) Sync() error {
	s.writes.Lock()
	defer s.writes.Unlock()
	var late error
	if s.db == nil && s.path != "" {
		late = s.attach()
	}
	s.batch.Lock()
	s.mu.Lock()
	s.trim()
	if slices.ContainsFunc(kinds, func(k Kind) bool { return len(s.dirty[k]) > 0 }) {
		s.seal()
	}
	if late != nil {
		next := s.next
		s.mu.Unlock()
		s.batch.Unlock()
		s.offer(next)
		return late
	}
	type change struct {
		kind   Kind
		key    string
		record record
		exists bool
	}
	var changes []change
	for _, kind := range kinds {
		for _, key := range slices.Sorted(maps.Keys(s.dirty[kind])) {
			r, exists := s.values[kind][key]
			changes = append(changes, change{kind, key, r, exists})
		}
		s.dirty[kind] = map[string]bool{}
	}
	next := s.next
	s.writing = len(changes)
	s.mu.Unlock()
	s.batch.Unlock()
	defer s.offer(next)
	if len(changes) == 0 || s.db == nil {
		return nil
	}
	err := s.update(func(tx *bbolt.Tx) error {
		for _, c := range changes {
			b := tx.Bucket([]byte(c.kind))
			var err error
			if c.exists {
				err = b.Put([]byte(c.key), encode(c.key, c.record))
			} else {
				err = b.Delete([]byte(c.key))
			}
			if err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		s.mu.Lock()
		for _, c := range changes {
			s.dirty[c.kind][c.key] = true
		}
		s.writing = 0
		s.mu.Unlock()
		return fmt.Errorf("write store %s: %w", s.path, err)
	}
	return nil
}

// offer lets deliveries be made: after a Sync, or when it failed, for what cannot be kept is still to be sent.
func (s *Store) offer(next uint64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.offered, s.writing = max(s.offered, next), 0
}

// Close writes what changed and closes the file.
func (s *Store) Close() error {
	err := s.Sync()
	if s.db != nil {
		err = errors.Join(err, s.db.Close())
	}
	return err
}

// Stats counts what was done since Open.
func (s *Store) Stats() Stats {
	s.mu.Lock()
	defer s.mu.Unlock()
	st := s.stats
	st.Bytes, st.Pending = s.size, s.writing
	for _, d := range s.dirty {
		st.Pending += len(d)
	}
	return st
}
