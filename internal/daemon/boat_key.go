package daemon

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"

	outside "muster/internal/input"
	"muster/internal/job"
	"muster/internal/snapshot"
)

// keyFile is the boat computer's own key in the state directory; with .pub its public half, to hand out.
const keyFile = "boat.key"

// maxBoatKey bounds its size in bytes.
const maxBoatKey = 64 << 10

// boatKey reads the boat computer's own key, and makes it at the first start. Nobody but this program is to read it. It signs jobs that
// are closed here. One that cannot be read is never replaced: what it signed could then not be verified.
func boatKey(ctx context.Context, dir string) ([]job.Signer, error) {
	if dir == "" {
		return nil, nil
	}
	name := filepath.Join(dir, keyFile)
	text, err := outside.Secret(ctx, name, maxBoatKey)
	if errors.Is(err, fs.ErrNotExist) {
		text, err = makeKey(name)
	}
	if err != nil {
		return nil, fmt.Errorf("key of the boat computer: %w", err)
	}
	key, err := snapshot.PrivateKey(text)
	if err != nil {
		return nil, fmt.Errorf("key of the boat computer: %s: %w: put it back from a copy", name, err)
	}
	return []job.Signer{{Whose: snapshot.ForBoard, Key: key}}, nil
}

// makeKey writes the public half first: a key without it would not be made again.
func makeKey(name string) ([]byte, error) {
	private, public, err := snapshot.NewKey()
	if err != nil {
		return nil, err
	}
	if err := outside.WriteFile(name+".pub", public, 0o644); err != nil {
		return nil, err
	}
	return private, outside.WriteFile(name, private, 0o600)
}
