package snapshot

import (
	"bytes"
	"crypto/ed25519"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
)

// TestDetached: what was signed is verified, by this program and by OpenSSL with the script of the description, and nothing else is.
func TestDetached(t *testing.T) {
	for _, program := range []string{"openssl", "base64", "sh"} {
		need(t, program)
	}
	doc, err := os.ReadFile("../../deploy/examples/snapshot.md")
	if err != nil {
		t.Fatal(err)
	}
	script, _, _ := strings.Cut(strings.Split(string(doc), "```sh\n")[2], "```")
	key, public := newKey(t)
	stranger, _ := newKey(t)
	paper := []byte("%PDF-1.4\nthe record\x00\xff\n")
	sign := func(key ed25519.PrivateKey, data []byte) []byte {
		jws, err := SignDetached(key, data)
		if err != nil {
			t.Fatal(err)
		}
		return jws
	}
	good := sign(key, paper)
	header, signature, _ := strings.Cut(string(good), ".")
	swapped, _, _ := strings.Cut(string(sign(stranger, paper)), ".")
	for _, tt := range []struct {
		name     string
		jws      []byte
		data     []byte
		anybody  bool // whether somebody's signature fits
		of, byOf bool // whether it is the key's, for this program and for OpenSSL
	}{
		{"signed", good, paper, true, true, true},
		{"by another key", sign(stranger, paper), paper, true, false, false},
		{"altered", good, append(bytes.Clone(paper), ' '), false, false, false},
		{"another's header", []byte(swapped + "." + signature), paper, false, false, false},
		{"no signature", []byte(header + ".."), paper, false, false, false},
		{"not detached", []byte(header + ".AAAA" + strings.TrimPrefix(signature, ".")), paper, false, false, false},
		{"empty", nil, paper, false, false, false},
		{"text", []byte("frob"), paper, false, false, false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			by, err := VerifyDetached(tt.jws, tt.data)
			if (err == nil) != tt.anybody || err != nil && !errors.Is(err, ErrSignature) {
				t.Errorf("%q, %v", by, err)
			}
			if own := PublicKeyText(key.Public().(ed25519.PublicKey)); err == nil && (by == own) != tt.of {
				t.Errorf("signed by %s, the key is %s", by, own)
			}
			dir := t.TempDir()
			for name, data := range map[string][]byte{"record.pdf": tt.data, "record.pdf.jws": tt.jws, "key.pub": public} {
				if err := os.WriteFile(filepath.Join(dir, name), data, 0o600); err != nil {
					t.Fatal(err)
				}
			}
			out, err := exec.Command("sh", "-c", script, "check", filepath.Join(dir, "record.pdf"), filepath.Join(dir, "key.pub")).CombinedOutput()
			if (err == nil) != tt.byOf {
				t.Errorf("OpenSSL: %v: %s", err, out)
			}
		})
	}
}

func newKey(t *testing.T) (private ed25519.PrivateKey, public []byte) {
	t.Helper()
	text, public, err := NewKey()
	if err != nil {
		t.Fatal(err)
	}
	if private, err = PrivateKey(text); err != nil {
		t.Fatal(err)
	}
	return private, public
}

func FuzzDetached(f *testing.F) {
	_, key, err := ed25519.GenerateKey(bytes.NewReader(make([]byte, 64)))
	if err != nil {
		f.Fatal(err)
	}
	good, err := SignDetached(key, []byte("record"))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(good, []byte("record"))
	f.Add([]byte("e30.."), []byte{})
	f.Fuzz(func(t *testing.T, jws, data []byte) {
		if by, err := VerifyDetached(jws, data); err == nil && len(by) != 43 {
			t.Errorf("by %q", by)
		}
	})
}
