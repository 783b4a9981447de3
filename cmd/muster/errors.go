package main

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"path/filepath"

	"muster/internal/check"
	"muster/internal/cli"
	"muster/internal/daemon"
)

// Exit statuses.
const (
	exitDone     = 0
	exitFindings = 1 // findings at or above --fail-on
	exitUsage    = 2 // bad usage or bad input
	exitSource   = 3 // a source failed
)

// findingsError ends a command whose work is done but whose findings are at or above --fail-on.
type findingsError struct {
	count int
	least check.Severity
	what  string // "finding" when empty

	unjudged int // checks that could judge with more time or by asking
}

func (e *findingsError) Error() string {
	what := cmp.Or(e.what, "finding")
	if e.unjudged > 0 {
		judged := fmt.Sprintf("%s not judged: more time or asking is needed", number(e.unjudged, "check"))
		if e.count == 0 {
			return judged
		}
		return (&findingsError{count: e.count, least: e.least, what: e.what}).Error() + "; " + judged
	}
	if e.count == 1 {
		return fmt.Sprintf("1 %s is %s or worse", what, e.least)
	}
	return fmt.Sprintf("%d %ss are %s or worse", e.count, what, e.least)
}

// workError ends a command whose work order is not done.
type workError struct{ failed, open int }

func (e *workError) Error() string {
	return fmt.Sprintf("the work order is not done: %s failed, %s open", number(e.failed, "step"),
		number(e.open, "step"))
}

// signerError ends a command whose subject is as it was written, and of which nobody trusted says so.
type signerError struct {
	what  string
	count int
}

func (e *signerError) Error() string {
	if e.count == 1 {
		return fmt.Sprintf("the %s is unaltered, and no trusted key signed it", e.what)
	}
	return fmt.Sprintf("%d %ss are unaltered, and no trusted key signed them", e.count, e.what)
}

// fail prints an error as one line, with its hint as a second, and returns the exit status.
func (a *app) fail(err error) int {
	if err == nil {
		return exitDone
	}
	if f, ok := errors.AsType[*findingsError](err); ok {
		fmt.Fprintln(a.stderr, f)
		return exitFindings
	}
	if w, ok := errors.AsType[*workError](err); ok {
		fmt.Fprintln(a.stderr, w)
		return exitFindings
	}
	if s, ok := errors.AsType[*signerError](err); ok {
		fmt.Fprintf(a.stderr, "%s\nhint: %s\n", s, trustHint)
		return exitFindings
	}
	if f, ok := errors.AsType[faultsError](err); ok {
		fmt.Fprintln(a.stderr, f)
		return exitFindings
	}
	status := exitUsage
	for _, e := range cli.Flatten(err) {
		if s, ok := errors.AsType[*daemon.SourceError](e); ok && !s.BadInput && !cli.Hinted(e) {
			e = cli.WithHint(e, "muster doctor '%s' shows what is wrong and how to repair it", s.Source)
		}
		cli.Print(a.stderr, e,
			"another program, perhaps another muster, listens there: end it or choose another address with --listen")
		if sourceFailed(e) {
			status = exitSource
		}
	}
	return status
}

// sourceFailed separates a source that failed from a mistake in what was asked for: a capture that is not there or
// that cannot be read is bad input, as is a scenario; an interface or port that is not there is a source that failed.
func sourceFailed(err error) bool {
	s, ok := errors.AsType[*daemon.SourceError](err)
	return ok && !s.BadInput
}

// overwriting refuses to open an output file that exists, unless forced.
func overwriting(err error, name string) error {
	if errors.Is(err, fs.ErrExist) {
		return cli.WithHint(fmt.Errorf("write %q: the file exists", name),
			"choose another name, or add --force to overwrite it")
	}
	err = fmt.Errorf("write %q: %w", name, cli.PlainPath(err))
	if errors.Is(err, fs.ErrNotExist) {
		return cli.WithHint(err, "make the folder %q first, or name a file in another one", filepath.Dir(name))
	}
	return err
}
