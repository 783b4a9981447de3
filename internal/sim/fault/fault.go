// Package fault breaks the backbone of a simulated boat: it turns a fault at a part of a layout into what happens to the devices.
//
// Its physics are its own: a graph search for what has power and what can be received, and the reduction of a tree for voltages and
// resistances. Package locate, which is held to it, computes them in another way; only the names of parts are shared.
package fault

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"muster/internal/backbone"
	"muster/internal/locate"
)

// Fault is one fault of one part.
type Fault struct {
	Kind string // open, resistive, short, …
	Part locate.Part
	From time.Duration // since the start
}

// String is the fault as Parse reads it.
func (f Fault) String() string {
	s := f.Kind + " at " + f.Part.Name
	if f.From > 0 {
		s += " from " + f.From.String()
	}
	return s
}

// kinds are the faults of each kind of part.
var kinds = map[string][]string{
	"cable":      {"open", "resistive", "short", "intermittent", "water"},
	"tee":        {"open", "resistive", "short", "intermittent", "water", "order"},
	"drop":       {"open", "resistive", "short", "intermittent", "water"},
	"connector":  {"open", "resistive", "intermittent", "water", "reversed"},
	"unit":       {"open", "intermittent", "brown-out", "corrupting", "flooding", "hung", "swapped"},
	"terminator": {"missing", "extra"},
	"feed":       {"open", "resistive", "brown-out", "reversed", "extra"},
	"fuse":       {"open", "resistive", "intermittent"},
	"interface":  {"open", "intermittent", "corrupting"},
}

// Kinds are the faults that a kind of part can have.
func Kinds(part string) []string { return slices.Clone(kinds[part]) }

// maxFrom bounds when a fault may begin.
const maxFrom = 24 * time.Hour

// Parse reads a fault of a layout: FAULT at PART, and "from TIME" where it begins later than the boat, as in "open at tee 3 from 90s".
func Parse(l *backbone.Layout, text string) (f Fault, err error) {
	kind, rest, ok := strings.Cut(strings.TrimSpace(text), " at ")
	if !ok {
		return f, fmt.Errorf("fault %q: write it as 'open at tee 3' or 'short at cable helm - mast from 90s'", text)
	}
	f.Kind = strings.TrimSpace(kind)
	if k := strings.LastIndex(rest, " from "); k >= 0 {
		if from, err := time.ParseDuration(rest[k+len(" from "):]); err == nil {
			if from < 0 || from > maxFrom {
				return f, fmt.Errorf("fault %q: it begins after %v, which is not between 0 and 24h", text, from)
			}
			f.From, rest = from, rest[:k]
		}
	}
	if f.Part, err = locate.FindPart(l, rest); err != nil {
		return f, fmt.Errorf("fault %q: %w", text, err)
	}
	if can := kinds[f.Part.Kind]; !slices.Contains(can, f.Kind) {
		return f, fmt.Errorf("fault %q: a %s has no fault %q: use one of %s", text, f.Part.Kind, f.Kind, strings.Join(can, ", "))
	}
	return f, nil
}
