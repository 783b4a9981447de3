package snapshot

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"encoding/base64"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode/utf8"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/input"
)

// KeysSchema names the version of the shape of a file of trusted keys.
const KeysSchema = "muster.keys/v1"

// MaxKeys bounds the keys in a file.
const MaxKeys = 1000

// Purpose is what a key signs.
type Purpose string

// The purposes.
const (
	ForWorkshop Purpose = "workshop" // snapshots and jobs of a workshop or a technician
	ForBoard    Purpose = "board"    // snapshots and jobs of a boat computer
)

// Purposes are all purposes.
func Purposes() []string { return []string{string(ForWorkshop), string(ForBoard)} }

// TrustedKey is a public key that somebody vouches for.
type TrustedKey struct {
	Key     string  `yaml:"key"`             // Ed25519, base64url
	Name    string  `yaml:"name"`            // whose it is
	Purpose Purpose `yaml:"purpose"`         // what it signs
	From    string  `yaml:"from,omitempty"`  // first day, such as 2026-05-02, in UTC; "" for always
	Until   string  `yaml:"until,omitempty"` // last day; "" for always
}

// Keys is a file of trusted keys.
type Keys struct {
	Schema string       `yaml:"schema"`
	Keys   []TrustedKey `yaml:"keys"`
}

// Why a signer is not trusted; test with errors.Is.
var (
	ErrUnknownSigner = errors.New("no trusted key")
	ErrNotThen       = errors.New("not trusted on that day")
)

// KeysFileSchema is the JSON Schema of a file of trusted keys.
func KeysFileSchema() []byte {
	return input.Schema(Keys{}, "muster.keys/v1", "Public keys with their owners. muster key trust writes it.")
}

// ParseKeys reads the text of a file of trusted keys; name is what errors call it.
func ParseKeys(ctx context.Context, name string, text []byte) (*Keys, error) {
	k := &Keys{}
	d, err := input.YAML(ctx, name, text, k)
	if err != nil {
		return nil, err
	}
	if k.Schema != KeysSchema {
		return nil, d.Mistake("schema", "%q is not %s: give a file that muster key trust wrote", k.Schema, KeysSchema)
	}
	if len(k.Keys) > MaxKeys {
		return nil, d.Mistake("keys", "%d keys are more than %d: remove some", len(k.Keys), MaxKeys)
	}
	var errs []error
	seen := map[string]bool{}
	for i := range k.Keys {
		at := "keys." + strconv.Itoa(i)
		if field, err := k.Keys[i].check(); err != nil {
			errs = append(errs, d.Mistake(at+"."+field, "%v", err))
		}
		if seen[k.Keys[i].Key] {
			errs = append(errs, d.Mistake(at+".key", "%q is there twice: keep one", k.Keys[i].Key))
		}
		seen[k.Keys[i].Key] = true
	}
	return k, input.Mistakes(errs...)
}

// check reports what is wrong with a key, and in which field.
func (t *TrustedKey) check() (field string, err error) {
	if raw, err := base64.RawURLEncoding.Strict().DecodeString(t.Key); err != nil || len(raw) != ed25519.PublicKeySize {
		return "key", fmt.Errorf("%q is no Ed25519 public key in base64url: muster verify shows that of a snapshot", input.Shorten(t.Key))
	}
	switch name := strings.TrimSpace(t.Name); {
	case name == "":
		return "name", errors.New("it is missing: give the name of the person, shop or boat that the key belongs to")
	case utf8.RuneCountInString(name) > 80 || name != boat.Printable(name):
		return "name", errors.New("write it in one plain line of at most 80 characters")
	}
	if !slices.Contains(Purposes(), string(t.Purpose)) {
		return "purpose", fmt.Errorf("%q is unknown: use one of %s", t.Purpose, strings.Join(Purposes(), ", "))
	}
	for _, day := range [][2]string{{"from", t.From}, {"until", t.Until}} {
		if day[1] == "" {
			continue
		}
		if _, err := time.Parse(time.DateOnly, day[1]); err != nil {
			return day[0], fmt.Errorf("%q is no date: write it as 2026-05-02", day[1])
		}
	}
	if t.From != "" && t.Until != "" && t.Until < t.From {
		return "until", fmt.Errorf("%s is before from, %s", t.Until, t.From)
	}
	return "", nil
}

// Trust adds a key, or changes what is said of one that is there.
func (k *Keys) Trust(t TrustedKey) error {
	if field, err := t.check(); err != nil {
		return fmt.Errorf("%s: %w", field, err)
	}
	at := slices.IndexFunc(k.Keys, func(have TrustedKey) bool { return have.Key == t.Key })
	switch {
	case at >= 0:
		k.Keys[at] = t
	case len(k.Keys) >= MaxKeys:
		return fmt.Errorf("%d keys are all that a file takes", MaxKeys)
	default:
		k.Keys = append(k.Keys, t)
	}
	return nil
}

// Encode writes the file.
func (k *Keys) Encode() ([]byte, error) {
	var b bytes.Buffer
	b.WriteString("# Trusted public keys with their owners. muster key trust and distrust keep this file.\n")
	text, err := input.EncodeYAML(Keys{KeysSchema, k.Keys})
	if err != nil {
		return nil, fmt.Errorf("write keys: %w", err)
	}
	b.Write(text)
	return b.Bytes(), nil
}

// Whose is the trusted key that signed something at a time. That time is the signer's own word: somebody who has the key can write another.
// Without a time the days are not looked at.
func (k *Keys) Whose(key string, at event.Time) (*TrustedKey, error) {
	for i := range k.Keys {
		t := &k.Keys[i]
		if t.Key != key {
			continue
		}
		if day := at.UTC().Format(time.DateOnly); at != 0 && (t.From != "" && day < t.From || t.Until != "" && day > t.Until) {
			return nil, fmt.Errorf("%w: the key of %s is trusted %s, and it was used on %s", ErrNotThen, t.Name, t.Days(), day)
		}
		return t, nil
	}
	return nil, fmt.Errorf("%w: %s", ErrUnknownSigner, key)
}

// Days is when the key is trusted, in words.
func (t *TrustedKey) Days() string {
	switch {
	case t.From == "" && t.Until == "":
		return "always"
	case t.From == "":
		return "until " + t.Until
	case t.Until == "":
		return "from " + t.From
	}
	return t.From + " to " + t.Until
}

// PublicKeyText is how files write a public key: base64url.
func PublicKeyText(key ed25519.PublicKey) string { return base64.RawURLEncoding.EncodeToString(key) }
