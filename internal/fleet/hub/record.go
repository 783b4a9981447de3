package hub

import (
	"cmp"
	"context"
	"slices"
	"time"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/input"
)

// stamp is the place of a message among those of its boat.
type stamp struct {
	Board  string `json:"board"`
	Seq    uint64 `json:"seq"`    // of the boat computer
	Stream uint64 `json:"stream"` // of the stream, which is the order in which messages arrived
}

// after puts messages in order: those of one boat computer by its number, those of two by their arrival. No clock
// takes part.
func (a stamp) after(b stamp) bool {
	if a.Board == b.Board {
		return a.Seq > b.Seq
	}
	return a.Stream > b.Stream
}

// record is what is kept of one boat: what is shown, and what separates a late or repeated message from a new one.
type record struct {
	Name      string            `json:"name,omitempty"`
	LastHeard time.Time         `json:"last_heard,omitzero"`
	MadeAt    time.Time         `json:"made_at,omitzero"`
	Clock     boat.Clock        `json:"clock,omitempty"`
	Version   string            `json:"version,omitempty"`
	Metrics   string            `json:"metrics,omitempty"`
	Boards    []board           `json:"boards,omitempty"` // latest first
	Turns     int               `json:"turns,omitempty"`
	Report    stamp             `json:"report,omitzero"`    // of the latest report
	ReportAt  time.Time         `json:"report_at,omitzero"` // when it was received
	Devices   []Device          `json:"devices,omitempty"`
	Left      []Device          `json:"left,omitempty"`    // latest first
	Alerts    []Alert           `json:"alerts,omitempty"`  // of the latest report
	Changes   map[string]change `json:"changes,omitempty"` // newer than it, by id
	Refused   uint64            `json:"refused,omitempty"`
}

// renamed are the new names of keys in records of earlier versions.
var renamed = map[string]string{"last_word": "last_heard", "maker": "manufacturer", "maker_code": "manufacturer_code"}

// decodeRecord reads a record as it is kept. One of an earlier version gets the keys and the ids of alerts of today.
func decodeRecord(text []byte) (record, error) {
	var r record
	if err := input.OpenJSON(context.Background(), "", input.RenameJSON(text, renamed), &r); err != nil {
		return record{}, err
	}
	for i := range r.Alerts {
		r.Alerts[i].current()
	}
	for id, c := range r.Changes {
		c.Alert.current()
		delete(r.Changes, id)
		r.Changes[alert.CurrentID(id)] = c
	}
	return r, nil
}

// board is one store aboard with the numbers that came from it.
type board struct {
	Board
	Seen uint64 `json:"seen"` // bit i: number Seq-i came
}

// change is the latest change of one alert.
type change struct {
	At    stamp `json:"at"`
	Open  bool  `json:"open"`
	Alert Alert `json:"alert"`
}

// Bounds of what is kept of one boat.
const (
	maxBoards  = 8
	maxChanges = 256
	seenSpan   = 64
)

// news is how a message compares with those before it.
type news uint8

const (
	fresh    news = iota
	repeated      // it came before
	late          // too old to use, or older than what is recorded
)

// clone copies what take changes.
func (r *record) clone() *record {
	c := *r
	c.Boards = slices.Clone(r.Boards)
	c.Changes = make(map[string]change, len(r.Changes))
	for k, v := range r.Changes {
		c.Changes[k] = v
	}
	return &c
}

// heard notes a message of a boat computer, and returns whether it was received before.
func (r *record) heard(s stamp, at time.Time) news {
	i := slices.IndexFunc(r.Boards, func(b board) bool { return b.ID == s.Board })
	if i < 0 {
		r.Boards = slices.Insert(r.Boards, 0, board{Board{ID: s.Board, Seq: s.Seq, First: at, Last: at}, 1})
		r.Boards = r.Boards[:min(len(r.Boards), maxBoards)]
		r.LastHeard = latest(r.LastHeard, at)
		return fresh
	}
	b := r.Boards[i]
	n := fresh
	switch {
	case s.Seq > b.Seq:
		if shift := s.Seq - b.Seq; shift < seenSpan {
			b.Seen = b.Seen<<shift | 1
		} else {
			b.Seen = 1
		}
		b.Seq = s.Seq
	case b.Seq-s.Seq >= seenSpan:
		n = late
	case b.Seen>>(b.Seq-s.Seq)&1 == 1:
		return repeated
	default:
		b.Seen |= 1 << (b.Seq - s.Seq)
	}
	b.Last = latest(b.Last, at)
	r.LastHeard = latest(r.LastHeard, at)
	if i > 0 && n == fresh && !b.Last.Before(r.Boards[0].Last) {
		r.Turns++ // a boat computer sends that another had replaced
		r.Boards = slices.Insert(slices.Delete(r.Boards, i, i+1), 0, b)
		return n
	}
	r.Boards[i] = b
	return n
}

func latest(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// report takes a report instead of the one before, and reports false when that is newer.
func (r *record) report(s stamp, at time.Time, devices, replaced []Device, alerts []Alert) bool {
	if r.Report.Seq != 0 && !s.after(r.Report) {
		return false
	}
	r.Report, r.Alerts = s, alerts
	r.keep(devices, replaced, at)
	for id, c := range r.Changes {
		if !c.At.after(s) {
			delete(r.Changes, id)
		}
	}
	return true
}

// alert takes a change of an alert, and reports false when something newer is known of it.
func (r *record) alert(s stamp, c *alert.Change) bool {
	if r.Report.Seq != 0 && !s.after(r.Report) {
		return false
	}
	a := alertOf(&c.Alert)
	id := cmp.Or(a.ID, a.Check)
	old, known := r.Changes[id]
	if known && !s.after(old.At) {
		return false
	}
	if r.Changes == nil {
		r.Changes = map[string]change{}
	}
	if !known && len(r.Changes) >= maxChanges {
		return false // the next report has them all
	}
	r.Changes[id] = change{At: s, Open: c.Kind != alert.Cleared && c.Alert.State != alert.StatusCleared, Alert: a}
	return true
}

// open lists the open alerts: those of the report, changed by what came after it; worst first.
func (r *record) open() []Alert {
	var out []Alert
	for _, a := range r.Alerts {
		if _, changed := r.Changes[cmp.Or(a.ID, a.Check)]; !changed {
			out = append(out, a)
		}
	}
	for _, c := range r.Changes {
		if c.Open {
			out = append(out, c.Alert)
		}
	}
	slices.SortFunc(out, func(a, b Alert) int {
		return cmp.Or(cmp.Compare(b.Severity.Rank(), a.Severity.Rank()), a.Since.Compare(b.Since), cmp.Compare(a.ID, b.ID),
			cmp.Compare(a.Check, b.Check))
	})
	return out
}

// view makes what the pages show. It shares the devices with the record.
func (r *record) view(id string) *Boat {
	b := &Boat{ID: id, Name: r.Name, LastHeard: r.LastHeard, MadeAt: r.MadeAt, Clock: r.Clock, Version: r.Version,
		Metrics: r.Metrics,
		Turns:   r.Turns, Devices: r.Devices, Left: r.Left, Alerts: r.open(), Refused: r.Refused, Report: r.Report.Stream}
	for _, x := range r.Boards {
		b.Boards = append(b.Boards, x.Board)
	}
	return b
}
