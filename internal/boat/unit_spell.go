package boat

import (
	"cmp"
	"math"
	"slices"

	"muster/internal/event"
)

// Span is a stretch of time. Until is unset while it lasts.
type Span struct {
	From  event.Time `json:"from,omitzero"`
	Until event.Time `json:"until,omitzero"`
}

func (s *Span) span() *Span { return s }

// end is later than every time while the span lasts.
func (s *Span) end() event.Time {
	if s.Until == 0 {
		return math.MaxInt64
	}
	return s.Until
}

func inOrder[T any](list []T, span func(*T) *Span) {
	slices.SortStableFunc(list, func(a, b T) int { return cmp.Compare(span(&a).From, span(&b).From) })
}

// joinSpells puts in order for how long the unit had what. Spells of the same thing are one when they overlap, and when nothing else began
// between them.
func joinSpells[T comparable](span func(*T) *Span, list []T) []T {
	inOrder(list, span)
	what := func(x T) T {
		*span(&x) = Span{}
		return x
	}
	var out []T
	for _, x := range list {
		at := len(out) - 1
		for at >= 0 && what(out[at]) != what(x) {
			at--
		}
		if at < 0 {
			out = append(out, x)
			continue
		}
		last, next := span(&out[at]), span(&x)
		between := func(o T) bool {
			from := span(&o).From
			return from > last.From && from >= last.end() && from < next.From
		}
		switch {
		case next.From > last.end() && slices.ContainsFunc(out, between):
			out = append(out, x)
		case next.end() > last.end():
			last.Until = next.Until
		}
	}
	return lastOf(out, maxLife)
}

// closed is the list with what lasts ended at a moment.
func closed[T any](span func(*T) *Span, list []T, at event.Time) []T {
	list = slices.Clone(list)
	for i := range list {
		if s := span(&list[i]); s.Until == 0 {
			s.Until = max(at, s.From)
		}
	}
	return list
}

// Closed is the life with what lasts ended at a moment, the last one that it is known of.
func (l *Life) Closed(at event.Time) Life {
	c := *l
	c.Software, c.Names = closed((*Ran).span, l.Software, at), closed((*NameUse).span, l.Names, at)
	c.Instances, c.Addresses = closed((*InstanceUse).span, l.Instances, at), closed((*AddressSpell).span, l.Addresses, at)
	return c
}

// Join adds an earlier account of the same unit, which ends before this one does.
func (l *Life) Join(earlier *Life) {
	e := earlier
	l.Software = joinSpells((*Ran).span, slices.Concat(e.Software, l.Software))
	l.Names = joinSpells((*NameUse).span, slices.Concat(e.Names, l.Names))
	l.Instances = joinSpells((*InstanceUse).span, slices.Concat(e.Instances, l.Instances))
	l.Addresses = joinSpells((*AddressSpell).span, slices.Concat(e.Addresses, l.Addresses))
	l.Absences = union(e.Absences, l.Absences, func(a, b Span) int { return cmp.Compare(a.From, b.From) })
	l.Restarted = union(e.Restarted, l.Restarted, cmp.Compare)
	l.Restarts = max(e.Restarts, l.Restarts, len(l.Restarted))
	l.Commands = union(e.Commands, l.Commands, func(a, b RemoteSetting) int {
		return cmp.Or(cmp.Compare(a.At, b.At), cmp.Compare(a.Network, b.Network), cmp.Compare(a.From, b.From), cmp.Compare(a.What, b.What))
	})
	l.Before = union(e.Before, l.Before, func(a, b Box) int { return cmp.Or(cmp.Compare(a.Until, b.Until), cmp.Compare(a.Serial, b.Serial)) })
	if l.Replaces == "" {
		l.Replaces, l.ReplacesSince = e.Replaces, e.ReplacesSince
	}
	if l.ReplacedBy == "" {
		l.ReplacedBy, l.ReplacedSince = e.ReplacedBy, e.ReplacedSince
	}
}

// union is both lists in order. Of what is in both, the later account is kept.
func union[T any](earlier, later []T, compare func(a, b T) int) []T {
	all := slices.Concat(later, earlier)
	slices.SortStableFunc(all, compare)
	return lastOf(slices.CompactFunc(all, func(a, b T) bool { return compare(a, b) == 0 }), maxLife)
}
