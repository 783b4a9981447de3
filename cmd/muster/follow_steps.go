package main

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"maps"
	"path/filepath"
	"slices"
	"time"

	"muster/internal/boat"
	"muster/internal/cli"
	"muster/internal/event"
	"muster/internal/job"
	"muster/internal/release"
	"muster/internal/render"
	"muster/internal/report"
)

// How long a boat is received before it is checked (common practice, no source): the slowest of the usual messages
// come every 2.5 s, displays repeat their claims within half a minute.
const (
	aboardWithin = 30 * time.Second // for a device of the order to be received at all
	knownAfter   = 20 * time.Second // until what each device has is known
	knownWithin  = time.Minute      // for all devices of the order to have reported who they are
)

// following is one order being followed.
type following struct {
	out, errs io.Writer
	order     *release.Order
	follower  *release.Follower // nil until it is known what was before
	visit     *job.Visit        // keeps the steps instead of a file; nil without a job
	ctx       context.Context   //
	saved     []byte            // what is in the file, as this muster last read or wrote it
	file      string            // where the state is kept; empty for nowhere
	confirm   map[string]string // versions read off a screen, by step; taken once
	by        string
	reason    string
	board     *board // nil unless on a terminal
	stop      func()

	first, last event.Time // of the reports
	latest      *report.Report
	heard       event.Time // when a device was received first
	silent      bool       // it was printed that none is
	aboard      bool       // the boat is the order's
	begun       bool
	begunAt     event.Time
	checked     bool // the pre-checks were printed
	err         error
}

// observe takes a report. It implements daemon.Options.OnReport.
func (f *following) observe(now event.Time, r *report.Report, c release.Conditions) {
	if f.err != nil || now.IsZero() || f.begun && f.follower.Done() {
		return
	}
	if f.latest != nil {
		by := r.Window.MovedSince(f.latest.Window)
		f.first, f.begunAt = f.first.Add(by), f.begunAt.Add(by)
		if f.heard != 0 {
			f.heard = f.heard.Add(by)
		}
	}
	if f.first == 0 || now < f.first {
		f.first = now
	}
	f.last, f.latest = now, r
	if !f.isAboard(r) || f.follower == nil && !f.isKnown(r) {
		return
	}
	if err := f.step(now, r, c); err != nil {
		f.fail(err)
		return
	}
	f.board.draw(now, f.begunAt, f.follower.Status(), f.order.SupplyVolts, c)
	if f.follower.Done() {
		f.stop()
	}
}

// printLine prints to standard error, above the table when there is one.
func (f *following) printLine(format string, args ...any) {
	f.board.clear()
	fmt.Fprintln(f.errs, boat.Printable(fmt.Sprintf(format, args...)))
}

func (f *following) fail(err error) {
	f.err = err
	f.stop()
}

// isAboard reports whether the boat is known to be the order's. Where only the devices can show it, they get a while
// to send.
func (f *following) isAboard(r *report.Report) bool {
	if f.aboard {
		return true
	}
	if silent(r) {
		if f.last.Sub(f.first) >= aboardWithin && !f.silent {
			f.silent = true
			f.printLine("nothing received yet: check that the boat's electronics are on, the connector, and the bit rate")
		}
		return false
	}
	if f.heard == 0 || f.last < f.heard {
		f.heard = f.last
	}
	err := f.order.CheckBoat(r)
	other := f.order.Boat.ID != "" && r.Boat.ID != "" && f.order.Boat.ID != r.Boat.ID
	if err != nil && (other || f.last.Sub(f.heard) >= aboardWithin) {
		f.fail(err)
	}
	f.aboard = err == nil
	return f.aboard
}

// isKnown reports whether the report has what each device of the order has, as completely as it ever will.
func (f *following) isKnown(r *report.Report) bool {
	heard := f.last.Sub(f.first)
	if from := r.Window.From; from != 0 {
		heard = f.last.Sub(from)
	}
	if heard < knownAfter || heard >= knownWithin {
		return heard >= knownWithin
	}
	for _, s := range f.order.Steps() {
		if d := r.Device(s.Device.ID); s.Device.ByHand == nil && (d == nil || d.State != boat.Present || d.Version() == "") {
			return false
		}
	}
	return true
}

// step moves the steps on, prints what changed and keeps it.
func (f *following) step(now event.Time, r *report.Report, c release.Conditions) error {
	keep := !f.begun
	if f.follower == nil {
		var err error
		if f.follower, err = release.NewFollower(f.order, r); err != nil {
			return err
		}
	}
	if !f.begun {
		f.begun, f.begunAt = true, now
		f.begin()
	}
	f.check(r, c)
	changes, err := f.turn(now, r, c, keep)
	if err != nil {
		return err
	}
	if len(changes) > 0 {
		f.board.clear()
	}
	for _, ch := range changes {
		if _, err := fmt.Fprintln(f.out, render.StepChange(ch)); err != nil {
			return err
		}
	}
	return nil
}

// turn moves the steps on by one report, and keeps their state before it returns. Another program may have kept
// something since: a job or a state file is locked meanwhile, and read again.
func (f *following) turn(
	now event.Time, r *report.Report, c release.Conditions, keep bool,
) ([]release.StepChange, error) {
	if f.visit != nil {
		return f.visit.Observe(f.ctx, now, r, c)
	}
	if f.file != "" {
		unlock, err := f.lock()
		if err != nil {
			return nil, err
		}
		defer unlock()
		if err := f.reload(); err != nil {
			return nil, err
		}
	}
	changes, err := f.takeReport(now, r, c)
	if err == nil && (keep || len(changes) > 0) {
		err = f.save()
	}
	return changes, err
}

// lock keeps others from the state file until unlock.
func (f *following) lock() (unlock func(), err error) {
	unlock, err = job.Lock(filepath.Join(filepath.Dir(f.file), "."+filepath.Base(f.file)+".lock"))
	if err != nil {
		return nil, overwriting(err, f.file)
	}
	return unlock, nil
}

// reload takes up what another muster kept in the state file since.
func (f *following) reload() error {
	saved, err := readFile(f.ctx, f.file, maxSnapshot)
	if errors.Is(err, fs.ErrNotExist) || err == nil && bytes.Equal(saved, f.saved) {
		return nil
	}
	if err != nil {
		return fmt.Errorf("--state %q: %w", f.file, err)
	}
	other, err := release.Restore(f.ctx, f.order, saved)
	if err != nil {
		return fmt.Errorf("--state %s: %w", f.file, err)
	}
	f.follower, f.saved = other, saved
	return nil
}

// takeReport takes a report, and a version read off a screen.
func (f *following) takeReport(now event.Time, r *report.Report, c release.Conditions) ([]release.StepChange, error) {
	changes := f.follower.Observe(now, r, c)
	at := now // a replay that goes on from a state begins before what is known already
	for _, st := range f.follower.Status() {
		at = max(at, st.LeftAt, st.BackAt, st.IdentifiedAt, st.FailedAt)
	}
	for _, id := range slices.Sorted(maps.Keys(f.confirm)) {
		more, err := f.follower.Confirm(at, id, release.Reading{Version: f.confirm[id], By: f.by, Reason: f.reason})
		if err != nil {
			return nil, fmt.Errorf("--confirm %s: %w", id, err)
		}
		changes = append(changes, more...)
	}
	f.confirm = nil
	return changes, nil
}

// begin prints what is followed, and before the first step what to mind.
func (f *following) begin() {
	f.printLine("following %s", number(len(f.order.Steps()), "step"))
	if f.follower.Waiting() {
		for _, s := range f.order.Cautions {
			f.printLine("caution: %s", s)
		}
	}
}

// check prints once which pre-checks are not passed now: as soon as all is known, or after listening long enough to
// be sure that it will not be.
func (f *following) check(r *report.Report, c release.Conditions) {
	known := c.SupplyVolts != nil && c.EngineRPM != nil && c.SpeedMS != nil
	if f.checked || !known && f.last.Sub(f.first) < knownAfter {
		return
	}
	f.checked = true
	if !f.follower.Waiting() {
		return
	}
	for _, p := range f.order.Check(r, c) {
		if p.Result != release.Passed {
			f.printLine("%s %s: %s", p.ID, p.Result, p.Text)
		}
	}
}

// save writes the state whole or not at all.
func (f *following) save() error {
	if f.file == "" {
		return nil
	}
	text, err := f.follower.Save()
	if err != nil {
		return err
	}
	f.saved = text
	return writeFile(f.file, text, true)
}

// saveLast keeps what was seen since the last change, unless another program kept more meanwhile.
func (f *following) saveLast() error {
	if f.visit != nil || f.file == "" {
		return nil
	}
	unlock, err := f.lock()
	if err != nil {
		return err
	}
	defer unlock()
	was := f.follower
	if err := f.reload(); err != nil || f.follower != was {
		return err
	}
	return f.save()
}

// end prints the state of every step. err is what the source ended with.
func (f *following) end(err error) error {
	f.board.clear()
	if f.err != nil {
		return f.err
	}
	if !f.begun {
		return errors.Join(err, f.neverBegan(err))
	}
	if serr := f.saveLast(); serr != nil {
		return errors.Join(err, serr)
	}
	if _, werr := io.WriteString(f.out, "\n"); werr != nil {
		return werr
	}
	if werr := render.Steps(f.out, f.follower.Status()); werr != nil {
		return werr
	}
	if err != nil {
		return err
	}
	failed, open := 0, 0
	for _, s := range f.follower.Status() {
		switch s.State {
		case release.StepVerified:
		case release.StepFailed, release.StepDisputed:
			failed++
		default:
			open++
		}
	}
	if failed+open > 0 {
		return &workError{failed, open}
	}
	return nil
}

func (f *following) neverBegan(err error) error {
	switch {
	case err != nil:
		return nil
	case f.latest == nil || silent(f.latest):
		return cli.WithHint(errors.New("follow: nothing was received"),
			"check that the boat's electronics are on, the connector, and the bit rate")
	}
	if err := f.order.CheckBoat(f.latest); err != nil {
		return err
	}
	return cli.WithHint(fmt.Errorf("follow: %v is too short to record the settings of each device before the work",
		f.last.Sub(f.first).Round(time.Second)),
		"listen for at least %v, or give the snapshot with --before", knownAfter)
}
