package job

import (
	"archive/zip"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"

	"muster/internal/event"
	"muster/internal/snapshot"
)

// Proof is what Check found of a job's folder.
type Proof struct {
	Lines    int        `json:"lines"`
	Digest   string     `json:"sha256"` // of the last line
	Files    int        `json:"files"`
	Closed   bool       `json:"closed"`
	Keys     []KeyName  `json:"keys,omitempty"`     // that signed the last closing
	ClosedAt event.Time `json:"closed_at,omitzero"` // when that was, by the clock that wrote the line
	Unsigned bool       `json:"unsigned,omitempty"` // nobody kept the key of the last closing
	Problems []string   `json:"problems"`
	Strange  []string   `json:"not_part_of_the_job"` // files that the ledger does not name

	Paper int `json:"paper_line,omitempty"` // the line after which a paper was made, by FindPaper

	ledger *Ledger
}

// FindPaper finds the line after which a paper was made, by the digest in its code; none when it is of another job.
func (p *Proof) FindPaper(digest string) (ok bool) {
	for i, line := range p.ledger.Lines {
		if i > 0 && line.Prev == digest {
			p.Paper = i
		}
	}
	if p.Digest == digest {
		p.Paper = p.Lines
	}
	return p.Paper > 0
}

// Check checks whether the folder is as the ledger has it, and the ledger as it was written. An error means that
// neither can be checked.
func Check(ctx context.Context, dir string) (*Proof, error) {
	p := &Proof{Problems: []string{}, Strange: []string{}, ledger: &Ledger{}}
	v, err := begin(ctx, dir, "")
	if errors.Is(err, ErrAltered) {
		p.Problems = append(p.Problems, err.Error())
		return p, nil
	}
	if err != nil {
		return nil, err
	}
	l := v.Ledger
	if len(l.Lines) == 0 {
		return nil, fmt.Errorf("%q: %w", dir, ErrNoJob)
	}
	p.ledger, p.Lines, p.Digest, p.Closed = l, len(l.Lines), l.Digest(), l.Closed()
	p.found(l.verify())
	if l.Torn > 0 {
		p.found(tornError(l))
	}
	if p.Closed {
		p.Keys, p.ClosedAt = l.ClosedWith(), l.last().At
		p.Unsigned = len(p.Keys) == 0
	}
	known := []string{ledgerName, lockName}
	for _, line := range l.Lines {
		var f FileLine
		if !line.named() || line.Into(&f) != nil {
			continue
		}
		p.Files++
		known = append(known, f.File)
		p.found(v.verify(f))
	}
	if len(p.Problems) == 0 {
		p.found(v.take(ctx))
		p.found(v.belongs())
	}
	p.Strange, err = strangers(dir, known)
	return p, err
}

func (p *Proof) found(err error) {
	if err != nil {
		p.Problems = append(p.Problems, err.Error())
	}
}

// tornError is a problem of a closed job: of an open one it is the line that a power cut kept from being answered for. But a whole line
// with another byte than its line end was not cut.
func tornError(l *Ledger) error {
	if !l.Closed() {
		if n := len(l.cut); n > 0 {
			if _, err := parseLine(context.Background(), l.file(), len(l.Lines)+1, l.cut[:n-1]); err == nil {
				return fmt.Errorf("%s: %w: line %d has no line end", l.file(), ErrAltered, len(l.Lines)+1)
			}
		}
		return nil
	}
	return fmt.Errorf("%s: %w: %d bytes follow the closing line", l.file(), ErrAltered, l.Torn)
}

// named reports whether the line names a file.
func (l *Line) named() bool {
	return slices.Contains([]Kind{Snapshot, Planned, Captured, Attached, Recorded}, l.Kind)
}

// belongs holds the snapshots and the order against each other.
func (v *Visit) belongs() error {
	var errs []error
	for _, s := range []*snapshot.Snapshot{v.Before, v.After} {
		if s != nil {
			errs = append(errs, s.Verify(nil))
		}
	}
	if v.Order != nil && v.Before.Seal != nil && v.Order.Snapshot.Digest != "sha256:"+v.Before.Seal.SHA256 {
		errs = append(errs, fmt.Errorf("the order was made from another snapshot: %s", v.Order.Snapshot.Digest))
	}
	if v.Before != nil && v.After != nil && !v.because() {
		if s := snapshot.Share(v.Before.Report, v.After.Report); !s.Enough() {
			errs = append(errs, fmt.Errorf("the snapshots share %d of %d units", s.Units, s.Of))
		}
	}
	return errors.Join(errs...)
}

// because reports whether a person gave a reason for the snapshot after the work.
func (v *Visit) because() bool {
	return slices.ContainsFunc(v.Files, func(f FileLine) bool { return f.What == After && f.Because != "" })
}

// strangers lists the files of a folder that are none of the known ones.
func strangers(dir string, known []string) ([]string, error) {
	out := []string{}
	err := filepath.WalkDir(dir, func(path string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		name, err := filepath.Rel(dir, path)
		if name = filepath.ToSlash(name); err == nil && !slices.Contains(known, name) {
			out = append(out, name)
		}
		return err
	})
	return out, err
}

// Pack writes the job as a zip: the ledger and the files that it names, and nothing else. A job that does not pass Check is refused.
func Pack(ctx context.Context, dir string, w io.Writer) error {
	p, err := Check(ctx, dir)
	if err != nil {
		return err
	}
	if len(p.Problems) > 0 {
		return fmt.Errorf("pack %q: it does not pass muster job check: %s", dir, p.Problems[0])
	}
	v, err := LoadVisit(ctx, dir, "")
	if err != nil {
		return err
	}
	z := zip.NewWriter(w)
	names := []string{ledgerName}
	for _, f := range v.Files {
		names = append(names, f.File)
	}
	for _, name := range names {
		if err := v.pack(z, name); err != nil {
			return fmt.Errorf("pack %q: %w", dir, err)
		}
	}
	if err := z.Close(); err != nil {
		return fmt.Errorf("pack %q: %w", dir, err)
	}
	return nil
}

func (v *Visit) pack(z *zip.Writer, name string) error {
	path, err := v.path(name)
	if err != nil {
		return err
	}
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	defer f.Close()
	h := &zip.FileHeader{Name: name, Method: zip.Deflate, Modified: v.Ledger.last().At.UTC()}
	h.SetMode(0o644)
	to, err := z.CreateHeader(h)
	if err != nil {
		return err
	}
	_, err = io.Copy(to, f)
	return err
}
