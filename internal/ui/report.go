package ui

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
	"muster/internal/render"
	"muster/internal/report"
)

// verdict is the boat in one sentence.
type verdict struct {
	Mark     string // symbol: well, info, warning, critical, quiet
	Sentence string
	More     string
}

func verdictOf(r *report.Report) verdict {
	known, quiet, accepted, infos := 0, 0, 0, 0
	for i := range r.Alerts {
		switch a := &r.Alerts[i]; {
		case a.State == alert.StatusCleared:
		case a.Accepted != "":
			accepted++
		default:
			if a.Severity == check.Info {
				infos++
			}
			if a.State == alert.StatusAcknowledged {
				known++
			}
			if a.SilencedUntil != 0 {
				quiet++
			}
		}
	}
	aboard, here := r.Aboard(), 0
	total := len(aboard)
	for _, u := range aboard {
		if u.State == boat.Present {
			here++
		}
	}
	v := verdict{More: fmt.Sprintf("%d of %s online", here, boat.Counted(total, "device", "devices"))}
	if n := len(r.Talkers); total == 0 && n > 0 {
		v.More = boat.Counted(n, "talker sends", "talkers send") + " on NMEA 0183"
	} else if total == 0 {
		v.More = "No device found"
	}
	if known > 0 {
		v.More += fmt.Sprintf("; %s acknowledged", boat.Counted(known, "alert", "alerts"))
	}
	if quiet > 0 {
		v.More += fmt.Sprintf("; %s silenced", boat.Counted(quiet, "alert", "alerts"))
	}
	if accepted > 0 {
		v.More += fmt.Sprintf("; %s accepted", boat.Counted(accepted, "alert", "alerts"))
	}
	v.More += "."
	switch {
	case r.TakenAt.IsZero():
		return verdict{Mark: "quiet", Sentence: "No traffic received yet.", More: "Devices appear here when traffic is received."}
	case total == 0 && !traffic(r) && len(r.Groups()) == 0:
		v.Mark, v.Sentence = "quiet", "No traffic on any network yet."
		v.More = "Check that each network is powered and connected. Check its speed."
		return v
	}
	said := r.Conclusion()
	v.Sentence = said.Sentence
	switch said.State {
	case report.VerdictFault:
		v.Mark = "critical"
	case report.VerdictAttention:
		v.Mark = "warning"
	case report.VerdictUnknown:
		v.Mark = "quiet"
	default:
		switch v.Mark = "well"; {
		case total == 0 && len(r.Talkers) > 0:
			v.Mark, v.Sentence = "info", "Data received, but no talker reports its model."
		case total == 0:
			v.Mark, v.Sentence = "info", "Traffic received, but no device is identified."
		case infos > 0:
			v.Mark = "info"
		}
	}
	return v
}

// traffic reports whether any network carried traffic.
func traffic(r *report.Report) bool {
	return slices.ContainsFunc(r.Networks, func(n report.Network) bool { return n.Frames > 0 })
}

// BoatReport is a whole report as the page of a boat shows it.
type BoatReport struct {
	Verdict verdict
	Alerts  AlertLists
	Units   UnitTable
}

// NewBoatReport arranges a report for its page, with the units that a choice leaves.
func NewBoatReport(r *report.Report, chosen UnitChoice) BoatReport {
	p := BoatReport{Verdict: verdictOf(r)}
	alerts := Alerts(r)
	for _, a := range alerts {
		p.Alerts.Add(a)
	}
	p.Units = newUnitTable(r, alerts, chosen)
	return p
}

// Node is the report as it is shown: between the alerts and the units comes more.
func (p *BoatReport) Node(v *Showing, alerts, more g.Node) g.Node {
	r := v.Report
	return g.Group{
		p.Verdict.node(v),
		AlertSection(v, &p.Alerts, "Alerts", alerts),
		more,
		p.Units.node(v),
		g.If(len(r.Talkers) > 0, Section("talkers", "NMEA 0183 talkers", Plain(g.Map(r.Talkers, func(t report.Talker) g.Node { return talkerLine(v, &t) })))),
		g.If(len(r.Manual) > 0, Section("byhand", "Entered by hand", Plain(g.Map(r.Manual, func(m boat.Manual) g.Node {
			return h.Li(h.B(Printable(m.Model)), Small(ManualWords(&m)))
		})))),
		Section("networks", "Networks", Plain(OrElse(g.Map(r.Networks, func(n report.Network) g.Node { return networkLine(&n) }), h.Li(g.Text("None."))))),
		ClearedAlerts(v, &p.Alerts),
	}
}

func (j *verdict) node(v *Showing) g.Node {
	r := v.Report
	more := g.Group{g.Text(j.More)}
	if !r.TakenAt.IsZero() {
		more = append(more, g.Text(" As of "), v.Clock(r.TakenAt), g.Textf(" (%s clock), over %s.", r.Clock, render.Span(r.Window)))
	}
	return h.Section(h.Class("verdict "+j.Mark), h.Aria("label", "Verdict"), Mark(j.Mark), h.Div(
		h.H1(Printable(cmp.Or(r.Boat.Name, r.Boat.ID, "Unnamed boat"))),
		h.P(h.Class("sentence"), g.If(!v.Printed, h.Role("status")), g.Text(j.Sentence)),
		Meta(more),
		judged(r.Judged)))
}

// judged is what the verdict rests on in one line, and what was not judged folded away.
func judged(j *report.Judged) g.Node {
	if j == nil {
		return nil
	}
	return More("judged", false, g.Text(render.JudgedLine(j)), h.Ul(h.Class("plain"),
		g.Map(render.UnjudgedLines(j), func(line string) g.Node { return h.Li(g.Text(line)) })))
}

func talkerLine(v *Showing, t *report.Talker) g.Node {
	name := h.B(Printable(t.Talker))
	if !v.Printed {
		name = DeviceLink(t.ID(), name)
	}
	words := After(" on ", t.Network)
	if id := t.Identity; id != nil {
		words += After(", ", id.Model) + After(" ", id.Software)
	}
	sentences := make([]string, len(t.Sentences))
	for i, s := range t.Sentences {
		sentences[i] = boat.Printable(s.Formatter) + " × " + render.Grouped(s.Count)
	}
	return h.Li(name, g.Text(words), Small(After("identity not reported: ", t.Unanswered)), g.Text(": "+strings.Join(sentences, ", ")))
}

// ManualWords describe a device that was entered by hand.
func ManualWords(m *boat.Manual) string {
	return string(m.Role) + After(" · ", m.Manufacturer) + After(" · serial ", m.Serial) + After(" · software ", m.Software) + After(" · ", m.Place)
}

func networkLine(n *report.Network) g.Node {
	words := " " + Frames(n)
	if n.Load != nil {
		words += fmt.Sprintf(", load %s mean, %s peak", render.Percent(n.Load.Mean), render.Percent(n.Load.Peak))
	}
	if list := render.FaultWords(n.Faults); len(list) > 0 {
		words += "; " + strings.Join(list, ", ")
	}
	return h.Li(h.B(Printable(n.ID)), Small(NetworkKind(n)), g.Text(words))
}

// NetworkKind is the kind and speed of a network, and how muster listens to it.
func NetworkKind(n *report.Network) string {
	words := strings.Join(render.NetworkWords(n), ", ")
	if n.ListenOnly {
		words += ", listen-only"
	}
	if n.State != "" {
		words += ", " + n.State
	}
	return words
}

// Frames is how many frames or lines were received on a network.
func Frames(n *report.Network) string {
	if n.Kind == event.NMEA0183 {
		return render.Grouped(n.Frames) + " lines"
	}
	return render.Grouped(n.Frames) + " frames"
}

// ReportNode is the report as the boat's own page shows it, without links and forms, for a page of another server.
func ReportNode(r *report.Report) g.Node {
	p := NewBoatReport(r, UnitChoice{})
	return p.Node(&Showing{Report: r, Printed: true}, nil, nil)
}
