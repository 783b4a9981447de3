// Publish makes the files of a release of what was built: archives, an apt repository, a container image, the list of
// modules, checksums and signatures. The same input gives the same bytes.
package main

import (
	"crypto"
	"crypto/ed25519"
	"crypto/sha256"
	"crypto/x509"
	"encoding/hex"
	"encoding/pem"
	"errors"
	"flag"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"
)

func main() {
	var r release
	seconds := flag.Int64("epoch", 0, "`SECONDS` since 1970 that all files bear")
	flag.StringVar(&r.version, "version", "", "`VERSION` without v")
	flag.StringVar(&r.built, "built", "", "`DIR` with a folder OS_ARCH of programs for each target")
	flag.StringVar(&r.dest, "o", "", "Output `DIR`, with the Debian packages in it")
	flag.StringVar(&r.key, "key", "", "Ed25519 `KEY` (PKCS #8, PEM) that signs SHA256SUMS")
	flag.StringVar(&r.aptKey, "apt-key", "", "OpenPGP `KEY` (armoured, without a passphrase) that signs the apt repository")
	flag.Parse()
	r.at = time.Unix(*seconds, 0).UTC()
	if err := r.make(); err != nil {
		fmt.Fprintln(os.Stderr, "publish:", err)
		os.Exit(2)
	}
}

// release is a release being made.
type release struct {
	version, built, dest, key, aptKey string
	at                                time.Time
}

func (r *release) make() error {
	targets, err := os.ReadDir(r.built)
	if err != nil {
		return err
	}
	for _, t := range targets {
		system, _, _ := strings.Cut(t.Name(), "_")
		pack, ext := tarball, ".tar.gz"
		if system == "windows" {
			pack, ext = zipped, ".zip"
		}
		name := "muster_" + r.version + "_" + t.Name()
		if err := pack(filepath.Join(r.built, t.Name()), name, filepath.Join(r.dest, name+ext), r.at); err != nil {
			return fmt.Errorf("%s: %w", t.Name(), err)
		}
	}
	return errors.Join(r.apt(), r.image(), r.modules(), r.sums())
}

// sums writes the checksums of every file, and signs them.
func (r *release) sums() error {
	var text strings.Builder
	err := filepath.WalkDir(r.dest, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || strings.HasPrefix(d.Name(), "SHA256SUMS") {
			return err
		}
		data, err := os.ReadFile(path)
		if err != nil {
			return err
		}
		name, err := filepath.Rel(r.dest, path)
		fmt.Fprintf(&text, "%s  %s\n", sum256(data), filepath.ToSlash(name))
		return err
	})
	if err != nil {
		return err
	}
	file := filepath.Join(r.dest, "SHA256SUMS")
	if err := os.WriteFile(file, []byte(text.String()), 0o644); err != nil || r.key == "" {
		return err
	}
	secret, err := os.ReadFile(r.key)
	if err != nil {
		return err
	}
	block, _ := pem.Decode(secret)
	if block == nil {
		return fmt.Errorf("%s: it is not PEM: make a key with openssl genpkey -algorithm ed25519", r.key)
	}
	key, err := x509.ParsePKCS8PrivateKey(block.Bytes)
	if err != nil {
		return fmt.Errorf("%s: %w", r.key, err)
	}
	signer, ok := key.(ed25519.PrivateKey)
	if !ok {
		return fmt.Errorf("%s: it is no Ed25519 key: make one with openssl genpkey -algorithm ed25519", r.key)
	}
	signature, err := signer.Sign(nil, []byte(text.String()), crypto.Hash(0))
	if err != nil {
		return err
	}
	return os.WriteFile(file+".sig", signature, 0o644)
}

func sum256(data []byte) string {
	sum := sha256.Sum256(data)
	return hex.EncodeToString(sum[:])
}

// files are those below a folder, sorted.
func files(dir string) (names []string, err error) {
	err = filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err == nil && !d.IsDir() {
			var name string
			name, err = filepath.Rel(dir, path)
			names = append(names, filepath.ToSlash(name))
		}
		return err
	})
	slices.Sort(names)
	return names, err
}
