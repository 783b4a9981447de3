package job

import (
	"bytes"
	"encoding/csv"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/release"
)

// RecordSchemaID names the version of the record's JSON.
const RecordSchemaID = "muster.record/v1"

// Account is what the ledger adds to a service record.
type Account struct {
	Schema   string               `json:"schema"`
	Opening  Opening              `json:"job"`
	Boat     boat.Identity        `json:"boat"`
	TimeZone string               `json:"time_zone"` // of the boat; the record's first page uses it
	Opened   event.Time           `json:"opened_at"`
	At       event.Time           `json:"recorded_at"`
	Before   string               `json:"before_sha256"`
	After    string               `json:"after_sha256"`
	Steps    []release.StepStatus `json:"steps"`
	Outside  []Outside            `json:"changed_outside_order"`
	Points   []Statement          `json:"hold_points"`
	Unticked []string             `json:"hold_points_not_ticked"`
	Remedies []Statement          `json:"remedies"`
	Waived   []Statement          `json:"waived"`
	Search   []Searched           `json:"search"` // for a fault
	Notes    []Statement          `json:"notes"`
	Hours    []Work               `json:"hours"`
	Parts    []PartUsed           `json:"parts"`
	SignOff  *Statement           `json:"signed_off,omitempty"`
	Files    []FileLine           `json:"files"`
	Lines    int                  `json:"ledger_lines"`
	Digest   string               `json:"ledger_sha256"` // of the last line before the record
	Because  string               `json:"belongs_because,omitempty"`
	Sentence string               `json:"verdict"`     // after the work
	Keys     []KeyName            `json:"signed_with"` // that sign when the job is closed; none when nobody keeps one
}

// Head names the ledger as it was when the record was made, in capitals as a code on paper holds them best.
func (t *Account) Head() string {
	return strings.ToUpper(fmt.Sprintf("muster ledger %d SHA-256 %s", t.Lines, t.Digest))
}

// Statement is an entry of a person, and when it was made.
type Statement struct {
	What string     `json:"what,omitempty"`
	Text string     `json:"text,omitempty"`
	By   string     `json:"by"`
	At   event.Time `json:"at"`

	Strokes [][][2]int `json:"strokes,omitempty"` // of a signature: lines of points, from 0 to 1000
}

// String is the statement in one line.
func (s Statement) String() string {
	text := strings.TrimPrefix(strings.TrimSuffix(s.What+": "+s.Text, ": "), ": ")
	return fmt.Sprintf("%s (%s, %s)", text, s.By, s.At.UTC().Format("2006-01-02 15:04 UTC"))
}

// Account sums the job up for its record, which is to be closed with these keys. Both snapshots are there.
func (v *Visit) Account(keys []Signer) *Account {
	t := &Account{Schema: RecordSchemaID, Opening: v.Opening, Boat: v.After.Report.Boat, TimeZone: "UTC", Opened: v.Ledger.Lines[0].At,
		At: v.Ledger.last().At, Unticked: []string{}, Keys: []KeyName{}, Remedies: []Statement{},
		Before: v.Before.Seal.SHA256, After: v.After.Seal.SHA256, Steps: []release.StepStatus{}, Outside: []Outside{},
		Points: []Statement{}, Waived: v.Waivers(),
		Search: append([]Searched{}, v.Search...), Notes: v.Remarks(), SignOff: v.Agreed(), Hours: append([]Work{}, v.Hours...),
		Parts: append([]PartUsed{}, v.Parts...), Files: append([]FileLine{}, v.Files...),
		Lines: len(v.Ledger.Lines), Digest: v.Ledger.Digest(),
		Sentence: v.After.Report.Conclusion().Sentence}
	for _, k := range keys {
		t.Keys = append(t.Keys, k.Name())
	}
	if v.Follower != nil {
		t.Steps = v.Follower.Status()
	}
	for _, id := range slices.Sorted(maps.Keys(v.Outside)) {
		t.Outside = append(t.Outside, v.Outside[id])
	}
	for _, p := range v.HoldPoints() {
		if line := v.Ticked[p.ID]; line != nil {
			tick := TickOf(line)
			t.Points = append(t.Points, Statement{What: p.Text, Text: strings.Trim(tick.Reading+", "+tick.Photo, ", "), By: line.By, At: line.At})
		} else {
			t.Unticked = append(t.Unticked, p.Text)
		}
	}
	for _, p := range v.Remedies() {
		if line := v.Ticked[p.ID]; line != nil {
			t.Remedies = append(t.Remedies, Statement{What: p.ID, Text: p.Text, By: line.By, At: line.At})
		}
	}
	for _, f := range v.Files {
		if f.What == After && f.Because != "" {
			t.Because = f.Because
		}
	}
	return t
}

// SignedOff is the sign-off as a list; empty without one.
func (t *Account) SignedOff() []Statement {
	if t.SignOff == nil {
		return nil
	}
	return []Statement{*t.SignOff}
}

// Waivers are the pre-checks in spite of which somebody went on, by name, each with the reason.
func (v *Visit) Waivers() []Statement {
	list := []Statement{}
	for _, id := range slices.Sorted(maps.Keys(v.Waived)) {
		w := waiverOf(v.Waived[id])
		list = append(list, Statement{What: id, Text: w.Reason, By: v.Waived[id].By, At: v.Waived[id].At})
	}
	return list
}

// Remarks are the notes.
func (v *Visit) Remarks() []Statement {
	list := []Statement{}
	for _, line := range v.Notes {
		list = append(list, statementOf(line))
	}
	return list
}

// Agreed is the customer's agreement; nil without one.
func (v *Visit) Agreed() *Statement {
	if v.SignOff == nil {
		return nil
	}
	s := statementOf(v.SignOff)
	return &s
}

// The lines of these kinds were read when they were folded in, so that they can be read again.

// TickOf is what a hold point was ticked with.
func TickOf(line *Line) (t Tick) {
	_ = line.Into(&t)
	return t
}

func waiverOf(line *Line) (w Waiver) {
	_ = line.Into(&w)
	return w
}

func statementOf(line *Line) Statement {
	var w Words
	_ = line.Into(&w)
	return Statement{Text: w.Text, By: line.By, At: line.At, Strokes: w.Strokes}
}

// Minutes is the time worked, in all.
func (t *Account) Minutes() (sum int) {
	for _, w := range t.Hours {
		sum += w.Minutes
	}
	return sum
}

// HoursText is a time worked as people write it: 1 h 30 min.
func HoursText(minutes int) string {
	if minutes%60 == 0 {
		return fmt.Sprintf("%d h", minutes/60)
	}
	return strings.TrimPrefix(fmt.Sprintf("%d h %d min", minutes/60, minutes%60), "0 h ")
}

// CSV is the hours and the parts, one line each, for an invoice.
func (t *Account) CSV() []byte {
	var b bytes.Buffer
	w := csv.NewWriter(&b)
	_ = w.Write([]string{"job", "kind", "number", "text", "count", "unit"})
	for _, h := range t.Hours {
		_ = w.Write([]string{t.Opening.Number, "hours", "", h.Kind, strconv.FormatFloat(float64(h.Minutes)/60, 'f', 2, 64), "h"})
	}
	for _, p := range t.Parts {
		_ = w.Write([]string{t.Opening.Number, "part", p.Number, p.Name, strconv.Itoa(p.Count), ""})
	}
	w.Flush()
	return b.Bytes()
}
