package alert

import (
	"math"

	"muster/internal/check"
	"muster/internal/event"
)

// Record makes the Book take all that a recording holds, as for a capture, a short audit or a snapshot: a finding
// counts from its first moment, because no one is to be notified of it, and one that went is kept with the share of
// the time in which it held. For a new Book.
func (b *Book) Record() { b.recorded = true }

// begin sets when the recording begins.
func (b *Book) begin(t event.Time) {
	if b.begun.IsZero() || t < b.begun {
		b.begun = t
	}
}

// record takes what the checks found of a recording at now.
func (b *Book) record(now event.Time, findings []check.Finding) (changes []Change) {
	before := max(b.judged, b.begun) // what is found now may have held since
	b.judged = now
	b.mark++
	for i := range findings {
		f := &findings[i]
		id := ID(f)
		e := b.entries[id]
		switch {
		case e == nil && len(b.entries) >= b.settings.Max:
			b.shed++
			continue
		case e == nil:
			e = &entry{phase: standing, start: since(f, before), away: true, sent: true, finding: *f}
			e.until = e.start
			b.entries[id] = e
			changes = append(changes, b.change(now, Raised, id, e))
		case e.mark == b.mark:
			continue
		}
		from := before
		if e.away {
			from = max(since(f, before), e.until, b.begun)
		}
		e.held += max(now.Sub(from), 0)
		e.mark, e.away, e.until = b.mark, false, now
		if f.Severity.Rank() >= e.finding.Severity.Rank() {
			e.finding = *f
		}
	}
	for _, e := range b.entries {
		e.away = e.mark != b.mark
		e.phase = standing
		if e.away {
			e.phase = cleared
		}
	}
	return changes
}

// since is from when on a finding held that was not there before.
func since(f *check.Finding, before event.Time) event.Time {
	if f.Since.IsZero() {
		return before
	}
	return f.Since
}

// share is the part of the recording in which the finding held, 0 when its times are not known.
func (b *Book) share(e *entry) float64 {
	whole := b.judged.Sub(b.begun)
	if !b.recorded || b.begun.IsZero() || whole <= 0 {
		return 0
	}
	return min(max(math.Round(100*float64(e.held)/float64(whole))/100, 0.01), 1)
}

// Settle is the alert at the moment when a report is sealed: one whose finding is not there any longer has cleared.
func (a *Alert) Settle() {
	if a.AwaySince != 0 {
		a.State, a.Until, a.AwaySince = StatusCleared, a.AwaySince, 0
	}
}

// Passed reports whether the finding came and went within a recording.
func (a *Alert) Passed() bool { return a.State == StatusCleared && a.Share > 0 }

// Quiet reports whether people have seen the alert and need not see it now: it is open, and acknowledged or silenced.
func (a *Alert) Quiet() bool {
	return a.State == StatusAcknowledged || a.State == StatusOpen && !a.SilencedUntil.IsZero()
}

// Counts reports whether the alert counts against the boat: it is open, or a recording holds it.
func (a *Alert) Counts() bool { return (a.State != StatusCleared || a.Passed()) && a.Accepted == "" }
