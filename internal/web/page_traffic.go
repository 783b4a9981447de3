package web

import (
	"cmp"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/boat"
	"muster/pgn"
)

type trafficPage struct {
	Filter   Filter
	Devices  []link
	PGNs     []link
	Messages []*Message // latest first
	Names    map[string]string
	Stream   string
	Problem  string
}

// trafficRows is how many messages the page shows.
const trafficRows = 40

func (s *Server) trafficData(req *http.Request, r *boat.Report) (string, content, error) {
	q := req.URL.Query()
	p := trafficPage{Filter: Filter{Device: q.Get("device")}, Names: map[string]string{}}
	if text := q.Get("pgn"); text != "" {
		n, err := strconv.ParseUint(text, 10, 17)
		if err != nil {
			p.Problem = fmt.Sprintf("%s is no message number: give one from 0 to 131071.", boat.Printable(strconv.Quote(text)))
		}
		p.Filter.PGN = uint32(n)
	}
	numbers := map[uint32]string{}
	for i := range r.Devices {
		d := &r.Devices[i]
		text := titleAt(d)
		p.Devices = append(p.Devices, link{d.ID, text})
		p.Names[d.ID] = text
		for _, t := range d.Transmits {
			numbers[t.PGN] = t.Title
		}
	}
	for n, title := range numbers {
		if title == "" {
			if def := pgn.Lookup(n); def != nil {
				title = def.Title
			}
		}
		p.PGNs = append(p.PGNs, link{strconv.Itoa(int(n)), strings.TrimSpace(strconv.Itoa(int(n)) + " " + title)})
	}
	slices.SortFunc(p.PGNs, func(a, b link) int { return cmp.Or(cmp.Compare(len(a.ID), len(b.ID)), cmp.Compare(a.ID, b.ID)) })
	p.Messages, _, _ = s.opt.Traffic.Since(0, p.Filter, trafficRows)
	slices.Reverse(p.Messages)
	stream := url.Values{"latest": {"true"}}
	if p.Filter.Device != "" {
		stream.Set("device", p.Filter.Device)
	}
	if p.Filter.PGN != 0 {
		stream.Set("pgn", strconv.Itoa(int(p.Filter.PGN)))
	}
	p.Stream = prefix + "/messages/stream?" + stream.Encode()
	return "Traffic", p, nil
}

func (p trafficPage) show(v *view) g.Node {
	return g.Group{
		h.H1(g.Text("Traffic")),
		Problem(p.Problem),
		p.filterForm(),
		Meta(g.Text("The newest first; on a busy bus the newest of each kind at every turn. Fields without a value are left out; the API gives all. "),
			h.Span(h.ID("rate"))),
		g.If(len(v.Report.Talkers) > 0, Meta(g.Text("NMEA 0183 sentences stand on the pages of their talkers: "),
			Joined(v.Report.Talkers, ", ", func(t boat.Talker) g.Node {
				return deviceLink(t.ID(), g.Text(boat.Printable(t.Talker)+" on "+boat.Printable(t.Network)))
			}), g.Text("."))),
		h.Ol(h.Class("traffic"), h.ID("traffic"), h.Data("stream", p.Stream), h.Data("rows", strconv.Itoa(trafficRows)), h.Data("fields", strconv.Itoa(shownFields)),
			OrElse(g.Map(p.Messages, p.message), h.Li(h.Class("empty"), g.Text("Nothing yet.")))),
	}
}

func (p *trafficPage) filterForm() g.Node {
	number := strconv.Itoa(int(p.Filter.PGN))
	return h.Form(h.Class("panel filter"), h.Method("get"), h.Action("/traffic"), h.Aria("label", "Filter"),
		Choice("Device", "device", h.ID("devices"), AnyOption("all"), linkOptions(p.Devices, p.Filter.Device)),
		Choice("Message", "pgn", AnyOption("all"), linkOptions(p.PGNs, number)), space,
		Button("Show"), space,
		Button("Pause", h.Type("button"), h.ID("pause"), h.Aria("pressed", "false"), g.Attr("hidden")))
}

func linkOptions(list []link, now string) g.Node {
	return g.Map(list, func(l link) g.Node { return Option(l.ID, l.Text, l.ID == now) })
}

// message is a line of the list; the script writes those that come later alike.
func (p *trafficPage) message(m *Message) g.Node {
	number := fmt.Sprint(m.PGN)
	if m.Instance != nil {
		number += fmt.Sprintf(" · instance %d", *m.Instance)
	}
	fields := OrElse(g.Map(m.Told(), func(f MessageField) g.Node { return g.Group{value(f.Name, f.Text), space} }), h.Code(g.Text(m.Data)))
	return h.Li(
		h.Span(h.Class("at"), g.Text(m.Time.UTC().Format("15:04:05.000"))), space,
		h.Span(h.Class("from"), g.Text(cmp.Or(p.Names[m.Device], boat.Printable(m.Device)))), space,
		h.B(g.Text(Either(m.Title, "unlisted message"))), Small(number), space,
		h.Span(h.Class("fields"), fields, g.Iff(m.Untold() > 0, func() g.Node { return h.Span(g.Textf("and %d more", m.Untold())) })))
}
