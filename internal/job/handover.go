package job

import (
	"archive/zip"
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"muster/internal/input"
)

// Bounds of a job in one file.
const (
	MaxPack     = 128 << 20 // bytes of the file
	maxUnpacked = 512 << 20 // bytes of what is in it
	maxPacked   = 5000      // files in it
)

// Handover is the data of a line that hands a job over.
type Handover struct {
	To string `json:"to"` // who has it from then on, or where
}

// HandOver says in the ledger who has the job from now on. Nothing more is written here after that; Pack gives the file with which the
// job goes on there. A job that was handed over is left as it is, so that its file can be made again.
func (v *Visit) HandOver(ctx context.Context, by, to string) error {
	if err := v.idle(ctx, by); err != nil {
		return fmt.Errorf("hand over: %w", err)
	}
	return v.Update(ctx, func() ([]Entry, error) {
		switch {
		case v.Ledger.Away() != "":
			return nil, nil
		case v.Ledger.Closed():
			return nil, fmt.Errorf("hand over: %w: muster job pack makes a copy of it", ErrClosed)
		}
		return []Entry{{Kind: HandedOver, By: by, Data: Handover{To: to}}}, nil
	})
}

// idle takes up the traffic of programs that were stopped, and refuses while one is writing.
func (v *Visit) idle(ctx context.Context, by string) error {
	if err := v.Ledger.Open(); err != nil {
		return nil // nothing is added
	}
	if _, err := v.Recover(ctx, by); err != nil {
		return err
	}
	entries, err := os.ReadDir(filepath.Join(v.Dir, trafficDir))
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	for _, e := range entries {
		if unfinished.MatchString(e.Name()) {
			return fmt.Errorf("%s is being written: end muster job follow first", trafficDir)
		}
	}
	return err
}

// ErrOtherJob means that a folder holds another job than the one that is to be taken over.
var ErrOtherJob = errors.New("another job is in this folder")

// TakeOver says in the ledger that a job that was handed over goes on here.
func (v *Visit) TakeOver(ctx context.Context, by string) error {
	return v.Add(ctx, Entry{Kind: TakenOver, By: by})
}

// Unpack puts a job that was handed over into its folder, and leaves it to TakeOver to go on with it. It is put there whole or not at
// all, after everything that Check checks, and what belongs adds. In a folder that holds a job, the same one must have been handed over
// from there, and must not have gone on in two places since.
func Unpack(
	ctx context.Context, dir, on string, pack io.ReaderAt, size int64, belongs func(*Visit) error,
) (*Visit, error) {
	fail := func(err error) (*Visit, error) { return nil, fmt.Errorf("take over: %w", err) }
	parent := filepath.Dir(filepath.Clean(dir))
	if err := os.MkdirAll(parent, 0o755); err != nil {
		return fail(err)
	}
	held, err := begin(ctx, dir, on)
	if err != nil {
		return fail(err)
	}
	temporary, err := os.MkdirTemp(parent, ".muster-take-*")
	if err != nil {
		return fail(err)
	}
	defer os.RemoveAll(temporary)
	if err := unzip(ctx, temporary, pack, size, maxUnpacked); err != nil {
		return fail(err)
	}
	v, err := handedOver(ctx, temporary, on)
	if err != nil {
		return fail(err)
	}
	if err := belongs(v); err != nil {
		return fail(err)
	}
	if len(held.Ledger.Lines) > 0 {
		err = held.goOn(ctx, v)
	} else {
		err = v.moveTo(dir)
	}
	if err != nil {
		return fail(err)
	}
	return LoadVisit(ctx, dir, on)
}

// handedOver reads an unpacked job, and refuses one that was altered or that goes on elsewhere.
func handedOver(ctx context.Context, dir, on string) (*Visit, error) {
	p, err := Check(ctx, dir)
	switch {
	case err != nil:
		return nil, err
	case len(p.Problems) > 0:
		return nil, fmt.Errorf("it is not as it was written: %s", strings.ReplaceAll(p.Problems[0], dir+string(filepath.Separator), ""))
	case len(p.Strange) > 0:
		return nil, fmt.Errorf("it holds a file that is not part of the job: %s", input.Quote(p.Strange[0]))
	case p.Closed:
		return nil, fmt.Errorf("%w: it is a copy; where it was closed, it can be opened again", ErrClosed)
	}
	v, err := LoadVisit(ctx, dir, on)
	if err == nil && v.Ledger.Away() == "" {
		err = errors.New("it is a copy: the job goes on where it was packed; hand it over there first")
	}
	return v, err
}

// moveTo gives an unpacked job its folder.
func (v *Visit) moveTo(dir string) error {
	if err := os.Remove(dir); err != nil && !errors.Is(err, os.ErrNotExist) {
		return fmt.Errorf("%q has other files in it: name a new folder: %w", dir, err)
	}
	if err := os.Chmod(v.Dir, 0o755); err != nil {
		return err
	}
	if err := os.Rename(v.Dir, dir); err != nil {
		return err
	}
	input.SyncDir(filepath.Dir(filepath.Clean(dir)))
	return nil
}

// goOn brings a job that was handed over from here up to what the unpacked one holds: first its files, then its lines.
func (v *Visit) goOn(ctx context.Context, with *Visit) error {
	unlock, err := lockKept(filepath.Join(v.Dir, lockName))
	if err != nil {
		return err
	}
	defer unlock()
	if err := v.Ledger.Refresh(ctx); err != nil {
		return err
	}
	had, has := v.Ledger, with.Ledger
	n := len(had.Lines)
	switch {
	case had.Away() == "":
		return fmt.Errorf("%q: the job is here, and was not handed over", v.Dir)
	case has.Lines[1].Prev != had.Lines[1].Prev: // the digest of the line that opens it
		return fmt.Errorf("%q: %w", v.Dir, ErrOtherJob)
	case n > len(has.Lines), n == len(has.Lines) && had.Digest() != has.Digest(),
		n < len(has.Lines) && has.Lines[n].Prev != had.Digest():
		return fmt.Errorf("%q: it does not go on from what was handed over here: it went on in two places", v.Dir)
	}
	for _, f := range with.Files {
		to, err := v.path(f.File)
		if err != nil {
			return err
		}
		if _, err := os.Lstat(to); err == nil {
			continue // muster job check compares it with the ledger
		}
		if err := os.MkdirAll(filepath.Dir(to), 0o755); err != nil {
			return err
		}
		if err := os.Rename(filepath.Join(with.Dir, filepath.FromSlash(f.File)), to); err != nil {
			return err
		}
		input.SyncDir(filepath.Dir(to))
	}
	text, err := input.File(ctx, has.file(), maxLedger)
	if err != nil {
		return err
	}
	return had.put(text[had.size:has.size])
}

// unzip unpacks a job of so many bytes at most into a folder, and refuses what no pack holds.
func unzip(ctx context.Context, dir string, pack io.ReaderAt, size, most int64) error {
	if size > MaxPack {
		return fmt.Errorf("it has %d MB, the limit is %d MB", size>>20, MaxPack>>20)
	}
	z, err := zip.NewReader(pack, size)
	if err != nil {
		return fmt.Errorf("%w: give the file that muster job pack wrote", err)
	}
	if len(z.File) > maxPacked {
		return fmt.Errorf("it holds %d files, the limit is %d", len(z.File), maxPacked)
	}
	left := most
	for _, f := range z.File {
		if err := ctx.Err(); err != nil {
			return err
		}
		if !filepath.IsLocal(filepath.FromSlash(f.Name)) || strings.Contains(f.Name, `\`) || !f.Mode().IsRegular() {
			return fmt.Errorf("it holds %s, which is no file of a job", input.Quote(f.Name))
		}
		n, err := unzipOne(filepath.Join(dir, filepath.FromSlash(f.Name)), f, left)
		if err != nil {
			return fmt.Errorf("%s: %w", input.Quote(f.Name), err)
		}
		left -= n
	}
	return nil
}

// unzipOne unpacks one file, down to the disk, of so many bytes at most.
func unzipOne(path string, f *zip.File, most int64) (n int64, err error) {
	from, err := f.Open()
	if err != nil {
		return 0, err
	}
	defer from.Close()
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return 0, err
	}
	to, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o644)
	if err != nil {
		return 0, err
	}
	n, err = io.Copy(to, io.LimitReader(from, most+1))
	if n > most {
		err = errors.New("the files together are longer than a job may be")
	}
	return n, errors.Join(err, to.Sync(), to.Close())
}
