package daemon

import (
	"errors"
	"os"
	"slices"
	"strings"

	"muster/internal/tap"
)

var (
	errNoSource = errors.New("no source: name one, such as can0, on the command line or under sources in the config file")
	errStopped  = errors.New("the daemon has stopped")
)

// SourceError is about one source.
type SourceError struct {
	Source   string // as the command line writes it
	BadInput bool   // what was named is wrong or cannot be read, as opposed to a source that should work but fails
	Err      error
}

func (e *SourceError) Error() string { return e.Err.Error() }

// Unwrap gives the cause.
func (e *SourceError) Unwrap() error { return e.Err }

// liveSchemes open sources that are devices or connections.
var liveSchemes = []string{"socketcan", "serial", "udp", "0183", "0183+tcp", "0183+udp"}

// NewSourceError separates an interface, port or connection that fails from a wrong name, a capture or a scenario.
func NewSourceError(spec string, err error) *SourceError {
	scheme, _, _ := strings.Cut(spec, ":")
	bad := false
	switch {
	case errors.Is(err, tap.ErrSpec):
		bad = true
	case errors.Is(err, tap.ErrNoInterface), slices.Contains(liveSchemes, scheme):
	case spec == "-", scheme == "sim", errors.Is(err, os.ErrNotExist):
		bad = true
	default:
		_, serr := os.Stat(spec)
		bad = serr == nil
	}
	return &SourceError{Source: spec, BadInput: bad, Err: err}
}
