package render

import (
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"

	"github.com/jedib0t/go-pretty/v6/table"
	"github.com/jedib0t/go-pretty/v6/text"

	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
	"muster/internal/report"
)

// TextStyle is what a report is printed on.
type TextStyle struct {
	Width  int  // columns; 0 for no limit
	Colour bool // colour is allowed; every state is a word all the same

	Explain bool // of a report: with evidence and remedy of each finding, and what was not judged
}

// The narrowest terminal that gets the device table; below it each device is a block of its own.
const tableWidth = 90

// textReport writes one report for a person to read.
type textReport struct {
	TextStyle
	w      io.Writer
	report *report.Report
	err    error
}

// ReportText prints a report for a person to read and returns the first write error. The text about the boat fits on
// a screen of 24 lines of 80 columns; the units follow.
func ReportText(w io.Writer, r *report.Report, style TextStyle) error {
	t := &textReport{TextStyle: style, w: w, report: r}
	t.header()
	t.findings()
	t.devices()
	t.networks()
	t.talkers()
	t.manual()
	if style.Explain {
		t.explain()
	} else {
		t.hint()
	}
	return t.err
}

func (t *textReport) line(indent int, s string) {
	if t.err != nil {
		return
	}
	pad := strings.Repeat(" ", indent)
	if t.Width > indent+20 {
		s = text.WrapSoft(s, t.Width-indent)
	}
	for l := range strings.SplitSeq(s, "\n") {
		if _, err := fmt.Fprintln(t.w, pad+strings.TrimRight(l, " ")); err != nil {
			t.err = err
			return
		}
	}
}

func (t *textReport) title(s string) {
	t.line(0, "")
	t.line(0, t.paint(s, text.Bold))
}

func (t *textReport) paint(s string, c ...text.Color) string {
	if !t.Colour || s == "" {
		return s
	}
	return text.Colors(c).Sprint(s)
}

func (t *textReport) header() {
	r := t.report
	name := boat.Printable(r.Boat.Name)
	switch {
	case name == "" && r.Boat.ID == "":
		name = "unnamed"
	case name == "":
		name = boat.Printable(r.Boat.ID)
	case r.Boat.ID != "":
		name += " (" + boat.Printable(r.Boat.ID) + ")"
	}
	name = t.paint("Boat "+name, text.Bold)
	switch heard := slices.ContainsFunc(r.Networks, func(n report.Network) bool { return n.Frames > 0 }); {
	case r.TakenAt.IsZero() && heard:
		t.line(0, name+": traffic without time stamps")
	case r.TakenAt.IsZero():
		t.line(0, name)
	default:
		t.line(0, fmt.Sprintf("%s, %s (%s clock), over %s", name, Stamp(r.TakenAt), r.Clock, Span(r.Window)))
	}
	v := r.Conclusion()
	t.line(0, t.paint(v.Sentence, verdictColour(v.State), text.Bold))
	if r.Judged != nil {
		t.line(0, JudgedLine(r.Judged))
	}
}

func (t *textReport) networks() {
	t.title("Networks")
	if len(t.report.Networks) == 0 {
		t.line(2, "none")
	}
	for i := range t.report.Networks {
		n := &t.report.Networks[i]
		words := append([]string{boat.Printable(n.ID)}, NetworkWords(n)...)
		unit := "frames"
		if n.Kind == event.NMEA0183 {
			unit = "lines"
		}
		words = append(words, Grouped(n.Frames)+" "+unit)
		if n.Load != nil {
			words = append(words, fmt.Sprintf("load %s mean, %s peak", Percent(n.Load.Mean), Percent(n.Load.Peak)))
		}
		if n.ListenOnly {
			words = append(words, "listen-only")
		}
		if n.State != "" && n.State != "active" {
			words = append(words, t.paint("controller "+n.State, text.FgRed))
		}
		t.line(2, strings.Join(words, " · "))
		if faults := FaultWords(n.Faults); len(faults) > 0 {
			t.line(4, t.paint(strings.Join(faults, ", "), text.FgYellow))
		}
	}
}

func severityColour(s check.Severity) text.Color {
	switch s {
	case check.Critical:
		return text.FgRed
	case check.Warning:
		return text.FgYellow
	}
	return text.FgCyan
}

func (t *textReport) devices() {
	counts := map[boat.DeviceState]int{}
	groups := Groups(t.report)
	for _, g := range groups {
		for _, d := range g.Devices {
			counts[d.State]++
		}
	}
	var words []string
	for _, s := range []boat.DeviceState{boat.Present, boat.Silent, boat.Gone, boat.NoAddress, boat.Provisional} {
		if counts[s] > 0 {
			words = append(words, fmt.Sprintf("%d %s", counts[s], KeyWords(string(s))))
		}
	}
	if len(words) == 0 {
		words = []string{"none"}
	}
	t.title("Units: " + strings.Join(words, ", "))
	if t.Width != 0 && t.Width < tableWidth {
		t.deviceBlocks(groups)
		return
	}
	t.deviceTable(groups)
}

func (t *textReport) paintState(s boat.DeviceState) string {
	colour := text.FgYellow
	switch s {
	case boat.Present:
		colour = text.FgGreen
	case boat.Gone, boat.NoAddress:
		colour = text.FgRed
	}
	return t.paint(KeyWords(string(s)), colour)
}

// address writes "35", with the network in front when there is more than one backbone; a talker's letters; "-" for a device without.
func (t *textReport) address(d *report.Device) string {
	if d.Talker != "" {
		return boat.Printable(d.Talker)
	}
	a := "-"
	if d.Address != nil {
		a = strconv.Itoa(int(*d.Address))
	}
	backbones := 0
	for i := range t.report.Networks {
		if t.report.Networks[i].Kind != event.NMEA0183 {
			backbones++
		}
	}
	if backbones > 1 {
		a = boat.Printable(d.Network) + " " + a
	}
	return a
}

// deviceTexts is model, software, serial and load equivalency, empty where unknown.
func deviceTexts(d *report.Device) (software, serial, load string) {
	if d.Product == nil {
		return "", "", ""
	}
	if d.Product.LoadEquivalency != nil {
		load = strconv.Itoa(int(*d.Product.LoadEquivalency))
	}
	return boat.Printable(d.Product.Software), boat.Printable(d.Product.Serial), load
}

func (t *textReport) deviceTable(groups []Group) {
	if len(groups) == 0 || t.err != nil {
		return
	}
	tw := table.NewWriter()
	style := table.StyleDefault
	style.Options = table.OptionsNoBordersAndSeparators
	style.Format.Header = text.FormatDefault
	style.Box.PaddingLeft, style.Box.PaddingRight = "", "  "
	tw.SetStyle(style)
	rows := [][]string{{"  role", "addr", "state", "manufacturer", "model", "software", "serial", "instance", "LEN", "load"}}
	for _, g := range groups {
		for i, d := range g.Devices {
			role := "  " + string(g.Role)
			if i > 0 {
				role = ""
			}
			software, serial, load := deviceTexts(d)
			title := DeviceTitle(d)
			if d.Own {
				title += " (this program)"
			}
			rows = append(rows, []string{role, t.address(d), string(d.State), DeviceManufacturer(d), title, software, serial,
				DeviceInstances(d), load, BusShare(d)})
		}
	}
	if !slices.ContainsFunc(rows[1:], func(row []string) bool { return row[len(row)-1] != "" }) {
		for i := range rows {
			rows[i] = rows[i][:len(rows[i])-1]
		}
	}
	var columns []table.ColumnConfig
	for i, w := range fitColumns(rows, t.Width) {
		columns = append(columns, table.ColumnConfig{Number: i + 1, WidthMax: w})
	}
	tw.SetColumnConfigs(columns)
	for i, row := range rows {
		cells := make(table.Row, len(row))
		for j, c := range row {
			switch {
			case i == 0:
				c = t.paint(c, text.Faint)
			case j == 2:
				c = t.paintState(boat.DeviceState(c))
			}
			cells[j] = c
		}
		if i == 0 {
			tw.AppendHeader(cells)
		} else {
			tw.AppendRow(cells)
		}
	}
	for l := range strings.SplitSeq(tw.Render(), "\n") {
		if _, err := fmt.Fprintln(t.w, strings.TrimRight(l, " ")); err != nil {
			t.err = err
			return
		}
	}
}

// fitColumns gives each column the width of its widest cell, then takes from the widest of the columns that may wrap
// (manufacturer, model, software, serial, instance) until a row fits into width. 0 is no limit.
func fitColumns(rows [][]string, width int) []int {
	const gap, least = 2, 8
	widths := make([]int, len(rows[0]))
	total := 0
	for i := range widths {
		for _, row := range rows {
			widths[i] = max(widths[i], text.StringWidth(row[i]))
		}
		total += widths[i] + gap
	}
	for width > 0 && total > width {
		widest := 3
		for i := 4; i <= 7; i++ {
			if widths[i] > widths[widest] {
				widest = i
			}
		}
		if widths[widest] <= least {
			break
		}
		widths[widest]--
		total--
	}
	return widths
}

func (t *textReport) deviceBlocks(groups []Group) {
	for _, g := range groups {
		t.line(2, t.paint(string(g.Role), text.Bold))
		for _, d := range g.Devices {
			t.line(4, fmt.Sprintf("%s, address %s, %s", DeviceTitle(d), t.address(d), t.paintState(d.State)))
			software, serial, load := deviceTexts(d)
			var words []string
			add := func(label, value string) {
				if value != "" {
					words = append(words, label+value)
				}
			}
			add("", DeviceManufacturer(d))
			add("software ", software)
			add("serial ", serial)
			add("instance ", DeviceInstances(d))
			add("LEN ", load)
			if len(words) > 0 {
				t.line(6, strings.Join(words, ", "))
			}
		}
	}
}

func (t *textReport) talkers() {
	if len(t.report.Talkers) == 0 {
		return
	}
	t.title("NMEA 0183 talkers")
	for i := range t.report.Talkers {
		k := &t.report.Talkers[i]
		head := boat.Printable(k.Network) + " " + boat.Printable(k.Talker)
		if id := k.Identity; id != nil {
			for _, s := range []string{id.Vendor, id.Model, id.Software, id.Serial} {
				if s != "" {
					head += " · " + boat.Printable(s)
				}
			}
		}
		if k.Unanswered != "" {
			head += " · identity not reported: " + boat.Printable(k.Unanswered)
		}
		t.line(2, head)
		var words []string
		for _, s := range k.Sentences {
			w := boat.Printable(s.Formatter) + " × " + Grouped(s.Count)
			if s.Interval != nil {
				w += fmt.Sprintf(" every %.0f ms", s.Interval.Mean)
			}
			if s.ChecksumErrors > 0 {
				w += " (" + boat.Counted(int(s.ChecksumErrors), "checksum error", "checksum errors") + ")"
			}
			words = append(words, w)
		}
		t.line(4, strings.Join(words, ", "))
		if k.AIS != nil {
			t.line(4, aisWords(k.AIS))
		}
	}
}

// aisWords is what an AIS unit is set to, and how much it receives.
func aisWords(a *boat.AIS) string {
	var words []string
	if v := a.Own; v != nil {
		own := fmt.Sprintf("own MMSI %09d", v.MMSI)
		if v.MMSI == 0 {
			own = "own MMSI not set"
		}
		words = append(words, own)
		for _, s := range []struct{ label, text string }{{"name", v.Name}, {"call sign", v.CallSign}} {
			if s.text != "" {
				words = append(words, s.label+" "+boat.Printable(s.text))
			} else if v.Static {
				words = append(words, s.label+" not set")
			}
		}
	}
	words = append(words, a.CountedTargets())
	for _, m := range a.Messages {
		words = append(words, fmt.Sprintf("type %d × %s", m.Type, Grouped(m.Count)))
	}
	if a.Lost > 0 {
		words = append(words, fmt.Sprintf("%s incomplete", Grouped(a.Lost)))
	}
	return "AIS: " + strings.Join(words, ", ")
}

func (t *textReport) manual() {
	if len(t.report.Manual) == 0 {
		return
	}
	t.title("Entered by hand")
	for _, m := range t.report.Manual {
		var words []string
		for _, s := range []string{string(m.Role), m.Manufacturer, m.Model, m.Software, m.Serial, m.Place, m.Note} {
			if s != "" {
				words = append(words, boat.Printable(s))
			}
		}
		t.line(2, strings.Join(words, " · "))
	}
}
