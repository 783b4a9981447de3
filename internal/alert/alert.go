// Package alert turns findings into alerts that are raised once and cleared once.
package alert

import (
	"cmp"
	"errors"
	"fmt"
	"maps"
	"slices"
	"time"

	"muster/internal/check"
	"muster/internal/event"
)

// ErrUnknown means that no open alert has the id.
var ErrUnknown = errors.New("no active alert has this id")

// Settings are the times and bounds of a Book. The zero value clears at once and damps nothing; bounds of 0 become the defaults.
type Settings struct {
	Clear      time.Duration `yaml:"clear"`       // how long a finding must stay away before its alert clears
	FlapCount  int           `yaml:"flap_count"`  // so many raises within FlapWindow make an alert flapping; 0 never
	FlapWindow time.Duration `yaml:"flap_window"` //
	FlapClear  time.Duration `yaml:"flap_clear"`  // Clear of a flapping alert
	Settle     time.Duration `yaml:"settle"`      // how long nothing clears after Restore, until devices have sent again
	Keep       int           `yaml:"keep"`        // cleared alerts kept
	Max        int           `yaml:"max"`         // findings and alerts kept altogether
	MaxSilence int           `yaml:"max_silence"` // silences kept
}

// DefaultSettings are the settings as shipped (common practice, no source).
func DefaultSettings() Settings {
	return Settings{Clear: 30 * time.Second, FlapCount: 3, FlapWindow: time.Hour, FlapClear: 15 * time.Minute,
		Settle: 2 * time.Minute, Keep: 200, Max: 2000, MaxSilence: 100}
}

// Validate reports every setting that makes no sense, each with its key.
func (s Settings) Validate() error {
	var errs []error
	for _, d := range []struct {
		key string
		d   time.Duration
	}{{"clear", s.Clear}, {"flap_window", s.FlapWindow}, {"flap_clear", s.FlapClear}, {"settle", s.Settle}} {
		if d.d < 0 {
			errs = append(errs, fmt.Errorf("%s: %v must not be negative", d.key, d.d))
		}
	}
	for _, n := range []struct {
		key string
		n   int
	}{{"flap_count", s.FlapCount}, {"keep", s.Keep}, {"max", s.Max}, {"max_silence", s.MaxSilence}} {
		if n.n < 0 {
			errs = append(errs, fmt.Errorf("%s: %d must not be negative", n.key, n.n))
		}
	}
	if s.FlapCount > 0 && s.FlapClear < s.Clear {
		errs = append(errs, fmt.Errorf("flap_clear: %v must not be shorter than clear, %v", s.FlapClear, s.Clear))
	}
	return errors.Join(errs...)
}

// ChangeKind is what happened to an alert.
type ChangeKind string

// The kinds of change.
const (
	Raised       ChangeKind = "raised"
	Regraded     ChangeKind = "regraded" // its severity changed
	Acknowledged ChangeKind = "acknowledged"
	Reopened     ChangeKind = "reopened"   // its acknowledgement was taken back
	Unsilenced   ChangeKind = "unsilenced" // its silence ended while it is open, and it was not sent yet
	Cleared      ChangeKind = "cleared"
)

// Change is one step in the life of an alert. The alert shares its evidence with the Book: read-only.
type Change struct {
	At       event.Time `json:"at,omitzero"`
	Kind     ChangeKind `json:"kind"`
	Silenced bool       `json:"silenced,omitempty"` // to be kept, but not sent
	Alert    Alert      `json:"alert"`
}

// ID is the id of the alert that a finding makes.
func ID(f *check.Finding) string { return f.Check + ":" + f.Subject }

type phase uint8

const (
	pending phase = iota // the finding has not lasted yet
	standing
	cleared
)

// entry is what the Book holds of one id.
type entry struct {
	phase   phase
	finding check.Finding // the latest
	start   event.Time    // since when the finding lasts
	until   event.Time    // when it cleared
	away    bool          // the finding was not there at the last update
	awayAt  event.Time    // since when
	raises  []event.Time  // the latest raises, oldest first, at most FlapCount
	ackBy   string
	ackAt   event.Time
	sent    bool          // the raise was not silenced
	held    time.Duration // of a recording: how long altogether
	mark    uint64
}

// Book holds every alert of one boat. It moves only by Update and the calls of its user, all of which must come from one goroutine.
type Book struct {
	settings Settings
	entries  map[string]*entry
	silences []Silence
	accepts  []Accepted
	now      event.Time
	settled  event.Time // nothing clears before
	restored bool       // the next update sets settled
	recorded bool       // see Record
	begun    event.Time // of a recording: its first moment
	judged   event.Time // of a recording: when the checks last ran
	mark     uint64
	shed     uint64
}

// New makes an empty Book.
func New(s Settings) *Book {
	b := &Book{entries: map[string]*entry{}}
	b.Configure(s)
	return b
}

// Configure changes the settings of a Book in use; what it holds stays.
func (b *Book) Configure(s Settings) {
	d := DefaultSettings()
	s.Keep, s.Max, s.MaxSilence = cmp.Or(s.Keep, d.Keep), cmp.Or(s.Max, d.Max), cmp.Or(s.MaxSilence, d.MaxSilence)
	b.settings = s
	for _, e := range b.entries {
		if extra := len(e.raises) - s.FlapCount; extra > 0 {
			e.raises = slices.Delete(e.raises, 0, extra)
		}
	}
}

// Shed counts the findings that were passed over because the Book was full.
func (b *Book) Shed() uint64 { return b.shed }

// Update takes what the checks found at now and returns what that changed, sorted by alert id.
//
// A finding becomes an alert when it has lasted for its hold, counted from its Since if the check gives it. An alert
// clears when its finding has stayed away. When time goes back, spans that have begun begin again.
func (b *Book) Update(now event.Time, findings []check.Finding) []Change {
	if now < b.now {
		b.rewind(now)
	}
	b.now = now
	if b.recorded {
		return b.record(now, findings)
	}
	if b.restored {
		b.restored = false
		b.settled = now.Add(b.settings.Settle)
	}
	b.mark++
	var changes []Change
	for i := range findings {
		changes = b.seen(changes, now, &findings[i])
	}
	for id, e := range b.entries {
		if e.mark != b.mark {
			changes = b.missed(changes, now, id, e)
		}
	}
	changes = b.endSilences(changes, now)
	b.forget()
	slices.SortStableFunc(changes, func(x, y Change) int { return cmp.Compare(x.Alert.ID, y.Alert.ID) })
	return changes
}

// seen handles a finding that is there.
func (b *Book) seen(changes []Change, now event.Time, f *check.Finding) []Change {
	id := ID(f)
	e := b.entries[id]
	if e == nil {
		if len(b.entries) >= b.settings.Max && !b.makeRoom() {
			b.shed++
			return changes
		}
		e = &entry{phase: pending, away: true}
		b.entries[id] = e
	}
	if e.mark == b.mark {
		return changes // the same finding twice in one update
	}
	e.mark = b.mark
	if e.away && e.phase != standing {
		e.start = now
	}
	e.away = false
	if !f.Since.IsZero() && f.Since < e.start && (e.phase == pending || e.phase == cleared && f.Since >= e.until) {
		e.start = f.Since // after a clear, only what began later counts
	}
	severity := e.finding.Severity
	e.finding = *f
	switch {
	case e.phase == standing:
		if severity != f.Severity {
			e.sent = e.sent || !b.silenced(now, e)
			changes = append(changes, b.change(now, Regraded, id, e))
		}
	case now.Sub(e.start) >= f.Hold:
		e.phase = standing
		e.until, e.ackBy, e.ackAt = 0, "", 0
		if n := b.settings.FlapCount; n > 0 {
			if len(e.raises) >= n {
				e.raises = slices.Delete(e.raises, 0, len(e.raises)-n+1)
			}
			e.raises = append(e.raises, now)
		}
		e.sent = !b.silenced(now, e)
		changes = append(changes, b.change(now, Raised, id, e))
	}
	return changes
}

// missed handles an entry whose finding is not there.
func (b *Book) missed(changes []Change, now event.Time, id string, e *entry) []Change {
	if !e.away {
		e.away, e.awayAt = true, now
	}
	switch e.phase {
	case pending:
		delete(b.entries, id)
	case standing:
		span := b.settings.Clear
		if b.flapping(e) {
			span = max(span, b.settings.FlapClear)
		}
		if now < b.settled || now.Sub(e.awayAt) < span {
			return changes
		}
		e.phase, e.until = cleared, e.awayAt
		changes = append(changes, b.change(now, Cleared, id, e))
	}
	return changes
}

// flapping reports whether the alert was raised FlapCount times within FlapWindow.
func (b *Book) flapping(e *entry) bool {
	n := b.settings.FlapCount
	if n <= 0 || len(e.raises) < n {
		return false
	}
	first, last := e.raises[len(e.raises)-n], e.raises[len(e.raises)-1]
	return b.now.Sub(first) <= b.settings.FlapWindow+b.settings.FlapClear && last.Sub(first) <= b.settings.FlapWindow
}

func (b *Book) change(now event.Time, kind ChangeKind, id string, e *entry) Change {
	silenced := b.silenced(now, e)
	if kind == Cleared { // if the alert was sent, its end is too
		silenced = !e.sent
	}
	return Change{At: now, Kind: kind, Silenced: silenced, Alert: b.alert(id, e)}
}

// Acknowledge notes who acknowledges an open alert. The note ends with the alert. A second one replaces the first.
func (b *Book) Acknowledge(id, who string, at event.Time) (Change, error) {
	if who == "" {
		return Change{}, fmt.Errorf("acknowledge alert %q: no name: give the name of the person who acknowledges", id)
	}
	e := b.entries[id]
	if e == nil || e.phase != standing {
		return Change{}, fmt.Errorf("acknowledge alert %q: %w: the report lists the ids", id, ErrUnknown)
	}
	e.ackBy, e.ackAt = who, at
	return b.change(at, Acknowledged, id, e), nil
}

// Unacknowledge takes back the acknowledgement of an open alert, which then counts again.
func (b *Book) Unacknowledge(id string, at event.Time) (Change, error) {
	e := b.entries[id]
	if e == nil || e.phase != standing || e.ackBy == "" {
		return Change{}, fmt.Errorf("undo acknowledgement of alert %q: %w and is acknowledged: the report lists the ids",
			id, ErrUnknown)
	}
	e.ackBy, e.ackAt = "", 0
	return b.change(at, Reopened, id, e), nil
}

// Alerts lists open and cleared alerts, worst first, then by check and subject. The evidence is shared: read-only.
func (b *Book) Alerts() []Alert {
	type row struct {
		id string
		e  *entry
	}
	var rows []row
	for id, e := range b.entries {
		if e.phase != pending {
			rows = append(rows, row{id, e})
		}
	}
	slices.SortFunc(rows, func(x, y row) int {
		return cmp.Or(cmp.Compare(y.e.finding.Severity.Rank(), x.e.finding.Severity.Rank()),
			cmp.Compare(x.e.finding.Check, y.e.finding.Check), cmp.Compare(x.e.finding.Subject, y.e.finding.Subject))
	})
	alerts := make([]Alert, 0, len(rows))
	for _, r := range rows {
		alerts = append(alerts, b.alert(r.id, r.e))
	}
	return alerts
}

func (b *Book) alert(id string, e *entry) Alert {
	state := StatusOpen
	switch {
	case e.phase == cleared:
		state = StatusCleared
	case e.ackBy != "":
		state = StatusAcknowledged
	}
	f := &e.finding
	until := e.until
	if e.phase == standing {
		until = 0
	}
	return Alert{
		ID: id, Check: f.Check, Severity: f.Severity, State: state, Since: e.start, Until: until,
		Share: b.share(e), AwaySince: e.awaySince(), Flapping: b.flapping(e),
		AcknowledgedBy: e.ackBy, AcknowledgedAt: e.ackAt, SilencedUntil: b.silencedUntil(b.now, e), Accepted: b.accepted(e),
		Devices: f.Devices, Network: f.Network, Summary: f.Summary, Evidence: f.Evidence,
		Remedy: check.Remedy(f.Steps), Steps: f.Steps,
	}
}

// awaySince is since when the finding of an open alert is not there, 0 while it is.
func (e *entry) awaySince() event.Time {
	if e.phase == standing && e.away {
		return e.awayAt
	}
	return 0
}

// rewind takes back every span that began after now.
func (b *Book) rewind(now event.Time) {
	for _, e := range b.entries {
		if e.phase != cleared {
			e.start = min(e.start, now)
		}
		e.awayAt = min(e.awayAt, now)
		e.raises = slices.DeleteFunc(e.raises, func(t event.Time) bool { return t > now })
	}
	b.settled = min(b.settled, now.Add(b.settings.Settle))
	b.begun, b.judged = min(b.begun, now), min(b.judged, now)
}

// shift moves times from within the span by the given duration.
func (b *Book) shift(from, to event.Time, by time.Duration) {
	move := func(times ...*event.Time) {
		for _, t := range times {
			if *t != 0 && from <= *t && *t <= to {
				*t = t.Add(by)
			}
		}
	}
	for _, e := range b.entries {
		move(&e.start, &e.until, &e.awayAt, &e.ackAt, &e.finding.Since)
		for i := range e.raises {
			move(&e.raises[i])
		}
	}
	for i := range b.silences {
		if s := &b.silences[i]; from <= s.From && s.From <= to {
			s.From, s.Until = s.From.Add(by), s.Until.Add(by)
		}
	}
	if !b.restored { // until the first update, now is of the run before
		move(&b.now)
		to = to.Add(b.settings.Settle)
		move(&b.settled)
	}
}

// forget drops the cleared alerts that are too many, oldest first.
func (b *Book) forget() {
	for old := b.cleared(); len(old) > b.settings.Keep; old = old[1:] {
		delete(b.entries, old[0])
	}
}

// makeRoom drops the oldest cleared alert, if there is one.
func (b *Book) makeRoom() bool {
	old := b.cleared()
	if len(old) == 0 {
		return false
	}
	delete(b.entries, old[0])
	return true
}

// cleared lists the ids of cleared alerts whose finding is away, longest cleared first.
func (b *Book) cleared() []string {
	ids := slices.Collect(maps.Keys(b.entries))
	ids = slices.DeleteFunc(ids, func(id string) bool { e := b.entries[id]; return e.phase != cleared || !e.away })
	slices.SortFunc(ids, func(x, y string) int {
		return cmp.Or(cmp.Compare(b.entries[x].until, b.entries[y].until), cmp.Compare(x, y))
	})
	return ids
}
