package snapshot

import (
	"crypto/ed25519"
	"encoding/base64"
	"encoding/json"
	"errors"
	"fmt"
	"strings"
)

// signatureHeader is {"alg":"EdDSA"} as RFC 8037 has it.
const signatureHeader = "eyJhbGciOiJFZERTQSJ9"

// sign makes the JWS of a text in compact form, detached: the middle part is empty (RFC 7515, appendix F).
func sign(key ed25519.PrivateKey, text []byte) string {
	signature := ed25519.Sign(key, signed(signatureHeader, text))
	return signatureHeader + ".." + base64.RawURLEncoding.EncodeToString(signature)
}

// signed is what a JWS signs: its head and its text, both in base64url (RFC 7515, section 5.1).
func signed(head string, text []byte) []byte {
	return base64.RawURLEncoding.AppendEncode([]byte(head+"."), text)
}

// checkSignature checks a JWS as sign makes it. Its head may have members besides, as long as none changes what the signature means.
func checkSignature(key ed25519.PublicKey, signature string, text []byte) error {
	head, rest, _ := strings.Cut(signature, ".")
	middle, last, ok := strings.Cut(rest, ".")
	if !ok || middle != "" || strings.Contains(last, ".") {
		return errors.New("it is no detached JWS, HEADER..SIGNATURE")
	}
	strict := base64.RawURLEncoding.Strict()
	raw, err := strict.DecodeString(head)
	if err != nil {
		return fmt.Errorf("its header: %w", err)
	}
	var members map[string]json.RawMessage
	if err := json.Unmarshal(raw, &members); err != nil {
		return fmt.Errorf("its header: %w", err)
	}
	if alg := string(members["alg"]); alg != `"EdDSA"` {
		return fmt.Errorf("its algorithm is %s, not EdDSA", alg)
	}
	for _, name := range []string{"crit", "b64"} { // RFC 7515, section 4.1.11, and RFC 7797
		if members[name] != nil {
			return fmt.Errorf("its header has %s, which muster does not know", name)
		}
	}
	bare, err := strict.DecodeString(last)
	if err != nil {
		return fmt.Errorf("its last part: %w", err)
	}
	if !ed25519.Verify(key, signed(head, text), bare) {
		return errors.New("it was made with another key or over another text")
	}
	return nil
}
