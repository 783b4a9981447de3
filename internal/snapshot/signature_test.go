package snapshot

import (
	"crypto/ed25519"
	"encoding/base64"
	"strings"
	"testing"

	"github.com/go-jose/go-jose/v4"
)

var (
	signingKey = ed25519.NewKeyFromSeed([]byte("a seed for tests of thirty-two b"))
	verifyKey  = signingKey.Public().(ed25519.PublicKey)
)

// TestSignatureByOthers: go-jose, an independent library, takes our signatures, and we take its, with further members in the head too.
func TestSignatureByOthers(t *testing.T) {
	for _, text := range []string{"", "{}", strings.Repeat("a \"longer\" text, ", 999)} {
		jws, err := jose.ParseDetached(sign(signingKey, []byte(text)), []byte(text), []jose.SignatureAlgorithm{jose.EdDSA})
		if err == nil {
			err = jws.DetachedVerify([]byte(text), verifyKey)
		}
		if err != nil {
			t.Errorf("go-jose of ours: %v", err)
		}
		for _, opt := range []*jose.SignerOptions{nil, (&jose.SignerOptions{}).WithHeader("kid", "the shop's").WithType("JOSE")} {
			signer, err := jose.NewSigner(jose.SigningKey{Algorithm: jose.EdDSA, Key: signingKey}, opt)
			if err != nil {
				t.Fatal(err)
			}
			jws, err := signer.Sign([]byte(text))
			if err != nil {
				t.Fatal(err)
			}
			theirs, err := jws.DetachedCompactSerialize()
			if err != nil {
				t.Fatal(err)
			}
			if err := checkSignature(verifyKey, theirs, []byte(text)); err != nil {
				t.Errorf("ours of go-jose's %s: %v", theirs, err)
			}
			if opt == nil && theirs != sign(signingKey, []byte(text)) {
				t.Errorf("go-jose makes %s, we %s", theirs, sign(signingKey, []byte(text)))
			}
		}
	}
}

func TestSignatureFaults(t *testing.T) {
	text := []byte("text")
	good := sign(signingKey, text)
	head := func(json string) string {
		h := base64.RawURLEncoding.EncodeToString([]byte(json))
		return h + ".." + base64.RawURLEncoding.EncodeToString(ed25519.Sign(signingKey, signed(h, text)))
	}
	for _, tt := range []struct{ name, signature, want string }{
		{"nothing", "", "it is no detached JWS"},
		{"two parts", "a.b", "it is no detached JWS"},
		{"a text within", strings.Replace(good, "..", ".dGV4dA.", 1), "it is no detached JWS"},
		{"four parts", good + ".", "it is no detached JWS"},
		{"a head that is not base64url", "=" + good, "its header: illegal base64"},
		{"a head that is no JSON", head("EdDSA"), "its header: invalid character"},
		{"a head that is no object", head(`["alg"]`), "its header: json"},
		{"no algorithm", head("{}"), "its algorithm is , not EdDSA"},
		{"none", head(`{"alg":"none"}`), `its algorithm is "none", not EdDSA`},
		{"a secret's algorithm", head(`{"alg":"HS256"}`), `its algorithm is "HS256"`},
		{"critical", head(`{"alg":"EdDSA","crit":["exp"],"exp":1}`), "its header has crit"},
		{"a text not encoded", head(`{"alg":"EdDSA","b64":false}`), "its header has b64"},
		{"an end that is not base64url", good + "=", "its last part: illegal base64"},
		{"bits too many", good[:len(good)-1] + "B", "its last part: illegal base64"},
		{"no signature", good[:len(good)-86], "made with another key or over another text"},
		{"another head", base64.RawURLEncoding.EncodeToString([]byte(`{"alg":"EdDSA","a":1}`)) + good[len(signatureHeader):], "made with another key or over another text"},
	} {
		if err := checkSignature(verifyKey, tt.signature, text); err == nil || !strings.Contains(err.Error(), tt.want) {
			t.Errorf("%s: %v, want %s", tt.name, err, tt.want)
		}
	}
	if checkSignature(verifyKey, good, []byte("Text")) == nil {
		t.Error("another text passed")
	}
	if checkSignature(ed25519.NewKeyFromSeed(make([]byte, 32)).Public().(ed25519.PublicKey), good, text) == nil {
		t.Error("another key passed")
	}
}

// FuzzSignature: what passes for a signature has the right text and key; nothing else ends the program.
func FuzzSignature(f *testing.F) {
	f.Add(sign(signingKey, []byte("text")), []byte("text"))
	f.Add("eyJhbGciOiJub25lIn0..", []byte(""))
	f.Fuzz(func(t *testing.T, signature string, text []byte) {
		if checkSignature(verifyKey, signature, text) != nil {
			return
		}
		jws, err := jose.ParseDetached(signature, text, []jose.SignatureAlgorithm{jose.EdDSA})
		if err == nil {
			err = jws.DetachedVerify(text, verifyKey)
		}
		if err != nil {
			t.Errorf("%q passes, go-jose says %v", signature, err)
		}
	})
}
