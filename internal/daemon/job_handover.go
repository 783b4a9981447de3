package daemon

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/job"
	"muster/internal/snapshot"
)

// packName is that of a job's pack while it is made, in the folder of the jobs.
const packName = ".muster-pack-*.zip"

// handOver says in the ledger who has the job from now on.
func (k *jobs) handOver(ctx context.Context, v *job.Visit, a api.JobAct) error {
	to := boat.Printable(strings.TrimSpace(a.To))
	if err := given("to", to); err != nil {
		return err
	}
	return v.HandOver(ctx, a.By, to)
}

// PackJob implements api.Jobs. The pack is a file of its own: memory holds none of it, and whoever reads it slowly keeps nobody waiting.
func (k *jobs) PackJob(ctx context.Context, folder string) (pack io.ReadCloser, err error) {
	err = k.do(ctx, func(ctx context.Context) error {
		names, err := k.folders()
		if folder == "" && len(names) > 0 {
			folder = k.folder
		}
		if err != nil || !slices.Contains(names, folder) {
			return errors.Join(err, fmt.Errorf("job %q: %w", folder, api.ErrNoSuch))
		}
		f, err := os.CreateTemp(k.dir, packName)
		if err != nil {
			return err
		}
		if err = job.Pack(ctx, filepath.Join(k.dir, folder), f); err == nil {
			_, err = f.Seek(0, io.SeekStart)
		}
		if pack = (temporary{f}); err != nil {
			_ = pack.Close()
		}
		return err
	})
	return pack, err
}

// temporary is a file that is removed when it is closed.
type temporary struct{ *os.File }

func (t temporary) Close() error { return errors.Join(t.File.Close(), os.Remove(t.Name())) }

// TakeJob implements api.Jobs.
func (k *jobs) TakeJob(ctx context.Context, by string, pack io.ReaderAt, size int64) error {
	by = boat.Printable(strings.TrimSpace(by))
	if err := named(by); err != nil {
		return err
	}
	return k.do(ctx, func(ctx context.Context) error {
		if k.visit != nil && k.visit.Ledger.Open() == nil {
			return fmt.Errorf("take over: %w", api.ErrJobOpen)
		}
		folder, err := k.folder, job.ErrOtherJob
		if k.visit != nil { // it may have been handed over from here
			_, err = job.Unpack(ctx, k.visit.Dir, onBoat, pack, size, k.ofThisBoat)
		}
		if errors.Is(err, job.ErrOtherJob) {
			if folder, err = k.newFolder("taken-over"); err != nil {
				return err
			}
			_, err = job.Unpack(ctx, filepath.Join(k.dir, folder), onBoat, pack, size, k.ofThisBoat)
		}
		if err != nil {
			return err
		}
		if !slices.Contains(k.names, folder) {
			k.names = append(k.names, folder)
		}
		if k.load(ctx, folder); k.visit == nil {
			return errors.New(k.problem)
		}
		return k.visit.TakeOver(ctx, by)
	})
}

// ofThisBoat refuses a job of another boat than the one that is received.
func (k *jobs) ofThisBoat(v *job.Visit) error {
	if v.Before == nil {
		return nil // nothing in it is of a boat yet
	}
	live := k.live()
	if live == nil {
		return errors.New("nothing is received, so the boat cannot be compared: try again when its electronics are on")
	}
	if s := snapshot.Share(v.Before.Report, live.Report); s.Units == 0 || !s.Enough() {
		return fmt.Errorf("it is of another boat: it shares %d of %d units with this one: %s", s.Units, s.Of, strings.Join(s.Differences, ", "))
	}
	return nil
}
