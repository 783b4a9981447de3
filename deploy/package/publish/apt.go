package main

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"errors"
	"fmt"
	"io"
	"os"
	"path"
	"path/filepath"
	"strings"
	"time"

	"github.com/ProtonMail/go-crypto/openpgp"
	"github.com/ProtonMail/go-crypto/openpgp/armor"
	"github.com/ProtonMail/go-crypto/openpgp/clearsign"
	"github.com/ProtonMail/go-crypto/openpgp/packet"
	"github.com/blakesmith/ar"
)

// apt makes a flat repository of the packages: a static web server can serve it.
func (r *release) apt() error {
	debs, err := filepath.Glob(filepath.Join(r.dest, "*.deb"))
	if err != nil || len(debs) == 0 {
		return err
	}
	dir := filepath.Join(r.dest, "apt")
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	var list bytes.Buffer
	for _, deb := range debs {
		data, err := os.ReadFile(deb)
		if err != nil {
			return err
		}
		control, err := controlOf(data)
		if err != nil {
			return fmt.Errorf("%s: %w", deb, err)
		}
		name := filepath.Base(deb)
		fmt.Fprintf(&list, "%s\nFilename: ./%s\nSize: %d\nSHA256: %s\n\n", strings.TrimSpace(control), name, len(data), sum256(data))
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o644); err != nil {
			return err
		}
	}
	var index bytes.Buffer
	fmt.Fprintf(&index, "Origin: muster\nLabel: muster\nSuite: stable\nDate: %s\nArchitectures: amd64 arm64 armhf riscv64\nSHA256:\n",
		r.at.Format(time.RFC1123))
	fmt.Fprintf(&index, " %s %d Packages\n", sum256(list.Bytes()), list.Len())
	if err := errors.Join(os.WriteFile(filepath.Join(dir, "Packages"), list.Bytes(), 0o644),
		os.WriteFile(filepath.Join(dir, "Release"), index.Bytes(), 0o644)); err != nil || r.aptKey == "" {
		return err
	}
	return r.signApt(dir, index.Bytes())
}

// signApt writes InRelease, and the public key for those who add the repository.
func (r *release) signApt(dir string, index []byte) error {
	secret, err := os.ReadFile(r.aptKey)
	if err != nil {
		return err
	}
	keys, err := openpgp.ReadArmoredKeyRing(bytes.NewReader(secret))
	if err != nil || len(keys) == 0 || keys[0].PrivateKey == nil {
		return fmt.Errorf("%s: it holds no OpenPGP key without a passphrase: %w", r.aptKey, err)
	}
	same := false // a salt would make each signature another
	settings := &packet.Config{Time: func() time.Time { return r.at }, NonDeterministicSignaturesViaNotation: &same}
	var signed, public bytes.Buffer
	w, err := clearsign.Encode(&signed, keys[0].PrivateKey, settings)
	if err != nil {
		return err
	}
	_, err = w.Write(index)
	a, err2 := armor.Encode(&public, openpgp.PublicKeyType, nil)
	if err := errors.Join(err, w.Close(), err2); err != nil {
		return err
	}
	return errors.Join(keys[0].Serialize(a), a.Close(), os.WriteFile(filepath.Join(dir, "InRelease"), signed.Bytes(), 0o644),
		os.WriteFile(filepath.Join(dir, "muster.asc"), public.Bytes(), 0o644))
}

// controlOf is the control file of a Debian package.
func controlOf(deb []byte) (string, error) {
	for members := ar.NewReader(bytes.NewReader(deb)); ; {
		h, err := members.Next()
		if err != nil {
			return "", fmt.Errorf("control: %w", err)
		}
		if !strings.HasPrefix(h.Name, "control.tar.gz") {
			continue
		}
		z, err := gzip.NewReader(members)
		if err != nil {
			return "", err
		}
		for archive := tar.NewReader(z); ; {
			f, err := archive.Next()
			if err != nil {
				return "", fmt.Errorf("control: %w", err)
			}
			if path.Base(f.Name) == "control" {
				text, err := io.ReadAll(archive)
				return string(text), err
			}
		}
	}
}
