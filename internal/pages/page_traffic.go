package pages

import (
	"cmp"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/nmea0183"
	"muster/internal/render"
	"muster/internal/report"
	"muster/internal/ui"
	"muster/pgn"
)

type trafficPage struct {
	Filter    api.Filter
	Formatter string // only sentences of that type
	Networks  []ui.Link
	Units     []sender
	Kinds     []ui.Link   // of messages and sentences
	Rows      []api.Heard // latest first
	Latest    []api.Heard // the last of each message, by unit
	Search    string      // in any text of a row
	Names     map[string]string
	Stream    string
	Kept      int // messages, and as many sentences

	zone    *time.Location
	Problem string
}

// sender is a unit that sends, with the ids of what else it sends as.
type sender struct {
	id, title string
	also      []string
}

// trafficRows is how many messages the page shows.
const trafficRows = 40

func (s *site) trafficData(req *http.Request, r *report.Report) (string, content, error) {
	q := req.URL.Query()
	p := trafficPage{Filter: api.Filter{Network: q.Get("network"), Device: q.Get("device")}, Names: map[string]string{}, Search: strings.ToLower(q.Get("q"))}
	p.chooseMessage(cmp.Or(q.Get("message"), q.Get("pgn")))
	for i := range r.Networks {
		id := boat.Printable(r.Networks[i].ID)
		p.Networks = append(p.Networks, ui.Link{ID: id, Text: id})
	}
	numbers := map[uint32]string{}
	for i := range r.Units {
		p.name(r, &r.Units[i])
	}
	for i := range r.Devices {
		for _, t := range r.Devices[i].Transmits {
			numbers[t.PGN] = t.Title
		}
	}
	formatters := map[string]bool{}
	for i := range r.Talkers {
		t := &r.Talkers[i]
		for _, s := range t.Sentences {
			formatters[s.Formatter] = true
		}
	}
	for n, title := range numbers {
		if title == "" {
			if def := pgn.Lookup(n); def != nil {
				title = def.Title
			}
		}
		p.Kinds = append(p.Kinds, ui.Link{ID: strconv.Itoa(int(n)), Text: strings.TrimSpace(strconv.Itoa(int(n)) + " " + title)})
	}
	slices.SortFunc(p.Kinds, func(a, b ui.Link) int { return cmp.Or(cmp.Compare(len(a.ID), len(b.ID)), cmp.Compare(a.ID, b.ID)) })
	for _, f := range slices.Sorted(maps.Keys(formatters)) {
		id := boat.Printable(f)
		p.Kinds = append(p.Kinds, ui.Link{ID: id, Text: strings.TrimSpace(id + " " + nmea0183.Title(f))})
	}
	p.readTraffic(s.opt.Traffic)
	return "Traffic", p, nil
}

var formatterText = regexp.MustCompile(`^[A-Z0-9]{1,15}$`)

// chooseMessage reads the number of a message or the type of a sentence.
func (p *trafficPage) chooseMessage(text string) {
	n, err := strconv.ParseUint(text, 10, 17)
	formatter := strings.ToUpper(text)
	switch {
	case text == "":
	case err == nil:
		p.Filter.PGN = uint32(n)
	case formatterText.MatchString(formatter) && strings.Trim(text, "0123456789") != "":
		p.Formatter = formatter
	default:
		p.Problem = fmt.Sprintf("%s is not a message: enter a PGN from 0 to 131071, or a sentence type such as RMC.", boat.Printable(strconv.Quote(text)))
	}
}

// name lists a unit once, and by its title all that it sends as.
func (p *trafficPage) name(r *report.Report, u *report.Unit) {
	title := render.TitleAt(&u.Device)
	if len(u.Presences) == 0 && len(u.Talkers) > 0 {
		title = render.TalkerTitle(r.TalkerByID(u.Talkers[0]))
	}
	if len(u.Presences)+len(u.Talkers) == 0 { // an entry by hand sends nothing
		return
	}
	ids := u.IDs()
	for _, id := range ids {
		p.Names[id] = title
	}
	p.Units = append(p.Units, sender{u.ID, title, slices.DeleteFunc(ids, func(id string) bool { return id == u.ID })})
}

// option is the choice of a sender. What else it sends as is there for the script, which names what comes.
func (s *sender) option(now string) g.Node {
	return h.Option(h.Value(boat.Printable(s.id)), g.If(s.id == now, h.Selected()), g.If(len(s.also) > 0, h.Data("also", strings.Join(s.also, " "))), g.Text(s.title))
}

// readTraffic reads the latest traffic that passes the filter, and notes the stream of further traffic.
func (p *trafficPage) readTraffic(t *api.Traffic) {
	var messages, newest []*api.Message
	var sentences, newestSentences []*api.TrafficSentence
	most := trafficRows
	if p.Search != "" {
		most = 0
	}
	if p.Formatter == "" {
		messages, _, _ = t.Since(0, p.Filter, most)
		newest, _ = t.Newest(0, p.Filter)
	}
	if p.Filter.PGN == 0 {
		filter := api.SentenceFilter{Network: p.Filter.Network, Device: p.Filter.Device, Formatter: p.Formatter}
		sentences, _, _ = t.Sentences(0, filter, most)
		newestSentences, _ = t.NewestSentences(0, filter)
	}
	p.Latest = slices.DeleteFunc(api.InOrder(newest, newestSentences), p.hides)
	slices.SortStableFunc(p.Latest, func(a, b api.Heard) int {
		x, y := p.told(a), p.told(b)
		return cmp.Or(cmp.Compare(x.unit, y.unit), cmp.Compare(x.title, y.title), cmp.Compare(x.key, y.key))
	})
	p.Rows = slices.DeleteFunc(api.InOrder(messages, sentences), p.hides)
	slices.Reverse(p.Rows)
	p.Rows = p.Rows[:min(len(p.Rows), trafficRows)]
	stream := url.Values{"latest": {"true"}, "sentences": {"true"}}
	for key, value := range map[string]string{"network": p.Filter.Network, "device": p.Filter.Device, "pgn": p.chosenPGN(), "formatter": p.Formatter} {
		if value != "" {
			stream.Set(key, value)
		}
	}
	p.Kept = t.Keeps()
	p.Stream = api.Prefix + "/messages/stream?" + stream.Encode()
}

// chosenPGN is the number of the messages that are shown, "" for all.
func (p *trafficPage) chosenPGN() string {
	if p.Filter.PGN == 0 {
		return ""
	}
	return strconv.Itoa(int(p.Filter.PGN))
}

func (p trafficPage) show(v *view) g.Node {
	p.zone = v.Zone
	return g.Group{
		h.H1(g.Text("Traffic")),
		ui.Problem(p.Problem),
		p.filterForm(),
		ui.Meta(h.Span(h.ID("rate")), ui.Space, h.A(h.ID("export"), h.Href("/traffic.log?"+p.query().Encode()), g.Text("Export as candump")),
			g.Text(" The export has what is kept and passes the filter. Kept: up to "+boat.Counted(p.Kept, "message", "messages")+", and as many sentences.")),
		p.latestSection(v),
		ui.Section("raw", "Raw traffic",
			ui.Meta(g.Text("Newest first, times in "+zoneName(v.Zone, v.Report.TakenAt)+". At a high load only the newest of each kind is shown. Fields without a value are left out; the API has all fields.")),
			h.Ol(h.Class("traffic"), h.ID("traffic"), h.Data("stream", p.Stream), h.Data("rows", strconv.Itoa(trafficRows)), h.Data("fields", strconv.Itoa(shownFields)),
				ui.OrElse(g.Map(p.Rows, p.row), h.Li(h.Class("empty"), g.Text("No traffic yet."))))),
	}
}

// zoneName is the short name of a time zone at a moment: WEST, or UTC+03.
func zoneName(zone *time.Location, at event.Time) string {
	words := strings.Fields(render.LocalClock(max(at, 1), zone))
	return words[len(words)-1]
}

// query is the filter as an address has it.
func (p *trafficPage) query() url.Values {
	q := url.Values{}
	for key, value := range map[string]string{"network": p.Filter.Network, "device": p.Filter.Device, "message": p.chosenPGN() + p.Formatter, "q": p.Search} {
		if value != "" {
			q.Set(key, value)
		}
	}
	return q
}

func (p *trafficPage) filterForm() g.Node {
	return h.Form(h.Class("panel filter"), h.ID("filter"), h.Method("get"), h.Action("/traffic"), h.Aria("label", "Filter"),
		ui.Field("Search", "q", h.Type("search"), h.Value(p.Search), ui.MaxLength(100)),
		g.If(len(p.Networks) > 1, ui.Choice("Network", "network", ui.AnyOption("all"), linkOptions(p.Networks, p.Filter.Network))),
		ui.Choice("Unit", "device", h.ID("devices"), ui.AnyOption("all"),
			g.Map(p.Units, func(s sender) g.Node { return s.option(p.Filter.Device) })),
		ui.Choice("Message", "message", ui.AnyOption("all"), linkOptions(p.Kinds, p.chosenPGN()+p.Formatter)), ui.Space,
		ui.Button("Show traffic"), ui.Space,
		ui.Button("Pause", h.Type("button"), h.ID("pause"), h.Aria("pressed", "false"), g.Attr("hidden")))
}

func linkOptions(list []ui.Link, now string) g.Node {
	return g.Map(list, func(l ui.Link) g.Node { return ui.Option(l.ID, l.Text, l.ID == now) })
}

// row is a line of the list; the script writes later lines in the same way.
func (p *trafficPage) row(r api.Heard) g.Node {
	if r.Sentence != nil {
		return p.sentence(r.Sentence)
	}
	m := r.Message
	number := fmt.Sprint(m.PGN)
	if m.Instance != nil {
		number += fmt.Sprintf(" · instance %d", *m.Instance)
	}
	return p.line(m.Time, m.Device, ui.Either(m.Title, "unknown message"), number, nil, m.Fields, m.Data, false)
}

func (p *trafficPage) sentence(m *api.TrafficSentence) g.Node {
	return p.line(m.Time, m.Device, ui.Either(m.Title, "unknown sentence"), m.Talker+m.Formatter, notes(m), m.Fields, m.Tags+m.Sentence, true)
}

// notes are what is unusual about a sentence.
func notes(m *api.TrafficSentence) (list []string) {
	for _, n := range []struct {
		odd  bool
		text string
	}{
		{m.Checksum == "bad", "wrong checksum"}, {m.Checksum == "missing", "no checksum"}, {m.TagChecksum == "bad", "wrong tag block checksum"},
		{m.Sent, "sent by muster"},
	} {
		if n.odd {
			list = append(list, n.text)
		}
	}
	return list
}

// line shows a message or a sentence, with its data when it has no value, or always.
func (p *trafficPage) line(
	at event.Time, device, title, number string, notes []string, fields []api.MessageField, data string, always bool,
) g.Node {
	shown, more := available(fields)
	return h.Li(
		h.Span(h.Class("at"), g.Text(at.UTC().In(cmp.Or(p.zone, time.UTC)).Format("15:04:05.000"))), ui.Space,
		h.Span(h.Class("from"), g.Text(cmp.Or(p.Names[device], boat.Printable(device)))), ui.Space,
		h.B(g.Text(title)), ui.Small(number), ui.Space,
		g.Map(notes, func(n string) g.Node { return g.Group{h.Span(h.Class("flag"), g.Text(n)), ui.Space} }),
		h.Span(h.Class("fields"), g.Map(shown, func(f api.MessageField) g.Node { return g.Group{value(f.Name, f.Text), ui.Space} }),
			g.If(more > 0, h.Span(g.Textf("and %d more", more))),
			g.If(always || len(shown) == 0, h.Code(g.Text(data)))))
}

// shownFields is how many fields of one message a page shows.
const shownFields = 10

// available are the fields that have a value, as many as a page shows, and how many more there are.
func available(fields []api.MessageField) (list []api.MessageField, more int) {
	for _, f := range fields {
		switch {
		case f.State != "":
		case len(list) < shownFields:
			list = append(list, f)
		default:
			more++
		}
	}
	return list, more
}
