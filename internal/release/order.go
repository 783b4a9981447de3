package release

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"encoding/json"
	"fmt"

	_ "embed"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/input"
)

// OrderSchemaID names the version of the work order's shape.
const OrderSchemaID = "muster.order/v1"

// OrderSchema is the JSON Schema of a work order.
//
//go:embed order.schema.json
var OrderSchema []byte

// Order is a work order: which devices to update, in which order, on which medium, with which cautions.
type Order struct {
	Schema       string        `json:"schema"`
	Boat         boat.Identity `json:"boat"`
	Made         event.Time    `json:"made_at,omitzero"`
	Snapshot     SnapshotRef   `json:"snapshot"`
	Minutes      int           `json:"minutes"`            // with steps side by side as grouped
	MinutesAlone int           `json:"minutes_one_by_one"` // with one device at a time
	SupplyVolts  float64       `json:"supply_volts"`       // supply must stay at or above this throughout
	Cautions     []string      `json:"cautions"`
	PreChecks    []PreCheck    `json:"pre_checks"`
	Checked      *Checked      `json:"checked,omitempty"` // when and on what the pre-checks were made; nil for as of the snapshot
	Bring        []Bring       `json:"bring"`
	Hold         []HoldPoint   `json:"hold_points,omitempty"` // absent in orders of earlier versions: see HoldPoints
	Groups       []Group       `json:"groups"`                // one after the other
	NoUpdate     []Remark      `json:"no_update_needed"`
	NotReachable []Remark      `json:"not_reachable_here"`
	Deferred     []Remark      `json:"deferred"` // behind, but something must be settled first: see Problems
	Problems     []Problem     `json:"problems"`
	Finish       []string      `json:"finish"` // after the last group

	text []byte // as ParseOrder read it
}

// SnapshotRef is the moment of the boat that the order is made from.
type SnapshotRef struct {
	Digest  string     `json:"digest"`
	TakenAt event.Time `json:"taken_at,omitzero"`
}

// Bring is one thing to have ready.
type Bring struct {
	Medium Medium   `json:"medium"` // File is empty; see Files
	Count  int      `json:"count"`  // as many as are used at one time; 0 for the network
	Files  []string `json:"files,omitempty"`
}

// Group is steps that may run side by side. The next group starts when all of them are done.
type Group struct {
	Number    int    `json:"number"`
	Minutes   int    `json:"minutes"`    // of the longest step
	HoldPoint string `json:"hold_point"` // what must be true before it starts
	Steps     []Step `json:"steps"`
}

// Step is the update of one device.
type Step struct {
	ID          string      `json:"id"` // "1.2": group and place in it
	Device      Unit        `json:"device"`
	Sheet       string      `json:"sheet"` // FILE:LINE:COLUMN of the model's entry
	From        string      `json:"from"`
	To          string      `json:"to"`
	Chosen      string      `json:"chosen,omitempty"`   // why it is not the current release
	Released    string      `json:"released,omitempty"` // YYYY-MM-DD
	Note        string      `json:"note,omitempty"`
	Medium      Medium      `json:"medium"`
	Minutes     int         `json:"minutes"`
	BackWithin  int         `json:"back_within_minutes"`
	SupplyVolts float64     `json:"supply_volts"`
	Numbering   Numbering   `json:"numbering"`
	Reachable   []string    `json:"reachable_only_when,omitempty"`
	After       []DependsOn `json:"after,omitempty"`
	Restore     []string    `json:"restore,omitempty"` // settings as they are, which an update can lose
	Before      []string    `json:"before_steps,omitempty"`
	AfterSteps  []string    `json:"after_steps,omitempty"`
	Cautions    []string    `json:"cautions,omitempty"`
}

// DependsOn is a step that must be done first, and why.
type DependsOn struct {
	Step string `json:"step"`
	Why  string `json:"why"`
}

// Remark is a device that the order has no step for, and why.
type Remark struct {
	Device  Unit   `json:"device"`
	Version string `json:"version,omitempty"`
	Why     string `json:"why"`
}

// Steps lists the steps of all groups in order. The pointers lead into the order.
func (o *Order) Steps() []*Step {
	var out []*Step
	for g := range o.Groups {
		for i := range o.Groups[g].Steps {
			out = append(out, &o.Groups[g].Steps[i])
		}
	}
	return out
}

// Downloads are the files of one thing to have ready, with size and digest as far as the sheets give them.
func (o *Order) Downloads(b Bring) []Medium {
	out := make([]Medium, 0, len(b.Files))
	for _, name := range b.Files {
		m := Medium{File: name}
		for _, s := range o.Steps() {
			if s.Medium.File == name && s.Medium.Kind == b.Medium.Kind && m.Bytes == 0 && m.SHA256 == "" {
				m = s.Medium
			}
		}
		out = append(out, m)
	}
	return out
}

// JSON writes the order indented, always with the same bytes for the same order. An order that ParseOrder read is written with the keys
// that it was read with, so that saved progress of an earlier version still refers to it.
func (o *Order) JSON() ([]byte, error) {
	if o.text != nil {
		return o.text, nil
	}
	var b bytes.Buffer
	e := json.NewEncoder(&b)
	e.SetEscapeHTML(false)
	e.SetIndent("", "  ")
	if err := e.Encode(o); err != nil {
		return nil, fmt.Errorf("write work order: %w", err)
	}
	return b.Bytes(), nil
}

// Digest is the SHA-256 of the order's JSON as hex digits, with "sha256:" before it.
func (o *Order) Digest() string {
	b, err := o.JSON()
	if err != nil {
		return ""
	}
	sum := sha256.Sum256(b)
	return "sha256:" + hex.EncodeToString(sum[:])
}

// keepText keeps the text that the order was read from, laid out as JSON does.
func (o *Order) keepText(data []byte) {
	var b bytes.Buffer
	if json.Indent(&b, bytes.TrimSpace(data), "", "  ") == nil {
		b.WriteByte('\n')
		o.text = b.Bytes()
	}
}

// maxOrder bounds the size of an order that is read, in steps.
const maxOrder = 1000

// renamed are the new names of keys of earlier versions.
var renamed = map[string]string{"left_alone": "no_update_needed", "kept_back": "deferred", "hold": "hold_point",
	"maker": "manufacturer", "maker_code": "manufacturer_code"}

// ParseOrder reads an order that JSON wrote. It is strict: unknown keys, an unknown schema and steps that cannot be followed are
// errors. Keys of an earlier version are read as the new ones.
func ParseOrder(ctx context.Context, data []byte) (*Order, error) {
	var o Order
	if err := input.JSON(ctx, "", input.RenameJSON(data, renamed), &o); err != nil {
		return nil, fmt.Errorf("read work order: %w; make it again with muster plan", err)
	}
	o.keepText(data)
	if o.Schema != OrderSchemaID {
		return nil, fmt.Errorf("read work order: schema is %s, not %q; give a file that muster plan wrote", input.Quote(o.Schema), OrderSchemaID)
	}
	steps := o.Steps()
	if len(steps) > maxOrder {
		return nil, fmt.Errorf("read work order: %d steps are more than %d", len(steps), maxOrder)
	}
	seen := map[string]bool{}
	for _, s := range steps {
		scheme, err := s.Numbering.Compile()
		if err == nil {
			_, err = scheme.ParseListed(s.To)
		}
		switch {
		case err != nil:
			return nil, fmt.Errorf("read work order: step %q: %w", s.ID, err)
		case s.ID == "" || s.Device.ID == "" || seen[s.ID] || seen["device "+s.Device.ID]:
			return nil, fmt.Errorf("read work order: step %q of device %q has no id or is listed twice", s.ID, s.Device.ID)
		case s.BackWithin <= 0 || s.BackWithin > 24*60:
			return nil, fmt.Errorf("read work order: step %q: back_within_minutes is %d", s.ID, s.BackWithin)
		}
		seen[s.ID], seen["device "+s.Device.ID] = true, true
	}
	return &o, nil
}
