package alert

import (
	"cmp"
	"fmt"
	"maps"
	"slices"
	"time"

	"muster/internal/check"
	"muster/internal/event"
)

// StateVersion is the version of the shape of State.
const StateVersion = 1

// State is a Book as it is kept over a restart. Findings that have not become an alert are not kept.
type State struct {
	Version  int        `json:"version"`
	At       event.Time `json:"at,omitzero"` // the last update
	Entries  []Kept     `json:"entries,omitempty"`
	Silences []Silence  `json:"silences,omitempty"`
}

// Kept is one alert of a State.
type Kept struct {
	Check          string         `json:"check"`
	Subject        string         `json:"subject"`
	Severity       check.Severity `json:"severity"`
	Cleared        bool           `json:"cleared,omitempty"`
	Since          event.Time     `json:"since,omitzero"`
	Until          event.Time     `json:"until,omitzero"`
	AwaySince      event.Time     `json:"away_since,omitzero"`
	Raises         []event.Time   `json:"raises,omitempty"`
	AcknowledgedBy string         `json:"acknowledged_by,omitempty"`
	AcknowledgedAt event.Time     `json:"acknowledged_at,omitzero"`
	Sent           bool           `json:"told,omitempty"`
	Hold           time.Duration  `json:"hold_ns,omitempty"`
	Devices        []string       `json:"devices,omitempty"`
	Network        string         `json:"network,omitempty"`
	Summary        string         `json:"summary"`
	Evidence       map[string]any `json:"evidence,omitempty"`
	Remedy         string         `json:"remedy,omitempty"` // of an earlier version, instead of Steps
	Steps          []check.Step   `json:"steps,omitempty"`
}

// State copies the Book for keeping. The evidence is shared: read-only.
func (b *Book) State() State {
	s := State{Version: StateVersion, At: b.now, Silences: slices.Clone(b.silences)}
	for _, id := range slices.Sorted(maps.Keys(b.entries)) {
		e := b.entries[id]
		if e.phase == pending {
			continue
		}
		f := &e.finding
		k := Kept{
			Check: f.Check, Subject: f.Subject, Severity: f.Severity,
			Cleared: e.phase == cleared, Since: e.start, Until: e.until,
			AcknowledgedBy: e.ackBy, AcknowledgedAt: e.ackAt, Sent: e.sent, Hold: f.Hold, Devices: f.Devices, Network: f.Network,
			Summary: f.Summary, Evidence: f.Evidence, Steps: f.Steps,
		}
		if e.away {
			k.AwaySince = e.awayAt
		}
		for _, t := range e.raises { // an unset time has no text form
			if !t.IsZero() {
				k.Raises = append(k.Raises, t)
			}
		}
		s.Entries = append(s.Entries, k)
	}
	return s
}

// Restore fills an empty Book, also from the State of an earlier version. Nothing clears until Settle has passed since the next Update.
func (b *Book) Restore(s State) error {
	if s.Version != StateVersion {
		return fmt.Errorf("restore alerts: version %d is not the %d that this program reads: use the program that wrote it", s.Version, StateVersion)
	}
	if len(b.entries) > 0 {
		return fmt.Errorf("restore alerts: the book already holds %d", len(b.entries))
	}
	for i := range s.Entries {
		k := &s.Entries[i]
		if len(b.entries) >= b.settings.Max {
			b.shed++
			continue
		}
		e := &entry{
			phase: standing, start: k.Since, until: k.Until, away: !k.AwaySince.IsZero(), awayAt: k.AwaySince,
			ackBy: k.AcknowledgedBy, ackAt: k.AcknowledgedAt, sent: k.Sent,
			finding: check.Finding{Check: check.ID(k.Check), Severity: k.Severity, Subject: k.Subject, Devices: k.Devices,
				Network: k.Network, Hold: k.Hold,
				Summary: k.Summary, Evidence: k.Evidence, Steps: check.StepsOr(k.Steps, k.Remedy)},
		}
		if k.Cleared {
			e.phase, e.away = cleared, true
		}
		if extra := len(k.Raises) - b.settings.FlapCount; extra > 0 {
			e.raises = slices.Clone(k.Raises[extra:])
		} else {
			e.raises = slices.Clone(k.Raises)
		}
		b.entries[ID(&e.finding)] = e
	}
	b.silences = slices.Clone(s.Silences[:min(len(s.Silences), b.settings.MaxSilence)])
	for i := range b.silences {
		b.silences[i].Current()
	}
	b.now = cmp.Or(s.At, b.now)
	b.restored = true
	return nil
}
