package main

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"

	"github.com/spf13/pflag"

	"muster/internal/cli"
	"muster/internal/event"
	"muster/internal/input"
	"muster/internal/snapshot"
)

// signers are the flags of a command that says by whom something was signed.
type signers struct {
	File    string
	Because string

	keys *snapshot.Keys
}

func (s *signers) flags(f *pflag.FlagSet) {
	keysFlag(f, &s.File)
	f.StringVar(&s.Because, "signers-because", "",
		"Why `WORDS` it is taken although no trusted key signed it, or keys of several; printed with the result")
}

func keysFlag(f *pflag.FlagSet, into *string) {
	f.StringVar(into, "keys", "", "`FILE` of trusted keys. Default: muster/keys.yaml in your configuration folder")
}

// keysFile is the file of trusted keys: the one that was named, or the user's own.
func keysFile(named string) (string, error) {
	if named != "" {
		return named, nil
	}
	dir, err := os.UserConfigDir()
	if err != nil {
		return "", cli.WithHint(fmt.Errorf("no file of trusted keys: %w", err), "name one with --keys FILE")
	}
	return filepath.Join(dir, "muster", "keys.yaml"), nil
}

// loadKeys reads the file of trusted keys. The user's own need not exist.
func loadKeys(ctx context.Context, named string) (*snapshot.Keys, error) {
	name, err := keysFile(named)
	if err != nil { // there is no folder for the user's own
		return &snapshot.Keys{}, nil
	}
	text, err := input.File(ctx, name, input.MaxYAML)
	if errors.Is(err, fs.ErrNotExist) && named == "" {
		return &snapshot.Keys{}, nil
	}
	if err != nil {
		return nil, cli.WithHint(fmt.Errorf("--keys %q: %w", name, cli.PlainPath(err)), "muster key trust writes one")
	}
	return snapshot.ParseKeys(ctx, name, text)
}

func (s *signers) load(ctx context.Context) (err error) {
	s.keys, err = loadKeys(ctx, s.File)
	return err
}

// said tells whose key signed, and whether it is a trusted one. Without a key, nothing was signed.
func (s *signers) said(key string, at event.Time) (text, name string) {
	if key == "" {
		return "not signed", ""
	}
	t, err := s.keys.Whose(key, at)
	switch {
	case errors.Is(err, snapshot.ErrUnknownSigner):
		return fmt.Sprintf("signed by %s, which is no trusted key", key), ""
	case err != nil:
		return fmt.Sprintf("signed by %s: %v", key, err), ""
	}
	return fmt.Sprintf("signed by %s (%s, key %s)", t.Name, t.Purpose, key), t.Name
}

// of tells by whom two snapshots are signed. Two that nobody signed are taken as such; one of an unknown signer, and two of different
// signers, only with a reason.
func (s *signers) of(ctx context.Context, before, after string, b, f *snapshot.Snapshot) (*snapshot.Signed, error) {
	if err := s.load(ctx); err != nil {
		return nil, err
	}
	signed := &snapshot.Signed{Because: s.Because}
	var names [2]string
	signed.Before, names[0] = s.said(b.Seal.Key, b.TakenAt())
	signed.After, names[1] = s.said(f.Seal.Key, f.TakenAt())
	unsigned := b.Seal.Key == "" && f.Seal.Key == ""
	switch {
	case unsigned, s.Because != "":
		return signed, nil
	case names[0] == "":
		return nil, cli.WithHint(fmt.Errorf("%s: it is %s", before, signed.Before), "%s", trustHint)
	case names[1] == "":
		return nil, cli.WithHint(fmt.Errorf("%s: it is %s", after, signed.After), "%s", trustHint)
	case names[0] != names[1]:
		return nil, cli.WithHint(fmt.Errorf("%s was signed by %s, and %s by %s", before, names[0], after, names[1]),
			"if that is right, give the reason with --signers-because")
	}
	return signed, nil
}

const trustHint = "muster key trust takes a key whose owner you are sure of; otherwise give a reason with --signers-because"
