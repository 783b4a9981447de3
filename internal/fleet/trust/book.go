package trust

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"muster/internal/fleet"
	"muster/internal/input"
)

// Enrolment is one enrolled boat.
type Enrolment struct {
	Boat     string    `json:"boat"`
	Marina   string    `json:"marina,omitempty"`
	Key      string    `json:"key"` // public key of its boat computer
	Enrolled time.Time `json:"enrolled"`
	Revoked  time.Time `json:"revoked,omitzero"`
	Why      string    `json:"why,omitempty"` // why it was revoked, where that is known
}

// book is the list of boats as it is kept.
type book struct {
	Revision uint64               `json:"revision"` // grows with every change
	Boats    []Enrolment          `json:"boats"`    // by id
	Lost     map[string]time.Time `json:"lost"`     // keys that are no longer trusted
	Codes    []Code               `json:"codes,omitempty"`
}

// Errors that separate a wish that cannot be met from a failure.
var (
	ErrUnknown = errors.New("no such boat is enrolled")
	ErrRevoked = errors.New("revoked already")
)

func (t *Trust) read() (*book, error) {
	b := &book{Lost: map[string]time.Time{}}
	name := filepath.Join(t.dir, bookFile)
	data, err := os.ReadFile(name)
	if errors.Is(err, fs.ErrNotExist) {
		return b, nil
	}
	if err == nil {
		err = input.OpenJSON(context.Background(), "", data, b)
	}
	if err != nil {
		return nil, fmt.Errorf("read the list of boats %q: %w", name, err)
	}
	return b, nil
}

// change edits the list under the lock.
func (t *Trust) change(edit func(*book) error) error {
	unlock, err := t.lock()
	if err != nil {
		return err
	}
	defer unlock()
	b, err := t.read()
	if err != nil {
		return err
	}
	if err := edit(b); err != nil {
		return err
	}
	b.Revision++
	data, err := json.MarshalIndent(b, "", "  ")
	if err == nil {
		err = input.WriteFile(filepath.Join(t.dir, bookFile), append(data, '\n'), 0o600)
	}
	if err != nil {
		return fmt.Errorf("write the list of boats: %w", err)
	}
	return nil
}

// lockStale is when a lock was left behind by a program that died; a lock is held for no more than moments.
const lockStale = 30 * time.Second

// lock keeps two programs from changing the list at one time.
func (t *Trust) lock() (unlock func(), err error) {
	name := filepath.Join(t.dir, lockFile)
	for end := time.Now().Add(10 * time.Second); ; time.Sleep(20 * time.Millisecond) {
		f, err := os.OpenFile(name, os.O_CREATE|os.O_EXCL|os.O_WRONLY, 0o600)
		if err == nil {
			_ = f.Close()
			return func() { _ = os.Remove(name) }, nil
		}
		if !errors.Is(err, fs.ErrExist) {
			return nil, fmt.Errorf("lock the list of boats: %w", err)
		}
		if fi, err := os.Stat(name); err == nil && time.Since(fi.ModTime()) > lockStale {
			_ = os.Remove(name)
			continue
		}
		if time.Now().After(end) {
			return nil, fmt.Errorf("lock the list of boats: %q is held by another muster-hub; try again", name)
		}
	}
}

// Enroll enrols a boat and returns its credentials, which are kept nowhere else. Earlier ones stop working.
func (t *Trust) Enroll(boat string, now time.Time) (creds []byte, err error) {
	if err := fleet.CheckBoatID(boat); err != nil {
		return nil, err
	}
	key, creds, err := user(t.boats, boat, only(boat))
	if err != nil {
		return nil, err
	}
	if err := t.change(func(b *book) error { b.admit(boat, key, "", now); return nil }); err != nil {
		return nil, err
	}
	return creds, nil
}

// admit enrols a boat with the key of its boat computer. It stays in its marina unless another is given.
func (b *book) admit(boat, key, marina string, now time.Time) {
	e := Enrolment{Boat: boat, Marina: marina, Key: key, Enrolled: now.UTC().Truncate(time.Second)}
	i, known := b.find(boat)
	if !known {
		b.Boats = slices.Insert(b.Boats, i, e)
		return
	}
	b.distrust(&b.Boats[i], now)
	e.Marina = cmp.Or(marina, b.Boats[i].Marina)
	b.Boats[i] = e
}

// Place notes the marina of an enrolled boat.
func (t *Trust) Place(boat, marina string) error {
	return t.change(func(b *book) error {
		i, known := b.find(boat)
		if !known {
			return fmt.Errorf("marina of %q: %w", boat, ErrUnknown)
		}
		b.Boats[i].Marina = marina
		return nil
	})
}

// Revoke shuts a boat out.
func (t *Trust) Revoke(boat, why string, now time.Time) error {
	return t.change(func(b *book) error {
		i, known := b.find(boat)
		if !known {
			return fmt.Errorf("revoke %q: %w", boat, ErrUnknown)
		}
		if r := b.Boats[i].Revoked; !r.IsZero() {
			return fmt.Errorf("revoke %q: %w, on %s", boat, ErrRevoked, r.Format(time.RFC3339))
		}
		b.distrust(&b.Boats[i], now)
		b.Boats[i].Revoked, b.Boats[i].Why = now.UTC().Truncate(time.Second), why
		return nil
	})
}

// Boats lists the boats by id, and the revision of the list.
func (t *Trust) Boats() ([]Enrolment, uint64, error) {
	b, err := t.read()
	if err != nil {
		return nil, 0, err
	}
	return b.Boats, b.Revision, nil
}

func (b *book) find(boat string) (int, bool) {
	return slices.BinarySearchFunc(b.Boats, boat, func(e Enrolment, id string) int { return strings.Compare(e.Boat, id) })
}

// distrust ends the validity of a boat computer's key. The server compares the moment with that of the signature, so
// a clock that went back must not save the key.
func (b *book) distrust(e *Enrolment, now time.Time) {
	if now.Before(e.Enrolled) {
		now = e.Enrolled
	}
	b.Lost[e.Key] = now.UTC().Add(time.Second)
}
