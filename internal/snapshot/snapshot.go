// Package snapshot takes, seals, verifies and compares the state of a boat.
package snapshot

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"slices"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/input"
	"muster/internal/report"
)

// The versions of the snapshot's shape: Schema is written, SchemaV1, which differs in its seal, is read.
const (
	Schema   = "muster.snapshot/v2"
	SchemaV1 = "muster.snapshot/v1"
)

// Snapshot is a device report that was taken to be kept, with what is needed to prove and compare it.
type Snapshot struct {
	Schema   string         `json:"schema"`
	Report   *report.Report `json:"report"`
	Complete bool           `json:"complete"`          // every device present was identified or given up on
	Waiting  []string       `json:"waiting,omitempty"` // ids of devices that were still unidentified
	Sources  []Supply       `json:"sources,omitempty"` // who supplies which quantity
	Sheets   []File         `json:"sheets,omitempty"`  // release sheets in force
	Capture  *File          `json:"capture,omitempty"` // the raw traffic, when it was kept
	Program  string         `json:"program,omitempty"` // version of muster that took it
	Signer   string         `json:"signer,omitempty"`  // public key of who signs it, base64url; absent in version 1
	Seal     *Seal          `json:"seal,omitempty"`    // absent until sealed

	text []byte // as Decode read it; nil for one that was made or sealed here
}

// File is a file the snapshot rests on.
type File struct {
	Name   string `json:"name"`
	SHA256 string `json:"sha256"` // lower-case hex
	Bytes  int64  `json:"bytes"`
}

// Supply is one quantity and the devices that supply it.
type Supply struct {
	Quantity string   `json:"quantity"`
	Devices  []string `json:"devices"`
}

// New makes an unsealed snapshot of a report. Its content is that of the moment: an alert that merely has not cleared
// yet has cleared.
func New(report *report.Report) *Snapshot {
	if report.Units == nil {
		report.Complete()
	}
	report = report.Settled()
	s := &Snapshot{Schema: Schema, Report: report, Waiting: Waiting(report), Sources: supplies(report)}
	s.Complete = len(s.Waiting) == 0
	return s
}

// Waiting lists the units that are present but neither identified nor given up on, in report order.
func Waiting(report *report.Report) []string {
	var ids []string
	for _, u := range report.Aboard() {
		if u.Device.Product == nil && u.Device.Unanswered == "" && u.State != boat.Silent {
			ids = append(ids, u.ID)
		}
	}
	return ids
}

// supplies reads who sends which quantity.
func supplies(report *report.Report) []Supply {
	var out []Supply
	for _, q := range boat.Quantities() {
		var ids []string
		for _, u := range report.Aboard() {
			if _, ok := u.Device.Sends(q); ok {
				ids = append(ids, u.ID)
			}
		}
		if len(ids) > 0 {
			slices.Sort(ids)
			out = append(out, Supply{q.Name, ids})
		}
	}
	return out
}

// Encode writes the snapshot as indented JSON with a final newline. One that Decode read is written as it was read, to the byte.
func (s *Snapshot) Encode() ([]byte, error) {
	if s.text != nil {
		return s.text, nil
	}
	body, err := s.body()
	if err != nil {
		return nil, err
	}
	if s.Seal == nil {
		return append(body, "\n}\n"...), nil
	}
	return s.Seal.file(body)
}

// ErrNewer means that a snapshot was written by a later version of muster.
var ErrNewer = errors.New("written by a newer muster")

// Decode reads a snapshot and keeps data. It does not check the seal: see Verify. What is changed in the result counts once it is sealed
// again.
func Decode(data []byte) (*Snapshot, error) {
	if text := bytes.TrimLeft(data, " \t\r\n"); len(text) > 0 && text[0] != '{' {
		return nil, errors.New("read snapshot: it does not begin with {: is this a file that muster snapshot wrote?")
	}
	var head struct {
		Schema string `json:"schema"`
	}
	if err := input.OpenJSON(context.Background(), "", data, &head); err != nil {
		return nil, fmt.Errorf("read snapshot: %w", err)
	}
	switch {
	case head.Schema == Schema || head.Schema == SchemaV1:
	case len(head.Schema) > len("muster.snapshot/v") && head.Schema[:len("muster.snapshot/v")] == "muster.snapshot/v":
		return nil, fmt.Errorf("read snapshot: schema %s: %w; this one reads %s: update muster", input.Quote(head.Schema), ErrNewer, Schema)
	default:
		return nil, fmt.Errorf("read snapshot: schema %s is not %s: is this a file that muster snapshot wrote?", input.Quote(head.Schema), Schema)
	}
	s := &Snapshot{text: data}
	if err := input.JSON(context.Background(), "", data, s); err != nil {
		return nil, fmt.Errorf("read snapshot: %w", err)
	}
	if s.Report == nil {
		return nil, errors.New("read snapshot: it holds no report")
	}
	s.Report.Complete()
	return s, nil
}

// TakenAt is the moment the report describes.
func (s *Snapshot) TakenAt() event.Time { return s.Report.TakenAt }
