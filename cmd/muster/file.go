package main

import (
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"

	"muster/internal/cli"
	"muster/internal/config"
	"muster/internal/input"
	"muster/internal/release"
	"muster/internal/snapshot"
)

// writeFile writes a file whole or not at all. One that exists is refused unless force is set.
func writeFile(name string, data []byte, force bool) error {
	return writeFileMode(name, data, force, 0o644)
}

func writeFileMode(name string, data []byte, force bool, mode fs.FileMode) (err error) {
	if err := free(name, force); err != nil {
		return err
	}
	if through(name) {
		f, err := os.OpenFile(name, os.O_WRONLY, 0)
		if err != nil {
			return overwriting(err, name)
		}
		_, err = f.Write(data)
		if cerr := f.Close(); err == nil {
			err = cerr
		}
		if err != nil {
			return overwriting(err, name)
		}
		return nil
	}
	beside, err := input.Beside(name, data, mode)
	if err != nil {
		return overwriting(err, name)
	}
	defer func() {
		if err != nil {
			_ = os.Remove(beside)
		}
	}()
	return place(beside, name, force)
}

// free refuses an output that exists, before the work for it is begun.
func free(name string, force bool) error {
	fi, err := os.Lstat(name)
	switch {
	case err == nil && fi.IsDir():
		return cli.WithHint(fmt.Errorf("write %q: it is a directory", name), "name a file in it")
	case err == nil && !force && !through(name):
		return overwriting(fs.ErrExist, name)
	}
	return nil
}

// through reports whether a name represents a device or a pipe, such as /dev/stdout. It is written to: a file must not
// take its place.
func through(name string) bool {
	fi, err := os.Stat(name)
	return err == nil && !fi.Mode().IsRegular() && !fi.IsDir()
}

// place puts a finished file under its name. Without force, a file that came there in the meantime is kept.
func place(temp, name string, force bool) error {
	if !force {
		switch err := os.Link(temp, name); {
		case err == nil:
			_ = os.Remove(temp)
			input.SyncDir(filepath.Dir(name))
			return nil
		case errors.Is(err, fs.ErrExist):
			return overwriting(err, name)
		}
		if err := free(name, false); err != nil { // a file system without links, as on cards and sticks
			return err
		}
	}
	if err := os.Rename(temp, name); err != nil {
		if le, ok := errors.AsType[*os.LinkError](err); ok {
			err = le.Err
		}
		return overwriting(err, name)
	}
	input.SyncDir(filepath.Dir(name))
	return nil
}

// digestFile identifies a file.
func digestFile(name string) (snapshot.File, error) {
	f, err := os.Open(name)
	if err != nil {
		return snapshot.File{}, fmt.Errorf("read %q: %w", name, cli.PlainPath(err))
	}
	defer f.Close()
	h := sha256.New()
	n, err := io.Copy(h, f)
	if err != nil {
		return snapshot.File{}, fmt.Errorf("read %q: %w", name, cli.PlainPath(err))
	}
	return snapshot.File{Name: filepath.Base(name), SHA256: hex.EncodeToString(h.Sum(nil)), Bytes: n}, nil
}

// maxKey bounds a file of a key or a token in bytes.
const maxKey = 64 << 10

// maxSnapshot bounds a snapshot file in bytes; a boat of a thousand devices stays far below.
const maxSnapshot = 256 << 20

// decodeSnapshot reads a snapshot without looking at its seal.
func decodeSnapshot(ctx context.Context, name string) (*snapshot.Snapshot, error) {
	data, err := readFile(ctx, name, maxSnapshot)
	if err != nil {
		return nil, cli.WithHint(fmt.Errorf("read %q: %w", name, err),
			"give a file that muster snapshot wrote")
	}
	s, err := snapshot.Decode(data)
	if err != nil {
		return nil, cli.WithHint(fmt.Errorf("%s: %w", name, err),
			"copy the file again from its origin, or take the snapshot again")
	}
	return s, nil
}

// loadSnapshot reads a snapshot and checks its seal.
func loadSnapshot(ctx context.Context, name string) (*snapshot.Snapshot, error) {
	s, err := decodeSnapshot(ctx, name)
	if err != nil {
		return nil, err
	}
	if err := s.Verify(nil); err != nil {
		return nil, cli.WithHint(fmt.Errorf("%s: %w", name, err),
			"copy the file again from its origin; muster verify shows more when the capture was kept")
	}
	return s, nil
}

// readFile reads a file of at most so many bytes. The error does not name the file.
func readFile(ctx context.Context, name string, most int) ([]byte, error) {
	return plainly(input.File(ctx, name, most))
}

// plainly gives a mistake without the file's name, which the caller writes.
func plainly(data []byte, err error) ([]byte, error) {
	if m, ok := errors.AsType[*input.Mistake](err); ok {
		return nil, errors.New(m.Text)
	}
	return data, cli.PlainPath(err)
}

// useSheets puts the folder of release sheets of the command line, if there is one, instead of the config's.
func useSheets(ctx context.Context, cfg *config.Config, dir string) error {
	if dir == "" {
		return nil
	}
	cfg.Sheets = dir
	_, _, err := loadSheets(ctx, dir)
	return err
}

// sheetsOf compares a folder of release sheets with those that a snapshot was taken with. missing is true when they
// are not given.
func sheetsOf(ctx context.Context, s *snapshot.Snapshot, dir string) (missing bool, err error) {
	if len(s.Sheets) > 0 && dir == "" {
		return true, nil
	}
	_, files, err := loadSheets(ctx, dir)
	if err == nil && !slices.Equal(files, s.Sheets) {
		err = fmt.Errorf("the release sheets in %q are not those that it was taken with", dir)
	}
	return false, err
}

// warnOldKeys names the old keys in sheets, which later releases do not read.
func (a *app) warnOldKeys(s *release.Sheets) {
	for _, m := range s.Warnings {
		fmt.Fprintln(a.stderr, "warning:", m)
	}
}

// loadSheets reads the release sheets of a folder, and returns which files they are. Both are nil for "".
func loadSheets(ctx context.Context, dir string) (*release.Sheets, []snapshot.File, error) {
	if dir == "" {
		return nil, nil, nil
	}
	switch fi, err := os.Stat(dir); {
	case err == nil && !fi.IsDir():
		return nil, nil, cli.WithHint(fmt.Errorf("--sheets %q: it is no folder", dir),
			"give the folder that holds the shop's release sheets")
	case err != nil:
		return nil, nil, cli.WithHint(fmt.Errorf("--sheets %q: there is no such folder", dir),
			"give the folder that holds the shop's release sheets")
	}
	sheets, err := release.LoadFS(ctx, os.DirFS(dir), dir)
	if err != nil {
		return nil, nil, err
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, nil, fmt.Errorf("--sheets %q: %w", dir, cli.PlainPath(err))
	}
	var files []snapshot.File
	for _, e := range entries {
		if !e.IsDir() && slices.Contains([]string{".yaml", ".yml"}, filepath.Ext(e.Name())) {
			f, err := digestFile(filepath.Join(dir, e.Name()))
			if err != nil {
				return nil, nil, err
			}
			files = append(files, f)
		}
	}
	return sheets, files, nil
}
