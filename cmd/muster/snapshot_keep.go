package main

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"sync"
	"time"

	"muster/internal/boat"
	"muster/internal/cli"
	"muster/internal/config"
	"muster/internal/daemon"
	"muster/internal/event"
	"muster/internal/report"
	"muster/internal/snapshot"
	"muster/internal/tap"
)

// keeper writes the traffic of one source into a capture while the source is read. Until keep the file has a name of
// its own.
type keeper struct {
	mu      sync.Mutex // guards all: a source may be read a little longer than needed
	out     *captureFile
	skipped uint64
	flushed time.Time // a program that is killed loses what came since
	err     error
}

// flushEvery is how often what was written is handed to the system.
const flushEvery = 10 * time.Second

func newKeeper(name string) (*keeper, error) {
	f, err := os.CreateTemp(filepath.Dir(name), ".muster-*-"+filepath.Base(name))
	if err != nil {
		return nil, overwriting(err, name)
	}
	err = f.Chmod(0o644)
	if cerr := f.Close(); err == nil {
		err = cerr
	}
	if err != nil {
		return nil, overwriting(err, name)
	}
	out, err := createCapture(f.Name(), true)
	if err != nil {
		_ = os.Remove(f.Name())
		return nil, err
	}
	return &keeper{out: out}, nil
}

// around makes an opener keep what its source gives. A nil keeper keeps nothing.
func (k *keeper) around(open func(string, bool) (tap.Source, error)) func(string, bool) (tap.Source, error) {
	if k == nil {
		return open
	}
	return func(spec string, transmit bool) (tap.Source, error) {
		src, err := open(spec, transmit)
		if err != nil {
			return nil, err
		}
		kept := &keptSource{src, k}
		switch s := src.(type) { // it must show what the source can do
		case tap.Sender:
			return struct {
				*keptSource
				tap.Sender
			}{kept, s}, nil
		case tap.Recorded:
			return keptRecord{kept, s}, nil
		}
		return kept, nil
	}
}

type keptSource struct {
	tap.Source
	k *keeper
}

// Read implements tap.Source.
func (s *keptSource) Read(events []event.Event) (int, error) {
	n, err := s.Source.Read(events)
	if kerr := s.k.write(events[:n]); kerr != nil {
		return n, kerr
	}
	return n, err
}

// Asks implements tap.Asker.
func (s *keptSource) Asks() bool {
	a, ok := s.Source.(tap.Asker)
	return ok && a.Asks()
}

// keptRecord is a recorded source whose traffic is kept: a pipe.
type keptRecord struct {
	*keptSource
	record tap.Recorded
}

// Progress implements tap.Recorded.
func (s keptRecord) Progress() (read, total int64) { return s.record.Progress() }

func (k *keeper) write(events []event.Event) error {
	k.mu.Lock()
	defer k.mu.Unlock()
	for i := range events {
		if k.out == nil || k.err != nil {
			break
		}
		k.err = k.out.Write(&events[i])
	}
	if now := time.Now(); k.out != nil && k.err == nil && now.Sub(k.flushed) >= flushEvery {
		k.flushed, k.err = now, k.out.sync()
	}
	return k.err
}

// keep ends the capture and gives it its name.
func (k *keeper) keep(name string, force bool) (snapshot.File, error) {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.err != nil {
		return snapshot.File{}, k.err
	}
	if k.out == nil {
		return snapshot.File{}, errors.New("the capture was kept before")
	}
	out := k.out
	k.out, k.skipped = nil, out.Skipped()
	if err := out.Close(); err != nil {
		_ = os.Remove(out.name)
		return snapshot.File{}, err
	}
	if err := place(out.name, name, force); err != nil {
		_ = os.Remove(out.name)
		return snapshot.File{}, err
	}
	return digestFile(name)
}

// discard takes away what was not kept.
func (k *keeper) discard() {
	k.mu.Lock()
	defer k.mu.Unlock()
	if k.out != nil {
		_ = k.out.Close()
		_ = os.Remove(k.out.name)
		k.out = nil
	}
}

// once is a config for one snapshot of a boat: the state, the pages and the notices are the daemon's alone.
func once(cfg config.Config) config.Config {
	cfg.Listen, cfg.StateDir, cfg.Notify = "off", "", nil
	return cfg
}

// recompute makes the report from a kept capture. known is a report of the same traffic: it gives what the capture
// does not hold, which is the boat, the clock, manufacturer names, our own presence and which devices did not answer.
func (a *app) recompute(ctx context.Context, cfg config.Config, capture string, known *report.Report) (*report.Report, error) {
	cfg = once(cfg)
	cfg.Boat = known.Boat
	cfg.Sources = []config.Source{{Source: capture}}
	cfg.Manufacturers = maps.Clone(cfg.Manufacturers)
	for i := range known.Devices {
		if n := known.Devices[i].Name; n != nil && n.Manufacturer.Name != "" {
			if cfg.Manufacturers == nil {
				cfg.Manufacturers = map[uint16]string{}
			}
			cfg.Manufacturers[uint16(n.Manufacturer.Code)] = n.Manufacturer.Name
		}
	}
	bar := a.progress()
	defer bar.done()
	r, err := daemon.Replay(ctx,
		daemon.Options{Config: cfg, Log: a.errorLog(cfg), Version: cli.Version(), Open: a.opener(false), Known: known,
			Manual: append([]boat.Manual{}, known.Manual...)}, 0, bar.set)
	if err != nil {
		return nil, fmt.Errorf("recompute the report from %s: %w", capture, err)
	}
	if ctx.Err() != nil {
		return nil, fmt.Errorf("recompute the report from %s: interrupted", capture)
	}
	return r, nil
}
