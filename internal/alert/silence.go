package alert

import (
	"errors"
	"fmt"
	"slices"

	"muster/internal/check"
	"muster/internal/event"
)

// Silence keeps changes of the alerts that it matches from being sent, until its end. Every key that is set must
// match; a silence with none matches all alerts.
type Silence struct {
	Alert   string     `json:"alert,omitempty"`   // id of one alert
	Check   string     `json:"check,omitempty"`   // id of a check
	Device  string     `json:"device,omitempty"`  // id of a device concerned
	Network string     `json:"network,omitempty"` // id of a network
	Work    bool       `json:"work,omitempty"`    // set by a work order: matches only what work on a device brings about
	From    event.Time `json:"from,omitzero"`
	Until   event.Time `json:"until,omitzero"`
	By      string     `json:"by,omitempty"`
	Why     string     `json:"why,omitempty"`
}

// Current gives a silence that was written for an earlier version the ids of today: see check.ID.
func (s *Silence) Current() { s.Alert, s.Check = CurrentID(s.Alert), check.ID(s.Check) }

// Accepted is a known matter that the owner lives with: two receivers on purpose, a spare unit that is off. The
// alerts that it matches are shown with the reason and not sent. A critical alert is never accepted. Every key that
// is set must match.
type Accepted struct {
	Check   string `yaml:"check"`   // id of a check
	Device  string `yaml:"device"`  // id of a device concerned; any when empty
	Network string `yaml:"network"` // id of a network; any when empty
	Why     string `yaml:"why"`
}

// Accept sets what the owner lives with; it replaces the earlier list. An alert that is no longer accepted is sent by
// the next Update.
func (b *Book) Accept(list []Accepted) { b.accepts = list }

// accepted is why the owner lives with an alert; empty when it is to be sent.
func (b *Book) accepted(e *entry) string {
	f := &e.finding
	if f.Severity == check.Critical {
		return ""
	}
	for i := range b.accepts {
		a := &b.accepts[i]
		if a.Check == f.Check && (a.Network == "" || a.Network == f.Network) && (a.Device == "" || slices.Contains(f.Devices, a.Device)) {
			return a.Why
		}
	}
	return ""
}

// workChecks find what updating, unplugging and exchanging a device brings about.
var workChecks = [...]string{"silent", "missing", "new-device", "replaced", "restarted", "not-identified", "software-differs"}

func (s *Silence) matches(id string, e *entry) bool {
	f := &e.finding
	return (s.Alert == "" || s.Alert == id) && (!s.Work || slices.Contains(workChecks[:], f.Check)) && (s.Check == "" || s.Check == f.Check) && (s.Network == "" || s.Network == f.Network) &&
		(s.Device == "" || slices.Contains(f.Devices, s.Device))
}

// sameScope reports whether two silences match the same alerts.
func (s *Silence) sameScope(o *Silence) bool {
	return s.Work == o.Work && s.Alert == o.Alert && s.Check == o.Check && s.Device == o.Device && s.Network == o.Network
}

// Silence begins a silence; one with the same scope is replaced. It fails when the end is not after the start, or when there are too many.
func (b *Book) Silence(s Silence) error {
	if s.Until <= s.From {
		return fmt.Errorf("silence: the end %v is not after the start %v: give a later end", s.Until, s.From)
	}
	b.silences = slices.DeleteFunc(b.silences, func(o Silence) bool { return o.sameScope(&s) })
	if len(b.silences) >= b.settings.MaxSilence {
		return fmt.Errorf("silence: there are %d already: end some first", len(b.silences))
	}
	b.silences = append(b.silences, s)
	return nil
}

// EndSilence ends the silence with this scope at once; what it held back is reported by the next Update.
func (b *Book) EndSilence(scope Silence) error {
	i := slices.IndexFunc(b.silences, func(o Silence) bool { return o.sameScope(&scope) })
	if i < 0 {
		return errors.New("end silence: there is none with this scope: list them first")
	}
	b.silences = slices.Delete(b.silences, i, i+1)
	return nil
}

// Silences lists the silences in the order in which they were set.
func (b *Book) Silences() []Silence { return slices.Clone(b.silences) }

// silenced reports whether an alert is not to be sent at now.
func (b *Book) silenced(now event.Time, e *entry) bool {
	return !b.silencedUntil(now, e).IsZero() || b.accepted(e) != ""
}

// silencedUntil is the latest end of the silences that hold an alert at now, unset when none does.
func (b *Book) silencedUntil(now event.Time, e *entry) event.Time {
	var until event.Time
	id := ID(&e.finding)
	for i := range b.silences {
		if s := &b.silences[i]; s.From <= now && now < s.Until && s.matches(id, e) {
			until = max(until, s.Until)
		}
	}
	return until
}

// endSilences drops silences that are over and adds the alerts that were held back.
func (b *Book) endSilences(changes []Change, now event.Time) []Change {
	b.silences = slices.DeleteFunc(b.silences, func(s Silence) bool { return s.Until <= now })
	for id, e := range b.entries {
		if e.phase == standing && !e.sent && !b.silenced(now, e) {
			e.sent = true
			changes = append(changes, b.change(now, Unsilenced, id, e))
		}
	}
	return changes
}
