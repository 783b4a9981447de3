package main

import (
	"cmp"
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"syscall"

	"github.com/alecthomas/kong"

	"muster/internal/boat"
	"muster/internal/daemon"
)

// Exit statuses.
const (
	exitDone     = 0
	exitFindings = 1 // findings at or above --fail-on
	exitUsage    = 2 // bad usage or bad input
	exitSource   = 3 // a source failed
)

// hinted is an error with a way out.
type hinted struct {
	err  error
	hint string
}

func (e *hinted) Error() string { return e.err.Error() }
func (e *hinted) Unwrap() error { return e.err }

// withHint adds the way out to an error.
func withHint(err error, format string, args ...any) error {
	return &hinted{err, fmt.Sprintf(format, args...)}
}

// findingsError ends a command whose work is done but whose findings are at or above --fail-on.
type findingsError struct {
	count int
	least boat.Severity
	what  string // "finding" when empty
}

func (e *findingsError) Error() string {
	what := cmp.Or(e.what, "finding")
	if e.count == 1 {
		return fmt.Sprintf("1 %s is %s or worse", what, e.least)
	}
	return fmt.Sprintf("%d %ss are %s or worse", e.count, what, e.least)
}

// workError ends a command whose work order is not done.
type workError struct{ failed, open int }

func (e *workError) Error() string {
	return fmt.Sprintf("the work order is not done: %s failed, %s open", number(e.failed, "step"), number(e.open, "step"))
}

// usage says where the right usage stands.
func usage(err error, k *kong.Context) error {
	command := "muster"
	if pe, ok := errors.AsType[*kong.ParseError](err); ok && k == nil {
		k = pe.Context
	}
	if k != nil && k.Selected() != nil {
		command = k.Selected().FullPath()
	}
	return withHint(err, "%s --help shows what there is", command)
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
	status := exitUsage
	for _, e := range flatten(err) {
		fmt.Fprintf(a.stderr, "error: %s\n", strings.ReplaceAll(boat.Printable(strings.ReplaceAll(e.Error(), "\n", "; ")), "\t", " "))
		if h := hint(e); h != "" {
			fmt.Fprintf(a.stderr, "hint: %s\n", h)
		}
		if sourceFailed(e) {
			status = exitSource
		}
	}
	return status
}

// flatten takes joined errors apart, so that each gets its line.
func flatten(err error) []error {
	joined, ok := err.(interface{ Unwrap() []error })
	if !ok {
		return []error{err}
	}
	if _, formatted := err.(fmt.Formatter); formatted {
		return []error{err}
	}
	var all []error
	for _, e := range joined.Unwrap() {
		if strings.Contains(err.Error(), "\n") || len(joined.Unwrap()) == 1 {
			all = append(all, flatten(e)...)
		}
	}
	if len(all) == 0 {
		return []error{err}
	}
	return all
}

func hint(err error) string {
	if h, ok := errors.AsType[*hinted](err); ok {
		return h.hint
	}
	if errors.Is(err, syscall.EADDRINUSE) {
		return "another program, perhaps another muster, listens there: end it or choose another address with --listen"
	}
	return ""
}

// sourceFailed tells a source that failed from a mistake in what was asked for: a capture that is not there or that
// nobody can read is bad input, as is a scenario; an interface or port that is not there is a source that failed.
func sourceFailed(err error) bool {
	s, ok := errors.AsType[*daemon.SourceError](err)
	return ok && !s.BadInput
}

// overwriting refuses to open an output file that exists, unless forced.
func overwriting(err error, name string) error {
	if errors.Is(err, fs.ErrExist) {
		return withHint(fmt.Errorf("write %q: the file exists", name), "choose another name, or add --force to overwrite it")
	}
	return fmt.Errorf("write %q: %w", name, plainPath(err))
}

// plainPath takes the operation and the path off an error whose text names them already.
func plainPath(err error) error {
	if pe, ok := errors.AsType[*fs.PathError](err); ok {
		return pe.Err
	}
	return err
}
