package main

import (
	"errors"

	"muster/internal/cli"
)

// Exit statuses.
const (
	exitDone   = 0
	exitUsage  = 2 // bad usage or bad input
	exitServer = 3 // the message server failed
)

// serverError is a message server that failed or cannot be reached.
type serverError struct{ err error }

func (e *serverError) Error() string { return e.err.Error() }
func (e *serverError) Unwrap() error { return e.err }

// fail prints each error as one line, with its hint as a second, and returns the exit status.
func (a *app) fail(err error) int {
	if err == nil {
		return exitDone
	}
	for _, e := range cli.Flatten(err) {
		cli.Print(a.stderr, e, "another program, perhaps another hub, listens there: end it or choose another address with --listen or --boats-listen")
	}
	if _, ok := errors.AsType[*serverError](err); ok {
		return exitServer
	}
	return exitUsage
}
