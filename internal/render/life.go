package render

import (
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/snapshot"
)

// LifeRow is one thing that a unit had or went through, and from when until when. Unit is the id of another unit that
// it is about, "" for none.
type LifeRow struct {
	Name, What, Unit string
	boat.Span
}

// LifeRows are what a unit went through: software, NAMEs, addresses, instances, restarts, absences, and who took whose place.
func LifeRows(l *boat.Life) (list []LifeRow) {
	add := func(name, what string, s boat.Span) { list = append(list, LifeRow{Name: name, What: what, Span: s}) }
	moment := func(t event.Time) boat.Span { return boat.Span{From: t, Until: t} }
	for _, b := range l.Before {
		add("other box", strings.TrimSpace(b.Model+" "+b.Serial), boat.Span{Until: b.Until})
	}
	for _, v := range l.Software {
		add("software", v.Version, v.Span)
	}
	for _, n := range l.Names {
		if strings.Contains(n.ID, "/") {
			add("talker", n.ID, n.Span)
		} else {
			add("NAME", n.ID+" on "+n.Network, n.Span)
		}
	}
	for _, a := range l.Addresses {
		add("address", fmt.Sprintf("%d on %s", a.Address, a.Network), a.Span)
	}
	for _, i := range l.Instances {
		what := fmt.Sprintf("%d, system instance %d", i.DeviceInstance, i.SystemInstance)
		if i.Function != "" {
			what += ", " + i.Function
		}
		add("device instance", what, i.Span)
	}
	add("restarts", strconv.Itoa(l.Restarts), boat.Span{})
	for _, t := range l.Restarted {
		add("restarted", "", moment(t))
	}
	for _, s := range l.Absences {
		add("absent", "", s)
	}
	if l.Replaces != "" {
		list = append(list, LifeRow{"replaces", l.Replaces, l.Replaces, boat.Span{From: l.ReplacesSince}})
	}
	if l.ReplacedBy != "" {
		list = append(list, LifeRow{"replaced by", l.ReplacedBy, l.ReplacedBy, boat.Span{From: l.ReplacedSince}})
	}
	return list
}

// When is from when until when in words, "" when neither is known.
func (r *LifeRow) When() string {
	switch {
	case r.From == 0 && r.Until == 0:
		return ""
	case r.From == r.Until:
		return Stamp(r.From)
	case r.Until == 0:
		return "since " + Stamp(r.From)
	case r.From == 0:
		return "until " + Stamp(r.Until)
	}
	return Stamp(r.From) + " to " + Stamp(r.Until)
}

// Histories prints the lives of units for a terminal, one unit a paragraph.
func Histories(w io.Writer, histories []snapshot.History) error {
	var b strings.Builder
	for i := range histories {
		h := &histories[i]
		life := h.Life
		for _, r := range h.Runs {
			life.Software = append(life.Software, boat.Ran{Version: r.Version, Span: boat.Span{From: r.From, Until: r.To}})
		}
		rows := LifeRows(&life)
		if len(h.Runs) == 0 {
			rows = append([]LifeRow{{Name: "software", What: "not reported"}}, rows...)
		}
		name, what := 0, 0
		for k := range rows {
			r := &rows[k]
			if at := slices.IndexFunc(histories, func(o snapshot.History) bool { return r.Unit != "" && o.Device == r.Unit }); at >= 0 {
				r.What = histories[at].Label
			}
			r.What = boat.Printable(r.What)
			name, what = max(name, len(r.Name)), max(what, utf8.RuneCountInString(r.What))
		}
		fmt.Fprintf(&b, "%s\n", boat.Printable(h.Label))
		for k := range rows {
			line := fmt.Sprintf("  %-*s  %-*s  %s", name, rows[k].Name, what, rows[k].What, rows[k].When())
			b.WriteString(strings.TrimRight(line, " ") + "\n")
		}
	}
	_, err := io.WriteString(w, b.String())
	return err
}
