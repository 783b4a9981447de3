package render

import (
	"fmt"
	"math"
	"strings"

	"github.com/jedib0t/go-pretty/v6/text"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/report"
)

// The first screen of a report: so many columns, and so many lines for findings, with their titles.
const (
	screenColumns = 80
	screenLines   = 18
)

// SeverityTitle is the heading over findings of a severity.
func SeverityTitle(s check.Severity) string {
	switch s {
	case check.Critical:
		return "Act now"
	case check.Warning:
		return "Needs attention"
	}
	return "Worth knowing"
}

func verdictColour(s report.VerdictState) text.Color {
	switch s {
	case report.VerdictFault:
		return text.FgRed
	case report.VerdictAttention:
		return text.FgYellow
	case report.VerdictOK:
		return text.FgGreen
	}
	return text.FgCyan
}

// JudgedLine is in one line what a verdict rests on: "24 of 29 checks judged; 5 need 40 s more".
func JudgedLine(j *report.Judged) string {
	line := fmt.Sprintf("%d of %d checks judged", j.Judged, j.Checks)
	short := map[string]int{}
	var words []string
	for _, s := range j.Shortfalls() {
		word := needKind(s.Needs)
		if s.Needs == check.NeedTime {
			word = NeedWords(s.Needs, s.MoreSec)
		}
		if short[word] == 0 {
			words = append(words, word)
		}
		short[word] += s.Checks
	}
	for i, word := range words {
		switch {
		case i > 0:
			line += fmt.Sprintf(", %d %s", short[word], word)
		case short[word] == 1:
			line += "; 1 needs " + word
		default:
			line += fmt.Sprintf("; %d need %s", short[word], word)
		}
	}
	return line
}

// needKind sorts the needs into few words, for a line that has little room.
func needKind(n check.Need) string {
	switch n {
	case check.NeedSources, check.NeedTraffic, check.NeedInterface:
		return "other sources"
	case check.NeedSheets, check.NeedLayout, check.NeedBaseline:
		return "files"
	}
	return NeedWords(n, 0)
}

// NeedWords is what it takes to judge what was not judged: "40 s more", "a layout".
func NeedWords(n check.Need, moreSec float64) string {
	switch n {
	case check.NeedTime:
		if moreSec > 0 {
			return SecondsWords(moreSec) + " more"
		}
		return "more time"
	case check.NeedAsking:
		return "asking"
	case check.NeedSources:
		return "a second source"
	case check.NeedTraffic:
		return "other traffic"
	case check.NeedInterface:
		return "a live interface"
	case check.NeedSheets:
		return "release sheets"
	case check.NeedLayout:
		return "a layout"
	case check.NeedBaseline:
		return "a baseline"
	case check.NeedSetting:
		return "to be switched on"
	}
	return KeyWords(string(n))
}

// SecondsWords writes a span of seconds: "40 s", "6 min".
func SecondsWords(sec float64) string {
	if sec < 120 {
		return fmt.Sprintf("%.0f s", sec)
	}
	return fmt.Sprintf("%.0f min", math.Ceil(sec/60))
}

// GroupLine is the line that represents a group of findings, in so many columns; 0 for no limit.
func GroupLine(g *report.Group, room int) string {
	a, when := g.Alerts[0], ""
	if len(g.Alerts) == 1 && a.Passed() {
		when = fmt.Sprintf(" (came and went, %.0f %%)", 100*a.Share)
	}
	line := boat.Printable(a.Summary) + when
	if brief := check.Briefly(g.Check, len(g.Alerts)); brief != "" && (len(g.Alerts) > 1 || room > 0 && text.StringWidth(line) > room+room/2) {
		line = brief + when
	}
	if room > 0 && text.StringWidth(line) > room {
		line = text.Snip(line, room, "…")
	}
	return line
}

// findings lists what counts against the boat, like findings as one.
func (t *textReport) findings() {
	groups := t.report.Groups()
	if len(groups) == 0 {
		return
	}
	t.line(0, "")
	var last check.Severity
	lines := 0
	for i := range groups {
		g := &groups[i]
		if g.Severity != last {
			lines++
		}
		if left := len(groups) - i; !t.Explain && lines+left > screenLines && lines >= screenLines-1 && left > 1 {
			t.line(2, fmt.Sprintf("and %d more", left))
			break
		}
		if g.Severity != last {
			last = g.Severity
			t.line(0, t.paint(SeverityTitle(last), severityColour(last), text.Bold))
		}
		lines++
		t.short(g)
	}
	accepted := 0
	for i := range t.report.Alerts {
		if a := &t.report.Alerts[i]; a.State != alert.StatusCleared && a.Accepted != "" {
			accepted++
		}
	}
	if accepted > 0 {
		t.line(0, fmt.Sprintf("Accepted: %d", accepted))
	}
}

// short writes the line of a group with the check's id at its end.
func (t *textReport) short(g *report.Group) {
	width := screenColumns
	if t.Width > 0 {
		width = min(width, t.Width)
	}
	room := width - 2 - 2 - text.StringWidth(g.Check)
	t.line(2, text.Pad(GroupLine(g, room), room, ' ')+"  "+t.paint(g.Check, text.Faint))
}

// hint is where to find the rest.
func (t *textReport) hint() {
	if len(t.report.Groups()) == 0 && (t.report.Judged == nil || len(t.report.Judged.NotJudged) == 0) {
		return
	}
	t.line(0, "")
	t.line(0, "Evidence, remedies, what was not judged: --explain, or muster explain CHECK.")
}

// explain gives the evidence of each finding, the remedy once for each kind, and what was not judged.
func (t *textReport) explain() {
	for _, g := range t.report.Groups() {
		t.title(g.Check + " (" + string(g.Severity) + ")")
		t.line(2, check.TextOf(g.Check).Doc)
		var remedies [][]check.Step
		for _, a := range g.Alerts {
			head := boat.Printable(a.Summary)
			if !a.Since.IsZero() {
				head += ", since " + Stamp(a.Since)
			}
			if a.Passed() {
				head += ", until " + Stamp(a.Until)
			}
			if a.Share > 0 && a.Share < 1 {
				head += fmt.Sprintf(", %.0f %% of the time", 100*a.Share)
			}
			t.line(2, "- "+head)
			_, facts := Evidence(t.report, a)
			var words []string
			for _, f := range facts {
				words = append(words, f.Name+" "+f.Text)
			}
			if len(words) > 0 {
				t.line(4, "Evidence: "+strings.Join(words, ", "))
			}
			remedies = append(remedies, check.StepsOr(a.Steps, a.Remedy))
		}
		for _, r := range check.Distinct(remedies) {
			t.line(2, RemedyLabel+":")
			for _, step := range RemedyLines(r) {
				t.line(4, step)
			}
		}
	}
	t.accepted()
	t.notJudged()
}

func (t *textReport) accepted() {
	first := true
	for i := range t.report.Alerts {
		a := &t.report.Alerts[i]
		if a.State == alert.StatusCleared || a.Accepted == "" {
			continue
		}
		if first {
			t.title("Accepted")
			first = false
		}
		t.line(2, boat.Printable(a.Summary))
		t.line(4, "Accepted: "+boat.Printable(a.Accepted))
	}
}

func (t *textReport) notJudged() {
	j := t.report.Judged
	if j == nil || len(j.NotJudged) == 0 {
		return
	}
	t.title("Not judged")
	for i := range j.NotJudged {
		u := &j.NotJudged[i]
		t.line(2, boat.Printable(u.Check+": "+u.Why+" (needs "+NeedWords(u.Needs, u.MoreSec)+")"))
	}
}

// UnjudgedLines are what could not be judged, why, and what it takes: one line for all checks of one reason, and for
// all like subjects of one check, of which the one that needs the longest represents the others.
func UnjudgedLines(j *report.Judged) []string {
	type like struct {
		check string
		needs check.Need
	}
	longest, others := map[like]*report.Unjudged{}, map[like]int{}
	for i := range j.NotJudged {
		u := &j.NotJudged[i]
		k := like{u.Check, u.Needs}
		switch was := longest[k]; {
		case was == nil:
			longest[k] = u
		case u.MoreSec > was.MoreSec:
			longest[k] = u
			others[k]++
		default:
			others[k]++
		}
	}
	var reasons []string
	checks := map[string][]string{}
	for i := range j.NotJudged {
		u := &j.NotJudged[i]
		k := like{u.Check, u.Needs}
		if longest[k] != u {
			continue
		}
		reason := u.Why
		if n := others[k]; n > 0 {
			reason += fmt.Sprintf(", and %d more like it", n)
		}
		reason += " (needs " + NeedWords(u.Needs, u.MoreSec) + ")"
		if checks[reason] == nil {
			reasons = append(reasons, reason)
		}
		checks[reason] = append(checks[reason], u.Check)
	}
	lines := make([]string, 0, len(reasons))
	for _, reason := range reasons {
		lines = append(lines, boat.Printable(strings.Join(checks[reason], ", ")+": "+reason))
	}
	return lines
}
