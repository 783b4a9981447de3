package job

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
)

// trafficDir holds the raw traffic of a job.
const trafficDir = "traffic"

// Writing announces that a piece of traffic of this name is being written, until done. Another program then leaves it alone.
func (v *Visit) Writing(name string) (done func(), err error) {
	dir := filepath.Join(v.Dir, trafficDir)
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return nil, err
	}
	return Lock(filepath.Join(dir, "."+name+".lock"))
}

// unfinished matches the name under which a piece is written, before it gets its own.
var unfinished = regexp.MustCompile(`^\.muster-[0-9]+-(.+)$`)

// Recover takes up the traffic of programs that were stopped before the ledger named it, and gives the names. A piece that is being written
// is left alone, and an empty one is removed. A job that is closed or elsewhere has nothing to recover.
func (v *Visit) Recover(ctx context.Context, by string) (names []string, err error) {
	dir := filepath.Join(v.Dir, trafficDir)
	entries, err := os.ReadDir(dir)
	if errors.Is(err, os.ErrNotExist) || v.Ledger.Open() != nil {
		return nil, nil
	}
	for _, e := range entries {
		piece := e.Name()
		if m := unfinished.FindStringSubmatch(piece); m != nil {
			piece = m[1]
		}
		if e.IsDir() || strings.HasPrefix(piece, ".") || piece == e.Name() && v.Has(trafficDir+"/"+piece) {
			continue
		}
		name, terr := v.recover(ctx, by, e.Name(), piece)
		if name != "" {
			names = append(names, name)
		}
		err = errors.Join(err, terr)
	}
	slices.Sort(names)
	return names, err
}

// recover takes up one piece; "" when there is nothing in it, or when it is being written.
func (v *Visit) recover(ctx context.Context, by, file, piece string) (string, error) {
	dir := filepath.Join(v.Dir, trafficDir)
	done, err := tryLock(filepath.Join(dir, "."+piece+".lock"))
	if err != nil || done == nil {
		return "", err
	}
	defer done()
	path := filepath.Join(dir, file)
	if fi, err := os.Stat(path); err != nil || fi.Size() == 0 {
		return "", errors.Join(err, os.Remove(path))
	}
	name := v.Name(trafficDir + "/cut-" + strings.TrimPrefix(piece, "cut-"))
	if err := os.Rename(path, filepath.Join(v.Dir, filepath.FromSlash(name))); err != nil {
		return "", err
	}
	return name, v.keep(ctx, by, name, "cut off: the program that wrote it was stopped")
}
