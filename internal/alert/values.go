package alert

import (
	"strings"

	"muster/internal/check"
	"muster/internal/event"
)

// Status is the state of an alert.
type Status string

// The statuses of an alert.
const (
	StatusOpen         Status = "open"
	StatusAcknowledged Status = "acknowledged"
	StatusCleared      Status = "cleared"
)

// Alert is a finding that has lasted, or that a recording holds.
type Alert struct {
	ID             string         `json:"id,omitempty"` // the same for the same fault over time: check, a colon, what it is about
	Check          string         `json:"check"`
	Severity       check.Severity `json:"severity"`
	State          Status         `json:"state"`
	Since          event.Time     `json:"since,omitzero"`
	Until          event.Time     `json:"until,omitzero"`      // when it cleared
	AwaySince      event.Time     `json:"away_since,omitzero"` // since when its finding is not there, of an alert that has not cleared yet
	Share          float64        `json:"share,omitempty"`     // part of the checked time of a recording in which it held, 0..1
	Flapping       bool           `json:"flapping,omitempty"`
	AcknowledgedBy string         `json:"acknowledged_by,omitempty"`
	AcknowledgedAt event.Time     `json:"acknowledged_at,omitzero"`
	SilencedUntil  event.Time     `json:"silenced_until,omitzero"`
	Accepted       string         `json:"accepted,omitempty"` // why the owner lives with it, by the config: not sent
	Devices        []string       `json:"devices,omitempty"`
	Network        string         `json:"network,omitempty"`
	Summary        string         `json:"summary"`
	Evidence       map[string]any `json:"evidence,omitempty"`
	Remedy         string         `json:"remedy,omitempty"` // the steps as one text
	Steps          []check.Step   `json:"steps,omitempty"`  // the remedy as numbered steps
}

// Current gives an alert that an earlier version made the ids of today: see check.ID.
func (a *Alert) Current() { a.ID, a.Check = CurrentID(a.ID), check.ID(a.Check) }

// CurrentID is the id of today of an alert that an earlier version made.
func CurrentID(id string) string {
	if name, subject, ok := strings.Cut(id, ":"); ok {
		return check.ID(name) + ":" + subject
	}
	return id
}
