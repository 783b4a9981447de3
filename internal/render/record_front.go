package render

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/job"
	"muster/internal/release"
	"muster/internal/report"
)

// part is a section of a record, the same on a page and on paper. One without content is left out.
type part struct {
	title   string
	text    string
	facts   [][2]string
	lines   []string
	items   []job.Item
	columns []string
	widths  []float64 // of the columns on paper, in millimetres; the last takes the rest
	bands   []band
	photos  []job.Picture
	signed  *job.Statement // drawn below
	code    string         // drawn beside the facts
}

// band is rows of a table, with a line above them unless it is empty.
type band struct {
	title string
	rows  [][]string
}

func (p *part) empty() bool {
	return p.text == "" && len(p.facts)+len(p.lines)+len(p.items)+len(p.bands)+len(p.photos) == 0
}

// tablePart is a part with rows, and none without.
func tablePart(title string, columns []string, widths []float64, rows [][]string) part {
	p := part{title: title, columns: columns, widths: widths}
	if len(rows) > 0 {
		p.bands = []band{{rows: rows}}
	}
	return p
}

// recordFront is what the owner reads: it fits on a page or two.
func recordFront(r *job.Record) []part {
	parts := []part{
		{facts: recordFacts(r), code: recordCode(r)},
		{title: "Done", lines: doneLines(r)},
		{title: "Changed", lines: changedLines(r)},
		tablePart("Still open, and what we advise", []string{"open", "advice"}, []float64{88}, openRows(r)),
		{title: "Notes", lines: r.Job.Notes},
	}
	if t := r.Account; t != nil {
		var notes []string
		for _, n := range t.Notes {
			notes = append(notes, n.Text+" ("+n.By+")")
		}
		parts = append(parts, part{title: "Faults found", lines: foundLines(t)}, part{title: "Notes of the visit", lines: notes}, hoursAndParts(t))
	}
	return append(parts, part{title: "Cautions", lines: recordCautions(r.Job)}, signatures(r))
}

// recordFacts are what the record is about.
func recordFacts(r *job.Record) [][2]string {
	zone := r.Job.Location()
	facts := append([][2]string{{"Boat", boatName(r.Boat)}}, jobFacts(r.Job)...)
	from, to := r.Before.Taken, r.After.Taken
	if r.Account != nil {
		from, to = r.Account.Opened, r.Account.At
	}
	visit := ""
	if from != 0 && to != 0 {
		visit = Local(from, zone) + " to " + Local(to, zone)
	}
	return withText(append(facts, [2]string{"Visit", visit}, [2]string{BelongsLabel, r.Because},
		[2]string{SignersLabel, r.SignersBecause}))
}

// recordCode is what tells to which folder the paper belongs.
func recordCode(r *job.Record) string {
	if r.Account == nil {
		return ""
	}
	return r.Account.Head()
}

// recordVerdict is the outcome in a sentence or two.
func recordVerdict(r *job.Record) string {
	done := 0
	for i := range r.Steps {
		if r.Steps[i].State == release.StepVerified {
			done++
		}
	}
	text := ""
	switch n := len(r.Steps); {
	case n == 0:
	case done == n && n == 1:
		text = "The ordered update was done. "
	case done == n:
		text = fmt.Sprintf("All %d ordered updates were done. ", n)
	case done == 0:
		text = fmt.Sprintf("No ordered update was done, %s open. ", boat.Counted(n, "was", "were"))
	default:
		text = fmt.Sprintf("%d of %d ordered updates %s done. ", done, n, map[bool]string{true: "was", false: "were"}[done == 1])
	}
	return strings.TrimSpace(text + stateAfter(r))
}

// stateAfter is the boat after the work in one sentence: by the findings that are open then, and not by those that came and went.
func stateAfter(r *job.Record) string {
	faults, attention := 0, 0
	for _, kind := range like(append(slices.Clone(r.Fresh), r.OpenItems...)) {
		switch kind[0].Severity {
		case check.Critical:
			faults++
		case check.Warning:
			attention++
		}
	}
	switch {
	case faults > 0 && attention > 0:
		return fmt.Sprintf("After the work, %s action and %s attention.", boat.Counted(faults, "fault needed", "faults needed"),
			boat.Counted(attention, "thing needed", "things needed"))
	case faults > 0:
		return "After the work, " + boat.Counted(faults, "fault needed", "faults needed") + " action."
	case attention > 0:
		return "After the work, " + boat.Counted(attention, "thing needed", "things needed") + " attention."
	case r.After.State == report.VerdictUnknown:
		return "After the work: " + r.After.Verdict
	}
	return "After the work, nothing needed attention."
}

// doneLines are the steps that are done, the remedies that were ticked and the findings that are gone.
func doneLines(r *job.Record) (lines []string) {
	for i := range r.Steps {
		s := &r.Steps[i]
		if s.State != release.StepVerified {
			continue
		}
		line := fmt.Sprintf("%s: %s → %s, %s", s.Label, s.From, s.To, StepWords(s))
		if s.ReadByHand() && s.ByHand.By != "" {
			line += " by " + s.ByHand.By
		}
		if s.Attempt > 1 {
			line += fmt.Sprintf(", in attempt %d", s.Attempt)
		}
		lines = append(lines, line)
	}
	if r.Account != nil {
		for _, x := range r.Account.Remedies {
			lines = append(lines, x.Text+" ("+x.By+")")
		}
	}
	for _, kind := range like(r.Resolved) {
		line, _ := kindLine(kind)
		_, line, _ = strings.Cut(line, ": ")
		lines = append(lines, "No longer found: "+line)
	}
	return lines
}

// changedLines are changes besides the steps that are done, old to new.
func changedLines(r *job.Record) (lines []string) {
	var outside []string
	if r.Account != nil {
		for _, o := range r.Account.Outside {
			outside = append(outside, o.Label)
			lines = append(lines, fmt.Sprintf("%s: %s → %s, in no order", o.Label, o.From, o.To))
		}
	}
	for _, g := range r.Groups {
		for _, d := range g.Devices {
			ordered := slices.ContainsFunc(r.Steps, func(s release.StepStatus) bool {
				same := d.ID != "" && (s.Device == d.ID || s.Now == d.ID) || d.Serial != "" && strings.Contains(s.Label, "("+d.Serial+")")
				return same && s.State == release.StepVerified
			})
			told := slices.ContainsFunc(outside, func(label string) bool { return d.Serial != "" && strings.Contains(label, d.Serial) })
			if d.Before != d.After && d.Before != "" && d.After != "" && !ordered && !told {
				lines = append(lines, strings.Join(strings.Fields(d.Device+" "+d.Serial), " ")+": "+d.Before+" → "+d.After)
			}
		}
	}
	return append(append(lines, r.Changes...), r.Commands...)
}

// openRows are the steps that are not done and the findings that remain, each with what we advise. Findings that are only worth knowing
// are counted.
func openRows(r *job.Record) (rows [][]string) {
	for i := range r.Steps {
		if s := &r.Steps[i]; s.State != release.StepVerified {
			state, advice := openStep(s)
			rows = append(rows, []string{fmt.Sprintf("%s, %s → %s: %s", s.Label, s.From, s.To, state), advice})
		}
	}
	worth := 0
	for _, kind := range like(append(slices.Clone(r.Fresh), r.OpenItems...)) {
		if kind[0].Severity == check.Info {
			worth += len(kind)
			continue
		}
		line, remedies := kindLine(kind)
		_, line, _ = strings.Cut(line, ": ") // the severity is in the evidence
		advice := ""
		for _, x := range kind {
			if x.Note != "" && !strings.Contains(advice, x.Note) {
				advice += x.Note + ". "
			}
		}
		for _, steps := range remedies[:min(1, len(remedies))] {
			for _, s := range steps {
				advice += s.Text + " "
			}
		}
		rows = append(rows, []string{line, strings.TrimSpace(advice)})
	}
	if worth > 0 {
		rows = append(rows, []string{boat.Counted(worth, "finding", "findings") + " worth knowing", "See the evidence."})
	}
	return rows
}

// openStep is what became of a step that is not done, and what we advise.
func openStep(s *release.StepStatus) (state, advice string) {
	var texts []string
	for _, f := range s.Failures {
		texts = append(texts, cmp.Or(f.Was, f.Text))
	}
	why := strings.Join(texts, "; ")
	switch s.State {
	case release.StepReentry:
		return "it runs the new release, and settings were lost", "Enter again: " + why + "."
	case release.StepDisputed:
		return "disputed: " + why, "Compare its own screen with the network again."
	case release.StepFailed:
		return "failed: " + why, "Do not rely on it before it is checked. Repeat the update."
	case release.StepLeft:
		return "it left the network and did not come back", "Check its screen, its power and its connector."
	case release.StepBack, release.StepIdentified:
		return "it came back, and was not checked to the end", "Check its version on its own screen."
	}
	return "it was not begun", "Update it at the next visit."
}

// hoursAndParts are the lines of the invoice. Prices and sums are left to it.
func hoursAndParts(t *job.Account) part {
	var rows [][]string
	for _, w := range t.Hours {
		rows = append(rows, []string{cmp.Or(w.Kind, "work"), "", fmt.Sprintf("%.2f h", float64(w.Minutes)/60), "", ""})
	}
	if len(t.Hours) > 1 {
		rows = append(rows, []string{"hours in all", "", job.HoursText(t.Minutes()), "", ""})
	}
	for _, p := range t.Parts {
		rows = append(rows, []string{p.Name, p.Number, fmt.Sprint(p.Count), "", ""})
	}
	if len(rows) > 0 {
		rows = append(rows, []string{"sum", "", "", "", ""})
	}
	return tablePart("Hours and parts", []string{"what", "number", "how many", "price", "sum"}, []float64{80, 30, 25, 20}, rows)
}

// signatures are who did the work and who agreed.
func signatures(r *job.Record) part {
	technician, customer, zone := []string{"Technician", r.Job.Technician, "", ""}, []string{"Customer", r.Job.Customer, "", ""}, r.Job.Location()
	if t := r.Account; t != nil {
		technician[2] = Local(t.At, zone)
		if s := t.SignOff; s != nil {
			customer = []string{"Customer", s.By, Local(s.At, zone), s.Text}
		}
	}
	p := tablePart("Signatures", []string{"who", "name", "when", "signature"}, []float64{24, 50, 42}, [][]string{technician, customer})
	if r.Account != nil {
		p.signed = r.Account.SignOff
	}
	return p
}
