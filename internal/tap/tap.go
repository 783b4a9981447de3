// Package tap opens the places where traffic comes in, live or recorded, behind one interface.
package tap

import "muster/internal/event"

// Source yields the events of one or more networks in order. One goroutine reads it.
type Source interface {
	// Read fills events from the front and returns how many it filled. It blocks until there is at least one,
	// returns what it has rather than wait for more, and returns io.EOF after the last. Lines alias buffers that the next Read reuses.
	Read(events []event.Event) (int, error)
	// Close ends a blocked Read, from any goroutine, more than once if need be.
	Close() error
}
