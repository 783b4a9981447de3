package main

import (
	"errors"
	"fmt"
	"io/fs"
	"strings"
	"syscall"

	"github.com/alecthomas/kong"

	"muster/internal/boat"
)

// Exit statuses.
const (
	exitDone   = 0
	exitUsage  = 2 // bad usage or bad input
	exitServer = 3 // the message server failed
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

// serverError is a message server that failed or cannot be reached.
type serverError struct{ err error }

func (e *serverError) Error() string { return e.err.Error() }
func (e *serverError) Unwrap() error { return e.err }

// usage says where the right usage stands.
func usage(err error, k *kong.Context) error {
	command := "muster-hub"
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
	fmt.Fprintf(a.stderr, "error: %s\n", boat.Printable(strings.NewReplacer("\n", "; ", "\t", " ").Replace(err.Error())))
	if h := hint(err); h != "" {
		fmt.Fprintf(a.stderr, "hint: %s\n", h)
	}
	if _, ok := errors.AsType[*serverError](err); ok {
		return exitServer
	}
	return exitUsage
}

func hint(err error) string {
	if h, ok := errors.AsType[*hinted](err); ok {
		return h.hint
	}
	if errors.Is(err, syscall.EADDRINUSE) || strings.Contains(err.Error(), "address already in use") {
		return "another program, perhaps another hub, listens there: end it or choose another address with --listen or --boats-listen"
	}
	return ""
}

// plainPath takes the operation and the path off an error whose text names them already.
func plainPath(err error) error {
	if pe, ok := errors.AsType[*fs.PathError](err); ok {
		return pe.Err
	}
	return err
}
