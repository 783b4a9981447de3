package store

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io/fs"
	"maps"
	"os"
	"path/filepath"
	"runtime/debug"
	"slices"
	"strconv"
	"syscall"
	"time"

	"go.etcd.io/bbolt"
	bolterrors "go.etcd.io/bbolt/errors"
)

// record is one value with the second in which it was set.
type record struct {
	at    int64
	value []byte
}

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// header is what precedes each value: a checksum over key, time and value, and the time.
const header = 4 + 8

// encode writes a record so that decode sees any damage to it or to its key; the file format itself guards neither.
func encode(key string, r record) []byte {
	b := make([]byte, header, header+len(r.value))
	binary.BigEndian.PutUint64(b[4:], uint64(r.at))
	b = append(b, r.value...)
	binary.BigEndian.PutUint32(b, sum(key, b[4:]))
	return b
}

func sum(key string, rest []byte) uint32 {
	return crc32.Update(crc32.Checksum([]byte(key), castagnoli), castagnoli, rest)
}

func decode(key string, b []byte) (record, error) {
	if len(b) < header || binary.BigEndian.Uint32(b) != sum(key, b[4:]) {
		return record{}, fmt.Errorf("value %q is damaged", key)
	}
	return record{at: int64(binary.BigEndian.Uint64(b[4:])), value: append([]byte(nil), b[header:]...)}, nil
}

// damaged is a store that cannot be read, or not all of it, as opposed to one that cannot be reached.
type damaged struct {
	why  error
	kept int    // values that could be read
	lost string // what is missing, as far as known
}

func (d *damaged) Error() string { return d.why.Error() }
func (d *damaged) Unwrap() error { return d.why }

// lockWait is how long another process may hold the file.
const lockWait = 2 * time.Second

var errInUse = errors.New("another muster has it open: stop that one, or give this one a state_dir of its own")

// open opens the file, turning what the library throws at a damaged one into an error.
func open(path string, readOnly bool) (db *bbolt.DB, err error) {
	defer caught(&err)
	db, err = bbolt.Open(path, 0o600, &bbolt.Options{Timeout: lockWait, ReadOnly: readOnly})
	if errors.Is(err, bolterrors.ErrTimeout) {
		err = errInUse
	}
	return db, err
}

// caught is deferred around calls into the library.
func caught(err *error) {
	if r := recover(); r != nil {
		*err = &damaged{why: fmt.Errorf("the file is damaged: %v", r)}
	}
}

// load reads the whole file without changing it, and returns the version of its shape: 0 for no file. Of a damaged file it reads what it can;
// the version is 0 when that is nothing.
func (s *Store) load() (version int, err error) {
	info, err := os.Stat(s.path)
	if errors.Is(err, fs.ErrNotExist) || err == nil && info.Size() == 0 {
		return 0, nil
	}
	if err != nil {
		return 0, fmt.Errorf("open store: %w", err)
	}
	// A page that lies beyond the end of a cut-off file is a fault in memory that is mapped to it.
	defer debug.SetPanicOnFault(debug.SetPanicOnFault(true))
	db, err := open(s.path, true)
	if err != nil {
		var path *fs.PathError
		if errors.As(err, &path) || errors.Is(err, errInUse) {
			return 0, fmt.Errorf("open store %s: %w", s.path, err)
		}
		return 0, &damaged{why: err}
	}
	defer db.Close()
	version, err = s.read(db, info.Size())
	var d *damaged
	if err != nil && !errors.Is(err, ErrNewer) && !errors.As(err, &d) {
		err = &damaged{why: err}
	}
	return version, err
}

func (s *Store) read(db *bbolt.DB, size int64) (version int, err error) {
	defer caught(&err)
	tx, err := db.Begin(false)
	if err != nil {
		return 0, err
	}
	defer tx.Rollback()
	b := tx.Bucket([]byte(meta))
	if b == nil {
		return 0, errors.New("this is not a store of muster, or its beginning is damaged") // a new one gets its name when it is whole
	}
	if version, err = versionOf(b); err != nil {
		return 0, err
	}
	if version > s.opt.version {
		return 0, fmt.Errorf("store %s: version %d: %w; this one reads %d: update muster, or give it another state_dir", s.path, version, ErrNewer, s.opt.version)
	}
	var fault error
	for _, kind := range kinds {
		fault = firstOf(fault, s.readKind(tx, kind))
	}
	switch {
	case tx.Size() > size:
		fault = fmt.Errorf("the file is cut off: %d of %d bytes", size, tx.Size())
	case fault == nil && string(s.values[meta][totalKey].value) != s.total():
		fault = errors.New("the file is damaged: values are missing")
	}
	return version, fault
}

// total is a checksum over all values but those of meta, whatever their order, with their number: the file's own tree could lose
// some without a trace.
func (s *Store) total() string {
	n, x := 0, uint32(0)
	for _, kind := range kinds {
		if kind == meta {
			continue
		}
		for key, r := range s.values[kind] {
			n++
			x ^= sum(string(kind)+key, encode(key, r))
		}
	}
	return fmt.Sprintf("%d %08x", n, x)
}

// seal notes what there is, so that a later reading knows what it misses.
func (s *Store) seal() {
	s.put(meta, countsKey, []byte(s.counts()))
	s.put(meta, totalKey, []byte(s.total()))
}

const (
	versionKey = "version"
	totalKey   = "total"
	countsKey  = "counts"
	nextKey    = "next"
	idKey      = "id"
)

func versionOf(b *bbolt.Bucket) (int, error) {
	r, err := decode(versionKey, b.Get([]byte(versionKey)))
	if err != nil {
		return 0, err
	}
	v, err := strconv.Atoi(string(r.value))
	if err != nil || v < 1 {
		return 0, fmt.Errorf("version %q makes no sense", r.value)
	}
	return v, nil
}

// keepAside is how many unreadable stores are kept beside the present one.
const keepAside = 9

// forget drops what was read.
func (s *Store) forget() {
	s.values, s.size, s.shape = map[Kind]map[string]record{}, 0, 0
	for _, k := range kinds {
		s.values[k] = map[string]record{}
	}
}

func (s *Store) asideNow() *Aside {
	return &Aside{File: s.path, Kept: s.unreadable.kept, Lost: s.unreadable.lost, Why: s.unreadable}
}

// putAside renames a file that cannot be read.
func (s *Store) putAside() error {
	if s.unreadable == nil {
		return nil
	}
	aside := s.asideNow()
	for n := 1; n <= keepAside; n++ {
		aside.As = s.path + ".damaged-" + strconv.Itoa(n)
		_, err := os.Lstat(aside.As)
		if aside.Over = !errors.Is(err, fs.ErrNotExist); !aside.Over {
			break
		}
	}
	err := s.opt.Rename(s.path, aside.As)
	s.mu.Lock()
	defer s.mu.Unlock()
	if err != nil {
		s.stats.Failures++
		if s.setAside == nil {
			s.setAside = s.asideNow()
			s.setAside.Card = err
		}
		return fmt.Errorf("rename the unreadable store: %w", err)
	}
	s.setAside, s.unreadable = aside, nil
	return nil
}

// migrations lead from the version of their index to the next. They change the values that were read; the file they came from
// stays as it is until all of them are written.
var migrations = map[int]func(*Store) error{}

// begin brings what was read to the present version.
func (s *Store) begin() error {
	if n := s.values[meta][nextKey].value; n != nil {
		v, err := strconv.ParseUint(string(n), 10, 64)
		if err != nil {
			return fmt.Errorf("open store %s: the number of the next delivery: %w", s.path, err)
		}
		s.next, s.offered = v, v
	}
	for v := s.shape; v > 0 && v < s.opt.version; v++ {
		migrate := s.opt.migrations[v]
		if migrate == nil {
			return fmt.Errorf("open store %s: version %d is older than this muster can read: start the muster between once, or give this one another state_dir", s.path, v)
		}
		if err := migrate(s); err != nil {
			return fmt.Errorf("open store %s: bring version %d to %d: %w", s.path, v, v+1, err)
		}
	}
	s.put(meta, versionKey, strconv.AppendInt(nil, int64(s.opt.version), 10))
	return nil
}

// attach opens the file for writing, with every value in it.
//
// What there is is written to a new file, which then replaces the old one. So no damage to the part of the old file
// that lists which pages are free, which nothing guards, can ever cost a value, and the file is no larger than it
// must be.
func (s *Store) attach() error {
	if err := s.putAside(); err != nil {
		return err
	}
	s.mu.Lock()
	s.seal()
	values, dirty := map[Kind]map[string]record{}, s.dirty
	s.dirty = map[Kind]map[string]bool{}
	for _, kind := range kinds {
		s.writing += len(dirty[kind])
		values[kind], s.dirty[kind] = maps.Clone(s.values[kind]), map[string]bool{}
	}
	s.mu.Unlock()
	err := s.writeAnew(values)
	s.mu.Lock()
	s.writing = 0
	if err == nil {
		s.mu.Unlock()
		return nil
	}
	for _, kind := range kinds {
		maps.Copy(s.dirty[kind], dirty[kind])
	}
	s.mu.Unlock()
	if s.shape == s.opt.version { // no room for a second file beside it: go on in the one there is
		var oerr error
		if s.db, oerr = open(s.path, false); oerr == nil {
			return nil
		}
	}
	s.mu.Lock()
	s.stats.Failures++
	s.mu.Unlock()
	return err
}

// CardFails reports whether an error is about a card that is full, takes no writes or fails, as opposed to a mistake in what was asked for.
func CardFails(err error) bool {
	var full *cardError
	return errors.As(err, &full) || slices.ContainsFunc([]error{syscall.ENOSPC, syscall.EDQUOT, syscall.EROFS, syscall.EIO, syscall.EFBIG},
		func(e error) bool { return errors.Is(err, e) })
}

// cardError is a write that failed after the file was opened, whose cause the library does not always hand on.
type cardError struct{ error }

func (e *cardError) Unwrap() error { return e.error }

func (s *Store) writeAnew(values map[Kind]map[string]record) (err error) {
	fresh := s.path + ".new"
	if err := os.MkdirAll(filepath.Dir(s.path), 0o750); err != nil {
		return fmt.Errorf("begin store: %w", err)
	}
	if err := os.Remove(fresh); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return fmt.Errorf("begin store: %w", err)
	}
	if s.db, err = open(fresh, false); err != nil {
		s.db = nil
		_ = os.Remove(fresh)
		return fmt.Errorf("begin store: %w", err)
	}
	err = s.update(func(tx *bbolt.Tx) error {
		for _, kind := range kinds {
			b, err := tx.CreateBucketIfNotExists([]byte(kind))
			if err != nil {
				return err
			}
			for _, key := range slices.Sorted(maps.Keys(values[kind])) {
				if err := b.Put([]byte(key), encode(key, values[kind][key])); err != nil {
					return err
				}
			}
		}
		return nil
	})
	if err == nil { // the other of the two pages by which the file is entered leads to the values too
		err = s.update(func(*bbolt.Tx) error { return nil })
	}
	if err == nil {
		err = s.opt.Rename(fresh, s.path)
	}
	if err == nil {
		err = syncDir(filepath.Dir(s.path))
	}
	if err != nil {
		err = &cardError{errors.Join(err, s.db.Close(), os.Remove(fresh))}
		s.db = nil
		return fmt.Errorf("begin store %s: %w", s.path, err)
	}
	return nil
}

// syncDir puts a renamed file's name on the card. Systems that cannot flush a directory do without.
func syncDir(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	_ = d.Sync()
	return d.Close()
}

// update runs a transaction and counts what it writes.
func (s *Store) update(f func(*bbolt.Tx) error) (err error) {
	before := s.db.Stats().TxStats
	func() {
		defer caught(&err)
		err = s.db.Update(f)
	}()
	after := s.db.Stats().TxStats
	s.mu.Lock()
	defer s.mu.Unlock()
	page := int64(s.db.Info().PageSize)
	s.stats.Written += uint64(after.GetPageAlloc() - before.GetPageAlloc() + page) // allocated pages are written, and one meta page
	if err != nil {
		s.stats.Failures++
		return err
	}
	s.stats.Syncs++
	return nil
}
