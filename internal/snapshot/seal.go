package snapshot

import (
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

	"github.com/go-jose/go-jose/v4"
	"github.com/gowebpki/jcs"

	"muster/internal/input"
)

// Seal proves that a snapshot is as it was taken: the SHA-256 of its canonical JSON (RFC 8785) without the seal,
// and, when a key was given, a detached signature (RFC 7515, EdDSA with Ed25519 by RFC 8037) over that canonical JSON.
type Seal struct {
	SHA256    string `json:"sha256"`              // lower-case hex
	Signature string `json:"signature,omitempty"` // JWS compact form with an empty payload part
	Key       string `json:"key,omitempty"`       // the signer's public key, base64url
}

// Canonical is the canonical JSON that the seal covers.
func (s *Snapshot) Canonical() ([]byte, error) {
	raw, err := s.unsealed()
	if err != nil {
		return nil, fmt.Errorf("encode snapshot: %w", err)
	}
	out, err := jcs.Transform(raw)
	if err != nil {
		return nil, fmt.Errorf("canonical JSON: %w", err)
	}
	return out, nil
}

// unsealed is the snapshot's JSON without the seal, in the words in which it was read.
func (s *Snapshot) unsealed() ([]byte, error) {
	if s.text == nil {
		bare := *s
		bare.Seal = nil
		return json.Marshal(&bare)
	}
	var parts map[string]json.RawMessage
	if err := input.OpenJSON(context.Background(), "", s.text, &parts); err != nil {
		return nil, err
	}
	delete(parts, "seal")
	return json.Marshal(parts)
}

// Close seals the snapshot, signed when key is not nil.
func (s *Snapshot) Close(key ed25519.PrivateKey) error {
	s.text = nil
	text, err := s.Canonical()
	if err != nil {
		return err
	}
	sum := sha256.Sum256(text)
	seal := &Seal{SHA256: hex.EncodeToString(sum[:])}
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
		seal.Key = base64.RawURLEncoding.EncodeToString(key.Public().(ed25519.PublicKey))
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
	ErrStranger  = errors.New("the snapshot is signed with another key")
)

// Verify checks the seal and, where there is one, the signature. With a key, the snapshot must be signed by it.
func (s *Snapshot) Verify(key ed25519.PublicKey) error {
	if s.Seal == nil {
		return fmt.Errorf("%w: take it again with muster snapshot, which seals", ErrUnsealed)
	}
	text, err := s.Canonical()
	if err != nil {
		return err
	}
	if sum := sha256.Sum256(text); hex.EncodeToString(sum[:]) != s.Seal.SHA256 {
		return fmt.Errorf("%w: its content has SHA-256 %x, the seal has %s", ErrAltered, sum, s.Seal.SHA256)
	}
	if s.Seal.Signature == "" {
		if key != nil {
			return ErrUnsigned
		}
		return nil
	}
	signer, err := base64.RawURLEncoding.DecodeString(s.Seal.Key)
	if err != nil || len(signer) != ed25519.PublicKeySize {
		return fmt.Errorf("%w: the seal's public key %q is none", ErrSignature, s.Seal.Key)
	}
	jws, err := jose.ParseDetached(s.Seal.Signature, text, []jose.SignatureAlgorithm{jose.EdDSA})
	if err != nil {
		return fmt.Errorf("%w: %w", ErrSignature, err)
	}
	if err := jws.DetachedVerify(text, ed25519.PublicKey(signer)); err != nil {
		return fmt.Errorf("%w: %w", ErrSignature, err)
	}
	if key != nil && !key.Equal(ed25519.PublicKey(signer)) {
		return fmt.Errorf("%w: %s", ErrStranger, s.Seal.Key)
	}
	return nil
}

// Digest identifies the snapshot's content: the seal's SHA-256, recomputed.
func (s *Snapshot) Digest() (string, error) {
	text, err := s.Canonical()
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
