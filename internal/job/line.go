package job

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"
	"slices"

	"github.com/gowebpki/jcs"

	"muster/internal/event"
	"muster/internal/input"
)

// Kind is what a line of the ledger is about.
type Kind string

// The kinds of line.
const (
	Opened    Kind = "opened"
	Reopened  Kind = "reopened"
	Closed    Kind = "closed" // signed; everything before it is final
	SignedOff Kind = "signed-off"

	HandedOver Kind = "handed-over" // to another home; the only line after it is the next
	TakenOver  Kind = "taken-over"
	ClockSet   Kind = "clock-set" // the only line whose time may be before that of the line before it

	Snapshot Kind = "snapshot" // a file, as the next four
	Planned  Kind = "planned"
	Captured Kind = "captured"
	Attached Kind = "attached"
	Recorded Kind = "recorded"

	HoldPoint Kind = "hold-point"
	Waived    Kind = "waived"

	Left            Kind = "left" // from the network, as the next seven
	Back            Kind = "back"
	Reported        Kind = "reported"
	AwaitingReentry Kind = "awaiting-reentry"
	Confirmed       Kind = "confirmed"
	Failed          Kind = "failed"
	Noticed         Kind = "noticed"
	ChangedOutside  Kind = "changed-outside" // a unit that no step is about

	Identity Kind = "identity" // a decision by hand of which presences are one unit

	ReadByHand Kind = "read-by-hand"
	Disputed   Kind = "disputed"
	Settled    Kind = "settled"

	Reading Kind = "reading" // of the search for a fault
	Found   Kind = "found"

	Note  Kind = "note"
	Hours Kind = "hours"
	Part  Kind = "part"
)

// kinds are all of them. A closing line whose kind was altered would otherwise pass as the last line of an open job.
var kinds = []Kind{Opened, Reopened, Closed, SignedOff, HandedOver, TakenOver, ClockSet, Snapshot, Planned, Captured, Attached, Recorded,
	HoldPoint, Waived, Left, Back, Reported, AwaitingReentry, Confirmed, Failed, Noticed, ChangedOutside, Identity, ReadByHand, Disputed,
	Settled, Reading, Found, Note, Hours, Part}

// Line is one thing that happened in a job.
type Line struct {
	N     int             `json:"n"` // from 1
	At    event.Time      `json:"at"`
	Clock string          `json:"clock"` // what the time is by: system, gnss or unset
	By    string          `json:"by"`    // who
	On    string          `json:"on"`    // laptop, boat or hub
	Kind  Kind            `json:"kind"`
	About *About          `json:"about,omitempty"`
	Data  json.RawMessage `json:"data,omitempty"`
	Prev  string          `json:"prev"` // SHA-256 of the line before, "" in the first
}

// About is the unit and the step that a line is about.
type About struct {
	Unit string `json:"unit,omitempty"`
	Step string `json:"step,omitempty"`
}

// Into reads the line's data.
func (l *Line) Into(v any) error {
	if err := input.JSON(context.Background(), "", l.Data, v); err != nil {
		return fmt.Errorf("ledger line %d: data of %q: %w", l.N, l.Kind, err)
	}
	return nil
}

// Step is the step that the line is about, "" for none.
func (l *Line) Step() string {
	if l.About == nil {
		return ""
	}
	return l.About.Step
}

// encode is the line as written in the ledger: canonical JSON (RFC 8785) without a line end.
func (l *Line) encode() ([]byte, error) {
	raw, err := json.Marshal(l)
	if err != nil {
		return nil, fmt.Errorf("encode ledger line %d: %w", l.N, err)
	}
	text, err := jcs.Transform(raw)
	if err != nil {
		return nil, fmt.Errorf("encode ledger line %d: %w", l.N, err)
	}
	return text, nil
}

// Digest is the SHA-256 of a line or a file in lower-case hex.
func Digest(text []byte) string {
	sum := sha256.Sum256(text)
	return hex.EncodeToString(sum[:])
}

// parseLine reads one line and holds it to the form in which it was written: every other text of the same meaning was written by
// something else.
func parseLine(ctx context.Context, name string, n int, text []byte) (*Line, error) {
	l := new(Line)
	if err := input.JSON(ctx, name, text, l); err != nil {
		return nil, fmt.Errorf("line %d: %w", n, err)
	}
	if !slices.Contains(kinds, l.Kind) {
		return nil, fmt.Errorf("%s: line %d is of the kind %s, which is not known: it was altered, or a newer muster wrote it", name, n, input.Quote(string(l.Kind)))
	}
	again, err := l.encode()
	if err != nil {
		return nil, err
	}
	if !bytes.Equal(again, text) {
		return nil, fmt.Errorf("%s: line %d is not as muster wrote it: it was altered", name, n)
	}
	return l, nil
}
