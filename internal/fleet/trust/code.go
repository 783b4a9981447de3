package trust

import (
	"crypto/rand"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/nats-io/nkeys"

	"muster/internal/fleet"
)

// Code lets one boat computer enrol itself as one boat, once. The code itself is shown once and not kept.
type Code struct {
	Boat    string    `json:"boat"`
	Marina  string    `json:"marina,omitempty"`
	Digest  string    `json:"digest"` // SHA-256 of the code
	Made    time.Time `json:"made"`
	Expires time.Time `json:"expires"`
	Used    time.Time `json:"used,omitzero"`
	Refused string    `json:"refused,omitempty"` // why it was refused last
	At      time.Time `json:"refused_at,omitzero"`
}

// Bounds of codes.
const (
	CodeLasts = 24 * time.Hour
	maxCodes  = 500
)

// Reasons why a code is refused.
var (
	ErrNoCode      = errors.New("the code is wrong: check each character, or ask the marina for a new one")
	ErrCodeUsed    = errors.New("the code was used before: ask the marina for a new one")
	ErrCodeExpired = errors.New("the code has expired: ask the marina for a new one")
	ErrOtherBoat   = errors.New("the code is for another boat")
)

// letters of a code: none that can be taken for another. Twelve of them are 58 bits.
const letters = "23456789ABCDEFGHJKMNPQRSTVWXYZ"

// digest is that of a code as people write it: with or without hyphens, in small letters too.
func digest(code string) string {
	code = strings.ToUpper(strings.NewReplacer("-", "", " ", "").Replace(code))
	sum := sha256.Sum256([]byte("muster join " + code))
	return hex.EncodeToString(sum[:])
}

// NewCode makes a code for a boat, which is valid for CodeLasts. An earlier one of the boat that was not used stops working.
func (t *Trust) NewCode(boat, marina string, now time.Time) (code string, c Code, err error) {
	if err := fleet.CheckBoatID(boat); err != nil {
		return "", Code{}, err
	}
	var text strings.Builder
	for text.Len() < 14 {
		var b [1]byte
		if _, err := rand.Read(b[:]); err != nil {
			return "", Code{}, fmt.Errorf("make a code: %w", err)
		}
		if int(b[0]) >= 256/len(letters)*len(letters) {
			continue // each letter is as likely as the others
		}
		text.WriteByte(letters[int(b[0])%len(letters)])
		if n := text.Len(); n == 4 || n == 9 {
			text.WriteByte('-')
		}
	}
	c = Code{Boat: boat, Marina: marina, Digest: digest(text.String()),
		Made: now.UTC(), Expires: now.UTC().Add(CodeLasts)}
	err = t.change(func(b *book) error {
		b.Codes = slices.DeleteFunc(b.Codes, func(o Code) bool { return o.Boat == boat && o.Used.IsZero() })
		b.Codes = append(b.Codes, c)
		b.Codes = b.Codes[max(0, len(b.Codes)-maxCodes):]
		return nil
	})
	return text.String(), c, err
}

// Codes lists the codes that were made, latest first.
func (t *Trust) Codes() ([]Code, error) {
	b, err := t.read()
	if err != nil {
		return nil, err
	}
	slices.Reverse(b.Codes)
	return b.Codes, nil
}

// Join enrols the boat of a code with the public key that its boat computer made, and returns the token that goes with it. boat is the id
// that the boat computer already has; empty for none. A refusal is noted with the code.
func (t *Trust) Join(code, boat, key string, now time.Time) (e Enrolment, token string, err error) {
	if !nkeys.IsValidPublicUserKey(key) {
		return Enrolment{}, "", errors.New("the key of the boat computer is not one of a user")
	}
	var refused error
	err = t.change(func(b *book) error {
		i := slices.IndexFunc(b.Codes, func(c Code) bool { return c.Digest == digest(code) })
		if i < 0 {
			return ErrNoCode
		}
		c := &b.Codes[i]
		switch {
		case !c.Used.IsZero():
			refused = ErrCodeUsed
		case now.After(c.Expires):
			refused = ErrCodeExpired
		case boat != "" && boat != c.Boat:
			refused = fmt.Errorf("%w: it is for %q, and boat.id is %q", ErrOtherBoat, c.Boat, boat)
		}
		if refused != nil {
			c.Refused, c.At = refused.Error(), now.UTC()
			return nil
		}
		if token, err = sign(t.boats, key, c.Boat, only(c.Boat)); err != nil {
			return err
		}
		c.Used = now.UTC()
		b.admit(c.Boat, key, c.Marina, now)
		k, _ := b.find(c.Boat)
		e = b.Boats[k]
		return nil
	})
	return e, token, errors.Join(err, refused)
}
