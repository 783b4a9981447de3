// Package fleet carries what a boat sends to the marina's hub.
package fleet

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/klauspost/compress/zstd"

	"muster/internal/boat"
	"muster/internal/input"
)

// Schema names the version of what a boat sends. A hub keeps messages of an unknown schema as rejected.
const Schema = "muster.uplink/v1"

// Kind is what a message is about.
type Kind string

// The kinds of message.
const (
	KindReport   Kind = "report"   // body: a report, muster.report/v2; v1 of boats not updated yet
	KindAlert    Kind = "alert"    // body: a change of an alert, muster.alert-change/v1
	KindSnapshot Kind = "snapshot" // body: a sealed snapshot
	KindRecord   Kind = "record"   // body: a Document
)

// Kinds are all that a boat of this version sends.
func Kinds() []Kind { return []Kind{KindReport, KindAlert, KindSnapshot, KindRecord} }

// Known reports whether a hub of this version reads the kind.
func (k Kind) Known() bool { return slices.Contains(Kinds(), k) }

// Document is a printed paper, such as a service record.
type Document struct {
	Name  string `json:"name"`  // file name
	Media string `json:"media"` // media type: application/pdf or text/html
	Data  []byte `json:"data"`
}

// Envelope is one message of a boat. Its boat, board and number travel beside it, in the subject and the message id.
type Envelope struct {
	Schema  string          `json:"schema"`
	Boat    boat.Identity   `json:"boat"`
	MadeAt  time.Time       `json:"made_at,omitzero"` // by the boat's clock
	Clock   boat.Clock      `json:"clock"`            // how good that clock was
	Version string          `json:"version,omitempty"`
	Metrics string          `json:"metrics,omitempty"` // URL where the boat computer can be scraped
	Body    json.RawMessage `json:"body"`
}

// Bounds of a message.
const (
	MaxEncoded = 1 << 20  // bytes sent: the largest payload that a message server takes by default
	MaxDecoded = 16 << 20 // bytes of JSON
)

// root is the first part of every subject. Its version changes when older hubs could misread what boats send.
const root = "muster.v1.boat"

var boatID = regexp.MustCompile(`^[a-z0-9]([a-z0-9-]{0,62}[a-z0-9])?$`)

// CheckBoatID reports why a boat's id cannot be part of a subject.
func CheckBoatID(id string) error {
	if !boatID.MatchString(id) {
		return fmt.Errorf("boat id %q: give 1 to 64 lower-case letters, digits and hyphens, such as wagtail-2", id)
	}
	return nil
}

// Subject is where a boat publishes a kind of message.
func Subject(boat string, k Kind) string { return root + "." + boat + "." + string(k) }

// Subjects are all subjects of one boat, or of every boat for "*".
func Subjects(boat string) string { return root + "." + boat + ".>" }

// ParseSubject takes a subject apart.
func ParseSubject(subject string) (boat string, k Kind, err error) {
	rest, ours := strings.CutPrefix(subject, root+".")
	boat, kind, two := strings.Cut(rest, ".")
	if !ours || !two || CheckBoatID(boat) != nil || strings.Contains(kind, ".") {
		return "", "", fmt.Errorf("subject %q: expected %s", subject, Subject("BOAT", "KIND"))
	}
	return boat, Kind(kind), nil
}

// Inbox is the prefix under which a boat waits for acknowledgements. It may read nothing else.
func Inbox(boat string) string { return "_INBOX_" + boat }

// MessageID is the id of a message in a stream: the number of a boat computer's message, which grows by message and
// never goes back. A boat computer is one store; a new card is a new boat computer.
func MessageID(board string, seq uint64) string { return board + "." + strconv.FormatUint(seq, 10) }

// ParseMessageID takes a message id apart.
func ParseMessageID(id string) (board string, seq uint64, err error) {
	board, n, _ := strings.Cut(id, ".")
	if seq, err = strconv.ParseUint(n, 10, 64); err != nil || seq == 0 || CheckBoatID(board) != nil {
		return "", 0, fmt.Errorf("message id %q: expected COMPUTER.NUMBER", id)
	}
	return board, seq, nil
}

// ErrTooLarge means that a message is larger than a message server takes.
var ErrTooLarge = errors.New("too large")

// Codec encodes and decodes envelopes. It is safe for use from several goroutines.
type Codec struct {
	in  *zstd.Decoder
	out *zstd.Encoder
}

// NewCodec returns a codec of little memory.
func NewCodec() (*Codec, error) {
	in, err := zstd.NewReader(nil, zstd.WithDecoderMaxMemory(MaxDecoded), zstd.WithDecoderConcurrency(1))
	if err != nil {
		return nil, fmt.Errorf("fleet: %w", err)
	}
	out, err := zstd.NewWriter(nil, zstd.WithEncoderConcurrency(1), zstd.WithLowerEncoderMem(true))
	if err != nil {
		return nil, fmt.Errorf("fleet: %w", err)
	}
	return &Codec{in, out}, nil
}

// Encode compresses an envelope. The error is ErrTooLarge when no message server need take it.
func (c *Codec) Encode(e *Envelope) ([]byte, error) {
	text, err := json.Marshal(e)
	if err != nil {
		return nil, fmt.Errorf("fleet: encode: %w", err)
	}
	data := c.out.EncodeAll(text, nil)
	if len(data) > MaxEncoded || len(text) > MaxDecoded {
		return nil, fmt.Errorf("fleet: encode: %d bytes, %d compressed: %w", len(text), len(data), ErrTooLarge)
	}
	return data, nil
}

// Decode reads an envelope and reports what is wrong with one that is hostile, torn or of another schema. What it
// could read of the latter is returned with the error.
func (c *Codec) Decode(data []byte) (*Envelope, error) {
	if len(data) > MaxEncoded {
		return nil, fmt.Errorf("fleet: decode: %d bytes: %w", len(data), ErrTooLarge)
	}
	text, err := c.in.DecodeAll(data, nil)
	if err != nil {
		return nil, fmt.Errorf("fleet: decode: %w", err)
	}
	var e Envelope
	if err := input.OpenJSON(context.Background(), "", text, &e); err != nil { // so is a second message behind the first
		return nil, fmt.Errorf("fleet: decode: %w", err)
	}
	if e.Schema != Schema {
		return &e, fmt.Errorf("fleet: decode: schema %s is not %q: this hub may be older than the boat's muster", input.Quote(e.Schema), Schema)
	}
	return &e, nil
}
