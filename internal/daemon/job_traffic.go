package daemon

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"time"

	"github.com/klauspost/compress/zstd"

	"muster/internal/capture"
	"muster/internal/event"
	"muster/internal/job"
)

// Bounds of the raw traffic that a job keeps here. The job and its photos must still go into one file, which has a bound too.
const (
	maxPiece     = 8 << 20  // bytes of one file, packed: so much is lost when the card fails in it
	maxTraffic   = 96 << 20 // bytes of all
	flushTraffic = 10 * time.Second
)

// trafficFull is the note of a job that keeps no more raw traffic.
var trafficFull = fmt.Sprintf("The raw traffic that is kept here has reached %d MB: what came later is not kept", maxTraffic>>20)

// trafficLog is where raw traffic goes while a job is open.
type trafficLog struct {
	mu       sync.Mutex    // guards all: the model's goroutine writes, that of the jobs begins and ends pieces
	networks []event.Event // the latest introduction of each, which every piece begins with
	out      *piece        // nil while no traffic is kept
}

// piece is one file of raw traffic. Until it is done it has a name by which a later start finds it.
type piece struct {
	*capture.Writer
	of      *job.Visit
	name    string // that it will get, in the job's folder
	file    *os.File
	pack    *zstd.Encoder
	done    func() // lets others have it
	flushed time.Time
	err     error // of writing
}

// Write keeps events while a job is open. A nil log keeps nothing.
func (l *trafficLog) Write(events []event.Event) {
	if l == nil {
		return
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	for i := range events {
		e := &events[i]
		if e.Kind == event.KindNetwork {
			l.networks = slices.DeleteFunc(l.networks, func(o event.Event) bool { return o.Network == e.Network })
			l.networks = append(l.networks, *e)
		}
		if l.out != nil && l.out.err == nil {
			l.out.err = l.out.Write(e)
		}
	}
}

// swap lets another piece take what comes from now on, or none, and gives the one before.
func (l *trafficLog) swap(next *piece) (last *piece) {
	l.mu.Lock()
	defer l.mu.Unlock()
	for i := range l.networks {
		if next != nil && next.err == nil {
			next.err = next.Write(&l.networks[i])
		}
	}
	last, l.out = l.out, next
	return last
}

// look gives the size of the present piece, and what went wrong with it; ok is false when there is none. What waits goes to the disk.
func (l *trafficLog) look(now time.Time) (size int64, ok bool, err error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	p := l.out
	if p == nil {
		return 0, false, nil
	}
	if now.Sub(p.flushed).Abs() >= flushTraffic && p.err == nil {
		p.flushed = now
		p.err = errors.Join(p.Flush(), p.pack.Flush())
	}
	size, serr := p.file.Seek(0, io.SeekCurrent)
	return size, true, errors.Join(p.err, serr)
}

// keepTraffic begins, ends and changes the piece of raw traffic: there is one from the opening of a job to the snapshot after the work.
// What goes wrong with it is logged once, and keeps nobody from the job.
func (k *jobs) keepTraffic(ctx context.Context) {
	if k.traffic == nil {
		return
	}
	size, writing, err := k.traffic.look(k.now())
	wanted := k.visit != nil && k.visit.Ledger.Open() == nil && k.visit.After == nil && !k.noTraffic
	if writing && (!wanted || err != nil || size >= k.pieceBytes) {
		err = errors.Join(err, k.endTraffic(ctx))
		writing = false
	}
	if err == nil && wanted && !writing {
		err = k.beginTraffic(ctx)
	}
	if err != nil {
		k.noTraffic = true
		k.log.Error().Err(err).Str("folder", k.folder).Msg("the job goes on without its raw traffic")
	}
}

// beginTraffic begins a piece, unless the job has as much as it may keep.
func (k *jobs) beginTraffic(ctx context.Context) error {
	v := k.visit
	if _, err := v.Recover(ctx, "muster"); err != nil {
		return err
	}
	var all int64
	for _, f := range v.Files {
		if f.What == job.Traffic {
			all += f.Bytes
		}
	}
	if all >= k.trafficBytes {
		k.noTraffic = true
		return v.Add(ctx, job.Entry{Kind: job.Note, By: "muster", Data: job.Words{Text: trafficFull}})
	}
	name := v.Name("traffic/boat-" + k.now().UTC().Format("20060102T150405.000") + ".log.zst")
	done, err := v.Writing(filepath.Base(name))
	if err != nil {
		return err
	}
	p := &piece{of: v, name: name, done: done, flushed: k.now()}
	if p.file, err = os.CreateTemp(filepath.Join(v.Dir, "traffic"), ".muster-*-"+filepath.Base(name)); err != nil {
		done()
		return err
	}
	// One goroutine and a small window: this runs beside all else on a small computer.
	p.pack, err = zstd.NewWriter(p.file, zstd.WithEncoderConcurrency(1), zstd.WithWindowSize(256<<10),
		zstd.WithLowerEncoderMem(true))
	if err == nil {
		p.Writer, err = capture.NewWriter(p.pack, capture.FormatCandump)
	}
	if err != nil {
		done()
		return errors.Join(err, p.file.Close(), os.Remove(p.file.Name()))
	}
	k.traffic.swap(p)
	return nil
}

// endTraffic ends the present piece, and names it in the ledger. Where that is no longer open, the next start finds it.
func (k *jobs) endTraffic(ctx context.Context) error {
	if k.traffic == nil {
		return nil
	}
	p := k.traffic.swap(nil)
	if p == nil {
		return nil
	}
	defer p.done()
	err := errors.Join(p.err, p.Flush(), p.pack.Close(), p.file.Chmod(0o644), p.file.Sync(), p.file.Close())
	if err != nil {
		return err
	}
	if err := os.Rename(p.file.Name(), filepath.Join(p.of.Dir, filepath.FromSlash(p.name))); err != nil {
		return err
	}
	return p.of.Keep(ctx, "muster", p.name)
}
