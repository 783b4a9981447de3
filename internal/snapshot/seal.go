package snapshot

import (
	"bytes"
	"context"
	"crypto/ed25519"
	"crypto/sha256"
	"crypto/x509"
	"encoding/base64"
	"encoding/hex"
	"encoding/json"
	"encoding/pem"
	"errors"
	"fmt"
	"slices"
	"strings"

	"github.com/go-jose/go-jose/v4"
	"github.com/gowebpki/jcs"

	"muster/internal/input"
)

// Seal proves that a snapshot is as it was taken. It covers the file from its first byte up to the comma before the
// seal, so that nothing but the seal itself follows what it covers. SHA256 is of those bytes, and so is the signature
// (RFC 7515 detached, EdDSA with Ed25519 by RFC 8037) when a key was given. The seal of version 1 covers the canonical
// JSON (RFC 8785) of the snapshot without the seal instead.
type Seal struct {
	Bytes     int    `json:"bytes,omitempty"`     // how many bytes of the file it covers; absent in version 1
	SHA256    string `json:"sha256"`              // lower-case hex
	Signature string `json:"signature,omitempty"` // JWS compact form with an empty payload part
	Key       string `json:"key,omitempty"`       // the signer's public key, base64url
}

// Covered are the bytes that the seal covers.
func (s *Snapshot) Covered() ([]byte, error) {
	switch {
	case s.text == nil:
		return s.body()
	case s.Schema == SchemaV1:
		return s.canonical()
	case s.Seal == nil:
		return s.text, nil
	case s.Seal.Bytes <= 0 || s.Seal.Bytes > len(s.text):
		return nil, fmt.Errorf("%w: the seal covers %d of %d bytes", ErrAltered, s.Seal.Bytes, len(s.text))
	}
	return s.text[:s.Seal.Bytes], nil
}

// body is the file without the seal, up to the comma before it.
func (s *Snapshot) body() ([]byte, error) {
	bare := *s
	bare.Seal = nil
	text, err := json.MarshalIndent(&bare, "", "  ")
	if err != nil {
		return nil, fmt.Errorf("encode snapshot: %w", err)
	}
	return bytes.TrimSuffix(text, []byte("\n}")), nil
}

// file is the whole file: what the seal covers, and the seal.
func (s *Seal) file(covered []byte) ([]byte, error) {
	text, err := json.MarshalIndent(s, "  ", "  ")
	if err != nil {
		return nil, fmt.Errorf("encode snapshot: %w", err)
	}
	return slices.Concat(covered, []byte(",\n  \"seal\": "), text, []byte("\n}\n")), nil
}

// canonical is the canonical JSON that a seal of version 1 covers, in the words in which the snapshot was read.
func (s *Snapshot) canonical() ([]byte, error) {
	var parts map[string]json.RawMessage
	if err := input.OpenJSON(context.Background(), "", s.text, &parts); err != nil {
		return nil, fmt.Errorf("encode snapshot: %w", err)
	}
	delete(parts, "seal")
	raw, err := json.Marshal(parts)
	if err != nil {
		return nil, fmt.Errorf("encode snapshot: %w", err)
	}
	out, err := jcs.Transform(raw)
	if err != nil {
		return nil, fmt.Errorf("canonical JSON: %w", err)
	}
	return out, nil
}

// Close seals the snapshot, signed when key is not nil.
func (s *Snapshot) Close(key ed25519.PrivateKey) error {
	s.text, s.Schema, s.Signer = nil, Schema, ""
	if key != nil {
		s.Signer = PublicKeyText(key.Public().(ed25519.PublicKey))
	}
	text, err := s.body()
	if err != nil {
		return err
	}
	seal := &Seal{Bytes: len(text), SHA256: fileDigest(text), Key: s.Signer}
	if key != nil {
		signer, err := jose.NewSigner(jose.SigningKey{Algorithm: jose.EdDSA, Key: key}, nil)
		if err != nil {
			return fmt.Errorf("sign snapshot: %w", err)
		}
		jws, err := signer.Sign(text)
		if err != nil {
			return fmt.Errorf("sign snapshot: %w", err)
		}
		if seal.Signature, err = jws.DetachedCompactSerialize(); err != nil {
			return fmt.Errorf("sign snapshot: %w", err)
		}
	}
	s.Seal = seal
	return nil
}

// Errors by which a caller can distinguish the results of Verify.
var (
	ErrUnsealed  = errors.New("the snapshot is not sealed")
	ErrAltered   = errors.New("the snapshot was altered after it was sealed")
	ErrSignature = errors.New("the signature does not fit")
	ErrUnsigned  = errors.New("the snapshot is sealed but not signed")
	ErrStranger  = errors.New("it is signed with another key")
)

// Verify checks the seal and, where there is one, the signature. With a key, the snapshot must be signed by it.
func (s *Snapshot) Verify(key ed25519.PublicKey) error {
	if s.Seal == nil {
		return fmt.Errorf("%w: take it again with muster snapshot, which seals", ErrUnsealed)
	}
	text, err := s.Covered()
	if err != nil {
		return err
	}
	if sum := fileDigest(text); sum != s.Seal.SHA256 {
		return fmt.Errorf("%w: its content has SHA-256 %s, the seal has %s", ErrAltered, sum, s.Seal.SHA256)
	}
	if s.Schema != SchemaV1 {
		if err := s.verifyForm(text); err != nil {
			return err
		}
	}
	if s.Seal.Signature == "" {
		if key != nil {
			return ErrUnsigned
		}
		return nil
	}
	return s.Seal.verify(text, key)
}

// verifyForm checks what a seal of version 2 has beyond its digest: that the file is what its content and its seal make, to the byte, and
// that its signer signed.
func (s *Snapshot) verifyForm(covered []byte) error {
	if s.text != nil {
		whole, err := s.Seal.file(covered)
		if err != nil {
			return err
		}
		if !bytes.Equal(whole, s.text) {
			return fmt.Errorf("%w: what follows its content is not as it was written", ErrAltered)
		}
	}
	switch {
	case s.Signer != "" && s.Seal.Signature == "":
		return fmt.Errorf("%w: it was signed by %s, and the signature is missing", ErrSignature, s.Signer)
	case s.Signer != s.Seal.Key:
		return fmt.Errorf("%w: it was signed by %q, the seal has the key %q", ErrSignature, s.Signer, s.Seal.Key)
	}
	parts := strings.Split(s.Seal.Signature, ".")
	if _, err := base64.RawURLEncoding.Strict().DecodeString(parts[len(parts)-1]); err != nil {
		return fmt.Errorf("%w: %w", ErrSignature, err)
	}
	return nil
}

// verify checks the signature over a text, by the signer's key and, when it is given, by the key.
func (s *Seal) verify(text []byte, key ed25519.PublicKey) error {
	signer, err := base64.RawURLEncoding.Strict().DecodeString(s.Key)
	if err != nil || len(signer) != ed25519.PublicKeySize {
		return fmt.Errorf("%w: the seal's public key %q is none", ErrSignature, s.Key)
	}
	jws, err := jose.ParseDetached(s.Signature, text, []jose.SignatureAlgorithm{jose.EdDSA})
	if err != nil {
		return fmt.Errorf("%w: %w", ErrSignature, err)
	}
	if err := jws.DetachedVerify(text, ed25519.PublicKey(signer)); err != nil {
		return fmt.Errorf("%w: %w", ErrSignature, err)
	}
	if key != nil && !key.Equal(ed25519.PublicKey(signer)) {
		return fmt.Errorf("%w: %s", ErrStranger, s.Key)
	}
	return nil
}

// Digest identifies the snapshot's content: the seal's SHA-256, recomputed.
func (s *Snapshot) Digest() (string, error) {
	text, err := s.Covered()
	if err != nil {
		return "", err
	}
	return fileDigest(text), nil
}

func fileDigest(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}

// NewKey makes a signing key and its two PEM files: PKCS #8 for the private half, which stays in the shop, PKIX for the public one.
func NewKey() (private, public []byte, err error) {
	pub, key, err := ed25519.GenerateKey(nil)
	if err != nil {
		return nil, nil, fmt.Errorf("make a key: %w", err)
	}
	k, err := x509.MarshalPKCS8PrivateKey(key)
	if err != nil {
		return nil, nil, fmt.Errorf("make a key: %w", err)
	}
	p, err := x509.MarshalPKIXPublicKey(pub)
	if err != nil {
		return nil, nil, fmt.Errorf("make a key: %w", err)
	}
	return pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: k}), pem.EncodeToMemory(&pem.Block{Type: "PUBLIC KEY", Bytes: p}), nil
}

// PrivateKey reads an Ed25519 private key in PEM (PKCS #8).
func PrivateKey(text []byte) (ed25519.PrivateKey, error) {
	block, _ := pem.Decode(text)
	if block == nil || block.Type != "PRIVATE KEY" {
		return nil, errors.New("no PEM block PRIVATE KEY: give the file that muster key new wrote, not the .pub one")
	}
	key, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return nil, fmt.Errorf("private key: %w", err)
	}
	ed, ok := key.(ed25519.PrivateKey)
	if !ok {
		return nil, fmt.Errorf("private key: it is a %T; muster signs with Ed25519: make one with muster key new", key)
	}
	return ed, nil
}

// PublicKey reads an Ed25519 public key in PEM (PKIX).
func PublicKey(text []byte) (ed25519.PublicKey, error) {
	block, _ := pem.Decode(text)
	if block == nil || block.Type != "PUBLIC KEY" {
		return nil, errors.New("no PEM block PUBLIC KEY: give the .pub file that muster key new wrote")
	}
	key, err := x509.ParsePKIXPublicKey(block.Bytes)
	if err != nil {
		return nil, fmt.Errorf("public key: %w", err)
	}
	ed, ok := key.(ed25519.PublicKey)
	if !ok {
		return nil, fmt.Errorf("public key: it is a %T, not Ed25519", key)
	}
	return ed, nil
}
