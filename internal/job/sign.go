package job

import (
	"bytes"
	"crypto/ed25519"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"

	"muster/internal/input"
	"muster/internal/snapshot"
)

// Closing is the data of the line that closes a job.
type Closing struct {
	Digest     string      `json:"digest"` // SHA-256 of the line before
	Signatures []Signature `json:"signatures"`
	Unsigned   bool        `json:"unsigned,omitempty"` // nobody keeps the key: only accidents are found
}

// Signature is an Ed25519 signature of a closing line: of "muster.ledger/v1 " and the SHA-256, in hex, of that line with every signature
// in it empty. Value is base64url without padding.
type Signature struct {
	KeyName
	Value string `json:"signature"`
}

// KeyName is a public key, base64url without padding, and whose it is by the word of who signed; "" in ledgers of earlier versions.
type KeyName struct {
	Key   string           `json:"key"`
	Whose snapshot.Purpose `json:"whose,omitempty"`
}

func (k KeyName) String() string { return k.Keeper() + ", " + k.Key }

// Keeper is whose key it is, in words.
func (k KeyName) Keeper() string {
	switch k.Whose {
	case snapshot.ForBoard:
		return "key of the boat computer"
	case snapshot.ForWorkshop:
		return "key of the workshop"
	}
	return "key"
}

// Signer is a key that signs a closing line.
type Signer struct {
	Whose snapshot.Purpose
	Key   ed25519.PrivateKey
}

// Name is the public half of the key.
func (s Signer) Name() KeyName {
	return KeyName{base64.RawURLEncoding.EncodeToString(s.Key.Public().(ed25519.PublicKey)), s.Whose}
}

// ErrSignature means that a closing line is not as it was signed.
var ErrSignature = errors.New("the signature does not fit")

const signedPrefix = "muster.ledger/v1 "

// signed is what the signatures of a closing line are over.
func signed(line *Line, c Closing) ([]byte, error) {
	bare := *line
	c.Signatures = append([]Signature{}, c.Signatures...)
	for i := range c.Signatures {
		c.Signatures[i].Value = ""
	}
	var err error
	if bare.Data, err = json.Marshal(c); err != nil {
		return nil, err
	}
	text, err := bare.encode()
	if err != nil {
		return nil, err
	}
	return []byte(signedPrefix + Digest(text)), nil
}

// signLine completes a closing line. Without a key it makes one, which is not kept, and the line says so: it can then not be altered by
// accident.
func signLine(line *Line, keys []Signer) error {
	unsigned := len(keys) == 0
	if unsigned {
		_, key, err := ed25519.GenerateKey(nil)
		if err != nil {
			return fmt.Errorf("sign the ledger: %w", err)
		}
		keys = append(keys, Signer{Key: key})
	}
	c := Closing{Digest: line.Prev, Unsigned: unsigned}
	for _, k := range keys {
		c.Signatures = append(c.Signatures, Signature{KeyName: k.Name()})
	}
	text, err := signed(line, c)
	if err != nil {
		return fmt.Errorf("sign the ledger: %w", err)
	}
	for i, k := range keys {
		c.Signatures[i].Value = base64.RawURLEncoding.EncodeToString(ed25519.Sign(k.Key, text))
	}
	line.Data, err = json.Marshal(c)
	return err
}

// verifyLine checks the signatures of a closing line.
func verifyLine(line *Line) error {
	var c Closing
	if err := line.Into(&c); err != nil {
		return err
	}
	if c.Digest != line.Prev || len(c.Signatures) == 0 {
		return fmt.Errorf("ledger line %d: %w: it closes %q after %q", line.N, ErrSignature, input.Shorten(c.Digest), line.Prev)
	}
	again := *line
	var err error
	if again.Data, err = json.Marshal(c); err != nil {
		return err
	}
	was, err := line.encode()
	if err != nil {
		return err
	}
	if now, err := again.encode(); err != nil || !bytes.Equal(was, now) {
		return fmt.Errorf("ledger line %d: %w: it holds more than a closing line does", line.N, ErrSignature)
	}
	text, err := signed(line, c)
	if err != nil {
		return err
	}
	for _, s := range c.Signatures {
		key, kerr := base64.RawURLEncoding.Strict().DecodeString(s.Key)
		value, verr := base64.RawURLEncoding.Strict().DecodeString(s.Value)
		if kerr != nil || verr != nil || len(key) != ed25519.PublicKeySize || !ed25519.Verify(key, text, value) {
			return fmt.Errorf("ledger line %d: %w: that of key %q", line.N, ErrSignature, input.Shorten(s.Key))
		}
	}
	return nil
}
