package pages

import (
	"fmt"
	"strings"
	"time"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/boat"
	"muster/internal/nmea0183"
	"muster/internal/render"
	"muster/internal/report"
	"muster/internal/ui"
)

// shownTalker is an NMEA 0183 talker with its line.
type shownTalker struct {
	*report.Talker
	Title   string
	State   boat.DeviceState
	Baud    uint32  // 0 when it is unknown
	Rate    float64 // sentences per second recently
	Damaged uint64  // sentences with a wrong checksum
	Lines   []shownSentence
	Heard   []ui.Fact // AIS messages received, by kind of station
}

type shownSentence struct {
	report.Sentence
	Carries   string
	NominalMS float64
	Stopped   bool
	Latest    string    // as received
	Values    []ui.Fact // of the latest, with units, where a page shows them
}

func showTalker(r *report.Report, t *report.Talker) shownTalker {
	s := shownTalker{Talker: t, Title: render.TalkerTitle(t), State: t.State(r.TakenAt)}
	for i := range r.Networks {
		if r.Networks[i].ID == t.Network {
			s.Baud = r.Networks[i].BitRate
		}
	}
	for _, x := range t.Sentences {
		line := shownSentence{Sentence: x, Stopped: !x.Sent(r.TakenAt)}
		var words []string
		for _, q := range nmea0183.Carries(x.Formatter) {
			words = append(words, strings.ReplaceAll(q.String(), "-", " "))
		}
		line.Carries = strings.Join(words, ", ")
		s.Damaged += x.ChecksumErrors
		if live := x.Live; live != nil {
			line.NominalMS, line.Latest = live.Nominal.Seconds()*1e3, live.Latest
			if !line.Stopped && live.Recent > 0 {
				s.Rate += float64(time.Second) / float64(live.Recent)
			}
		}
		s.Lines = append(s.Lines, line)
	}
	if t.AIS != nil {
		s.Heard = aisKinds(t.AIS.Messages)
	}
	return s
}

// sentenceValues reads a sentence for people; what is not available is left out.
func sentenceValues(raw string) []ui.Fact {
	var s nmea0183.Sentence
	if _, err := nmea0183.Parse([]byte(raw), &s); err != nil {
		return nil
	}
	readings, _ := nmea0183.Read(&s, nil) // a field that cannot be read leaves the others
	var list []ui.Fact
	for i := range readings {
		r := &readings[i]
		if !r.Available {
			continue
		}
		list = append(list, ui.Fact{Name: render.ReadingName(r), Text: render.ReadingText(r)})
	}
	return list
}

// Faulty reports whether something needs attention.
func (s *shownTalker) Faulty() bool {
	return s.State != boat.Present || s.Damaged > 0 || s.Heartbeat != nil &&
		(s.Heartbeat.Lost > 0 || s.Heartbeat.Normal != nil && !*s.Heartbeat.Normal)
}

// aisKinds counts AIS messages by the kind of station that sends them (ITU-R M.1371, table of messages).
func aisKinds(messages []boat.AISCount) []ui.Fact {
	names := []string{"class A vessels", "class B vessels", "base stations", "aids to navigation", "other"}
	counts := make([]uint64, len(names))
	for _, m := range messages {
		kind := 4
		switch m.Type {
		case 1, 2, 3, 5:
			kind = 0
		case 18, 19, 24:
			kind = 1
		case 4:
			kind = 2
		case 21:
			kind = 3
		}
		counts[kind] += m.Count
	}
	var list []ui.Fact
	for i, n := range counts {
		if n > 0 {
			list = append(list, ui.Fact{Name: names[i], Text: render.Grouped(n)})
		}
	}
	return list
}

// node is the identity and the sentences of the talker; closer, with its latest sentences.
func (s *shownTalker) node(r *report.Report, closer bool) g.Node {
	return g.Group{
		s.identity(r),
		g.Iff(s.Heartbeat != nil, func() g.Node { return heartbeat(r, s.Heartbeat) }),
		h.Ul(h.Class("sends"), g.Map(s.Lines, func(l shownSentence) g.Node { return l.node(closer) })),
		g.If(len(s.Texts) > 0, g.Group{h.P(h.Class("label"), g.Text("Its texts")), ui.Plain(g.Map(s.Texts, textItem))}),
		g.Iff(s.AIS != nil, func() g.Node { return s.ais() }),
	}
}

func (s *shownTalker) identity(r *report.Report) g.Node {
	id := s.Identity
	if id == nil {
		u := r.Unit(s.ID())
		why := "; many devices never send it"
		if s.Unanswered != "" {
			why = ": " + boat.Printable(s.Unanswered)
		}
		return g.Group{
			ui.Meta(g.Text("Model and software not reported (VER sentence)" + why + ".")),
			g.Iff(u != nil && u.Device.LastKnown != nil, func() g.Node { return h.Ul(h.Class("sheet"), lastKnownRow(u.Device.LastKnown)) }),
		}
	}
	return h.Ul(h.Class("sheet"),
		ui.TextRow("model", id.Model),
		g.If(id.Software != "" && len(s.Software) == 0, ui.Row("software", h.B(ui.Printable(id.Software)))),
		g.Map(s.Software, softwareRow),
		ui.TextRow("hardware", id.Hardware),
		ui.TextRow("serial", id.Serial),
		ui.TextRow("manufacturer", id.Vendor),
		ui.TextRow("unique id", id.UniqueID),
		ui.TextRow("device type", id.DeviceType))
}

// heartbeat is the latest status that the equipment reports.
func heartbeat(r *report.Report, b *boat.Heartbeat) g.Node {
	status := g.Text("Heartbeat without a status")
	switch {
	case b.Normal == nil:
	case *b.Normal:
		status = h.Span(h.Class("state present"), ui.Mark("well"), g.Text(" OK"))
	default:
		status = h.Span(h.Class("state critical"), ui.Mark("critical"), g.Text(" reports an internal fault"))
	}
	words := ": heartbeat " + render.Ago(r.TakenAt, b.At)
	if b.IntervalSec != 0 {
		words += fmt.Sprintf(", due every %v s", b.IntervalSec)
	}
	return h.P(h.Class("line"), status, g.Text(words),
		g.If(b.Lost > 0, g.Group{g.Text(", "), ui.Flag(fmt.Sprintf("%d missed", b.Lost))}), g.Text("."))
}

func (l *shownSentence) node(closer bool) g.Node {
	return h.Li(
		h.Span(h.Class("what"), h.B(ui.Printable(l.Formatter)), g.Text(" "+l.Carries+" "), h.Small(
			g.Text(render.Grouped(l.Count)+"×"),
			g.If(l.ChecksumErrors > 0, g.Group{g.Text(" · "), ui.Flag(render.Grouped(l.ChecksumErrors) + " with a wrong checksum")}),
			g.If(l.Stopped, g.Group{g.Text(" · "), h.Span(h.Class("flag"), ui.Mark("silent"), g.Text(" stopped"))}))), ui.Space,
		every(l.Interval), ui.Space,
		h.Span(h.Class("plot"), intervalPlot(l.Interval, l.NominalMS)),
		g.If(closer && l.Latest != "", g.Group{ui.Space, h.Span(h.Class("fields whole"), h.Code(ui.Printable(l.Latest)), ui.Space, values(l.Values))}))
}

// every is the mean interval of a message.
func every(in *boat.Interval) g.Node {
	if in == nil {
		return h.Span(h.Class("when"), h.Small(g.Text("received once")))
	}
	return h.Span(h.Class("when"), h.Small(g.Text("every")), g.Text(" "+millis(in.Mean)))
}

// values are the values of a message.
func values(list []ui.Fact) g.Node {
	return g.Map(list, func(f ui.Fact) g.Node { return g.Group{value(f.Name, f.Text), ui.Space} })
}

func value(name, text string) g.Node { return h.Span(g.Text(name+" "), h.B(g.Text(text))) }

func textItem(t boat.Text) g.Node {
	words := render.Stamp(t.At)
	if t.ID != "" {
		words = "no. " + boat.Printable(t.ID) + " · " + words
	}
	return h.Li(h.Q(ui.Printable(t.Text)), ui.Small(words))
}

// ais is the own vessel as its AIS unit reports it, and what it receives.
func (s *shownTalker) ais() g.Node {
	return g.Group{h.P(h.Class("label"), g.Text("AIS")), h.Ul(h.Class("sheet"),
		ownVessel(s.AIS.Own),
		ui.Row("received", g.Text(s.AIS.CountedTargets())),
		g.Map(s.Heard, func(f ui.Fact) g.Node { return ui.Row(f.Name, g.Text(f.Text+" messages")) }),
		g.If(s.AIS.Lost > 0, h.Li(h.Span(g.Text("incomplete")), ui.Space, ui.Flag(render.Grouped(s.AIS.Lost)+" messages"))))}
}

func ownVessel(own *boat.AISVessel) g.Node {
	if own == nil {
		return ui.Row("own vessel", g.Text("not reported on this line"))
	}
	mmsi := ui.Flag("not set")
	if own.MMSI != 0 {
		mmsi = h.B(g.Textf("%09d", own.MMSI))
	}
	static := func(text string) g.Node {
		switch {
		case text != "":
			return ui.Printable(text)
		case own.Static:
			return ui.Flag("not set")
		}
		return g.Text("not reported")
	}
	return g.Group{
		ui.Row("own MMSI", mmsi),
		ui.Row("own name", static(own.Name)),
		ui.Row("own call sign", static(own.CallSign)),
		g.If(own.ShipType != 0, ui.Row("own ship type", ui.Number(own.ShipType))),
	}
}
