package render

import (
	"cmp"
	"fmt"
	"strings"
	"time"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/job"
	"muster/internal/release"
)

// recordProof is what stands behind the front: every unit, step, reading and file, with times in UTC.
func recordProof(r *job.Record) []part {
	parts := []part{
		{facts: withText([][2]string{{"Before the work", verdictText(r.Before)}, {"After the work", verdictText(r.After)}})},
		unitsPart(r),
		stepsPart(r.Steps),
		tablePart("Settings that were lost", []string{"step", "as it was", "seen again"}, []float64{14, 110}, settingRows(r.Steps)),
		{title: "Read and decided by people", lines: byHandLines(r.Steps)},
	}
	if r.Account != nil {
		parts = append(parts, accountParts(r.Account)...)
	}
	parts = append(parts,
		part{title: "Photos", photos: r.Photos},
		part{title: "Findings before the work", items: r.Found},
		part{title: "Resolved findings", items: r.Resolved},
		part{title: "Not judged after the work", items: r.Unjudged},
		part{title: "Open findings, and why", items: r.OpenItems},
		part{title: "New findings", items: r.Fresh},
		part{title: "Settings changed over the network", lines: r.Commands},
		tablePart("Network", figureColumns, []float64{66, 44}, figureCells(r)),
		part{title: "Counted over the visit", lines: counterLines(r)},
		part{title: "Snapshots", facts: [][2]string{{"before", snapshotText(r.Before)}, {"after", snapshotText(r.After)}}},
	)
	if t := r.Account; t != nil {
		parts = append(parts, filesPart(t), part{title: "Ledger", lines: []string{
			fmt.Sprintf("%d lines before this record, the last with SHA-256 %s", t.Lines, t.Digest),
			closedWith(t.Keys),
			"To check the folder: muster job check. With --paper and the text of the code on page one, it checks this paper too. The example ledger.md shows how to do it with sha256sum and OpenSSL."}})
	}
	return append(parts, part{title: "How to check", text: howToCheck})
}

// closedWith is with whose keys the job was closed after its record.
func closedWith(keys []job.KeyName) string {
	if len(keys) == 0 {
		return "Closed without a kept key: an accident is found, forgery is not"
	}
	var names []string
	for _, k := range keys {
		names = append(names, k.String())
	}
	return "Closed and signed with the " + strings.Join(names, ", and the ")
}

func unitsPart(r *job.Record) part {
	p := part{title: "Units and their software", columns: deviceColumns, widths: []float64{58, 30, 24, 24}}
	for _, g := range r.Groups {
		p.bands = append(p.bands, band{roleTitle(g.Role), cells(g.Devices, deviceCells)})
	}
	return p
}

// stepsPart is every attempt at every step.
func stepsPart(steps []release.StepStatus) part {
	p := part{title: "Work order", columns: []string{"attempt", "off the network (UTC)", "version", "lowest V", "what was seen"},
		widths: []float64{16, 58, 20, 17}}
	for i := range steps {
		s := &steps[i]
		var rows [][]string
		for _, a := range s.Attempts {
			rows = append(rows, attemptRow(a.Number, a.Absences, a.Version, a.LowestVolts, failureTexts(a.Failures)))
		}
		if away := s.Absences; s.Attempt > 0 || s.LeftAt != 0 {
			if len(away) == 0 && s.LeftAt != 0 { // as an earlier version kept it
				away = []release.Absence{{From: s.LeftAt, To: s.BackAt}}
			}
			rows = append(rows, attemptRow(max(1, s.Attempt), away, s.Version, s.LowestVolts, append(failureTexts(s.Failures), s.Notes...)))
		} else if texts := append(failureTexts(s.Failures), s.Notes...); len(texts) > 0 {
			rows = append(rows, attemptRow(0, nil, s.Version, nil, texts))
		}
		state := StepWords(s)
		if s.State != release.StepVerified {
			state, _ = openStep(s)
			state, _, _ = strings.Cut(state, ":")
		}
		if t := s.VerifiedAt; s.State == release.StepVerified && t != 0 {
			state += ", " + second(t)
		}
		p.bands = append(p.bands, band{fmt.Sprintf("%s %s, %s → %s: %s", s.Step, s.Label, s.From, s.To, state), rows})
	}
	return p
}

func attemptRow(n int, away []release.Absence, version string, volts *float64, texts []string) []string {
	number, lowest := "–", ""
	if n > 0 {
		number = fmt.Sprint(n)
	}
	if volts != nil {
		lowest = fmt.Sprintf("%.1f", *volts)
	}
	var spans []string
	for _, a := range away {
		span := a.From.UTC().Format("2006-01-02 15:04:05") + " to "
		if a.To == 0 {
			span += "–"
		} else {
			span += a.To.UTC().Format("15:04:05")
		}
		spans = append(spans, span)
	}
	return []string{number, strings.Join(spans, ", "), version, lowest, strings.Join(texts, "; ")}
}

func failureTexts(list []release.Failure) (texts []string) {
	for _, f := range list {
		texts = append(texts, f.Text)
	}
	return texts
}

// settingRows are the settings that updates lost, each with when the network showed it again.
func settingRows(steps []release.StepStatus) (rows [][]string) {
	for _, s := range steps {
		for _, x := range s.Settings {
			again := "not seen again"
			if x.SeenAgain != 0 {
				again = second(x.SeenAgain)
			}
			rows = append(rows, []string{s.Step, x.Was, again})
		}
	}
	return rows
}

// byHandLines are versions that people read, and what they decided.
func byHandLines(steps []release.StepStatus) (lines []string) {
	for _, s := range steps {
		if b := s.ByHand; b != nil {
			lines = append(lines, fmt.Sprintf("%s: its version was read from its screen by %s, %s", s.Step, cmp.Or(b.By, "an unnamed person"), second(b.At)))
		}
		for _, x := range s.Settled {
			lines = append(lines, fmt.Sprintf("%s: %s. Settled by %s, %s: %s", s.Step, x.What, x.By, second(x.At), x.Reason))
		}
	}
	return lines
}

// accountParts are what the ledger adds to the proof.
func accountParts(t *job.Account) []part {
	said := func(list []job.Statement) (texts []string) {
		for _, s := range list {
			texts = append(texts, s.String())
		}
		return texts
	}
	points := said(t.Points)
	for _, p := range t.Unticked {
		points = append(points, p+": not ticked")
	}
	return []part{searchPart(t), {title: "Hold points", lines: points}, {title: "Waived", lines: said(t.Waived)}, {title: "Remedies ticked", lines: said(t.Remedies)},
		{title: "Notes and sign-off, with times in UTC", lines: said(append(append([]job.Statement{}, t.Notes...), t.SignedOff()...))}}
}

// foundLines are the faults that were found.
func foundLines(t *job.Account) (lines []string) {
	for _, s := range t.Search {
		if f := s.Found; f != nil {
			lines = append(lines, fmt.Sprintf("%s: %s. %s (%s)", f.Part, f.Fault, withStop(f.How), s.By))
		}
	}
	return lines
}

// withStop ends a text as a sentence.
func withStop(text string) string {
	if text == "" || strings.HasSuffix(text, ".") {
		return text
	}
	return text + "."
}

// searchPart is the search for a fault: each reading with where the fault was then, and what was found.
func searchPart(t *job.Account) part {
	var rows [][]string
	for _, s := range t.Search {
		text, then := s.Reading, make([]string, len(s.Likely))
		for i, l := range s.Likely {
			then[i] = l.String()
		}
		switch {
		case s.Found != nil:
			text, then = "Found: "+s.Found.Part+": "+s.Found.Fault, []string{s.Found.How}
		case text == "":
			text = fmt.Sprintf("Line %d is taken back", s.Corrects)
		case s.Corrects > 0:
			text += fmt.Sprintf(" (in place of line %d)", s.Corrects)
		}
		if s.Corrected {
			text += " (corrected later)"
		}
		rows = append(rows, []string{fmt.Sprint(s.Line), second(s.At), s.By, text, strings.Join(then, "; ")})
	}
	return tablePart("Search for the fault, with times in UTC", []string{"line", "time", "by", "reading", "fault then most probably at"}, []float64{10, 36, 24, 52}, rows)
}

func filesPart(t *job.Account) part {
	var rows [][]string
	for _, f := range t.Files {
		rows = append(rows, []string{f.File, fmt.Sprint(f.Bytes), f.SHA256})
	}
	return tablePart("Files of the job", []string{"file", "bytes", "SHA-256"}, []float64{52, 18}, rows)
}

// figureCells are the measured figures before and after.
func figureCells(r *job.Record) [][]string {
	out := [][]string{{"Units online", fmt.Sprint(r.Aboard.Before), fmt.Sprint(r.Aboard.After)}}
	for _, n := range r.Networks {
		if n.Before.Load != nil || n.After.Load != nil {
			out = append(out, []string{"Load of " + n.After.ID, load(n.Before.Load), load(n.After.Load)})
		}
	}
	return out
}

// counterLines are faults counted over the visit. Where the counters run on since the snapshot before, it is the difference; where
// they began again, it is what the snapshot after the work counted.
func counterLines(r *job.Record) (lines []string) {
	for _, n := range r.Networks {
		b, a, from := n.Before.Faults, n.After.Faults, r.After.From
		if r.After.From != 0 && r.After.From == r.Before.From {
			from = r.Before.Taken
		} else {
			b = boat.Faults{}
		}
		span := r.After.Taken.Sub(from).Round(time.Second)
		if n.After.Kind == event.NMEA0183 {
			lines = append(lines, fmt.Sprintf("%s: wrong checksums %d, in %v", n.After.ID, a.ChecksumErrors-min(a.ChecksumErrors, b.ChecksumErrors), span))
			continue
		}
		lines = append(lines, fmt.Sprintf("%s: error frames %d, incomplete messages %d, lost messages %d, in %v", n.After.ID,
			a.ErrorFrames-min(a.ErrorFrames, b.ErrorFrames), a.BrokenSequences-min(a.BrokenSequences, b.BrokenSequences),
			a.LostMessages-min(a.LostMessages, b.LostMessages), span))
	}
	return lines
}
