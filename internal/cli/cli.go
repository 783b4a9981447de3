// Package cli is what the programs' command lines share: errors with a way out, and a few additions to cobra.
package cli

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"runtime/debug"
	"strings"
	"syscall"

	"golang.org/x/term"

	"muster/internal/boat"
)

// hinted is an error with a way out.
type hinted struct {
	err  error
	hint string
}

func (e *hinted) Error() string { return e.err.Error() }
func (e *hinted) Unwrap() error { return e.err }

// WithHint adds the way out to an error.
func WithHint(err error, format string, args ...any) error {
	return &hinted{err, fmt.Sprintf(format, args...)}
}

// Hinted reports whether an error has a way out already.
func Hinted(err error) bool {
	_, ok := errors.AsType[*hinted](err)
	return ok
}

// Print writes an error as one line, with its way out as a second. busy is the way out when another program has the
// address.
func Print(w io.Writer, err error, busy string) {
	fmt.Fprintf(w, "error: %s\n", strings.ReplaceAll(boat.Printable(strings.ReplaceAll(err.Error(), "\n", "; ")), "\t", " "))
	if h, ok := errors.AsType[*hinted](err); ok {
		fmt.Fprintf(w, "hint: %s\n", h.hint)
	} else if errors.Is(err, syscall.EADDRINUSE) || strings.Contains(err.Error(), syscall.EADDRINUSE.Error()) { // or its text alone
		fmt.Fprintf(w, "hint: %s\n", busy)
	}
}

// Flatten takes joined errors apart, so that each gets its line.
func Flatten(err error) []error {
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
			all = append(all, Flatten(e)...)
		}
	}
	if len(all) == 0 {
		return []error{err}
	}
	return all
}

// OneLine joins two errors with a semicolon; either may be nil.
func OneLine(a, b error) error {
	switch {
	case a == nil:
		return b
	case b == nil:
		return a
	}
	return fmt.Errorf("%w; %w", a, b)
}

// PlainPath takes the operation and the path off an error whose text names them already.
func PlainPath(err error) error {
	if pe, ok := errors.AsType[*fs.PathError](err); ok {
		return pe.Err
	}
	return err
}

// release is the version that a package was built as, set by the linker.
var release string

// Version is the module's version, or the commit of a build from a working tree.
func Version() string {
	info, ok := debug.ReadBuildInfo()
	switch {
	case release != "":
		return release
	case !ok:
		return "unknown"
	}
	version := info.Main.Version
	if version != "" && version != "(devel)" {
		return version
	}
	version = "devel"
	dirty := ""
	for _, s := range info.Settings {
		switch s.Key {
		case "vcs.revision":
			version = "devel-" + s.Value[:min(12, len(s.Value))]
		case "vcs.modified":
			if s.Value == "true" {
				dirty = "+changes"
			}
		}
	}
	return version + dirty
}

// Terminal returns the width of a terminal; ok is false when w is none.
func Terminal(w any) (width int, ok bool) {
	f, isFile := w.(*os.File)
	if !isFile || !term.IsTerminal(int(f.Fd())) {
		return 0, false
	}
	width, _, err := term.GetSize(int(f.Fd()))
	if err != nil || width < 20 {
		width = 80
	}
	return width, true
}
