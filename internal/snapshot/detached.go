package snapshot

import (
	"crypto/ed25519"
	"fmt"
	"strings"

	"github.com/go-jose/go-jose/v4"
)

// DetachedExt ends the name of the file that holds the signature of the file beside it.
const DetachedExt = ".jws"

// SignDetached signs bytes for a file of their own beside them: a JWS in compact form with an empty payload part (RFC 7515, appendix F),
// EdDSA with Ed25519 (RFC 8037), and the public key in its header.
func SignDetached(key ed25519.PrivateKey, data []byte) ([]byte, error) {
	signer, err := jose.NewSigner(jose.SigningKey{Algorithm: jose.EdDSA, Key: key}, &jose.SignerOptions{EmbedJWK: true})
	if err != nil {
		return nil, fmt.Errorf("sign: %w", err)
	}
	jws, err := signer.Sign(data)
	if err != nil {
		return nil, fmt.Errorf("sign: %w", err)
	}
	text, err := jws.DetachedCompactSerialize()
	if err != nil {
		return nil, fmt.Errorf("sign: %w", err)
	}
	return []byte(text + "\n"), nil
}

// VerifyDetached checks what SignDetached made against the bytes, and returns the signer's public key. Anybody can sign: whose key it is, a
// list of trusted keys tells.
func VerifyDetached(text, data []byte) (key string, err error) {
	jws, err := jose.ParseDetached(strings.TrimSpace(string(text)), data, []jose.SignatureAlgorithm{jose.EdDSA})
	if err != nil {
		return "", fmt.Errorf("%w: %w", ErrSignature, err)
	}
	signer := jws.Signatures[0].Protected.JSONWebKey
	if signer == nil {
		return "", fmt.Errorf("%w: it has no key", ErrSignature)
	}
	public, ok := signer.Key.(ed25519.PublicKey)
	if !ok {
		return "", fmt.Errorf("%w: its key is a %T, not Ed25519", ErrSignature, signer.Key)
	}
	if err := jws.DetachedVerify(data, public); err != nil {
		return "", fmt.Errorf("%w: %w", ErrSignature, err)
	}
	return PublicKeyText(public), nil
}
