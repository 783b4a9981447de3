package pages

import (
	"context"
	"errors"
	"fmt"
	"mime"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/boat"
	"muster/internal/fleet"
	"muster/internal/fleet/hub"
	"muster/internal/input"
	"muster/internal/render"
	"muster/internal/report"
	"muster/internal/snapshot"
	"muster/internal/ui"
)

// boatPage is what is known of one boat.
type boatPage struct {
	*row
	at            uint64 // number of the report that is shown; 0 for the latest
	report        *report.Report
	history       []hub.Past
	documents     []hub.Past
	before, after uint64 // numbers of the reports that are compared, or chosen for it
	comparison    *snapshot.Comparison
	problem       string
	refusals      []hub.Refusal
}

func (s *Server) boatPage(r *http.Request) (string, g.Node, error) {
	id := r.PathValue("id")
	b := s.boat(id)
	if b == nil {
		return "", nil, fmt.Errorf("boat %q: %w: find its id on the page Boats", id, hub.ErrNotFound)
	}
	q := r.URL.Query()
	number := func(key string) uint64 { n, _ := strconv.ParseUint(q.Get(key), 10, 64); return n }
	p := boatPage{row: b, at: number("at"), before: number("before"), after: number("after")}
	ctx := r.Context()
	if !b.LastHeard.IsZero() {
		report, err := s.opt.Fleet.Report(ctx, id, p.at)
		if p.report = report; !errors.Is(err, hub.ErrNotFound) || p.at != 0 {
			p.note(err)
		}
		past, err := s.opt.Fleet.History(ctx, id, 400)
		p.note(err)
		p.sort(past)
	}
	if p.before != 0 && p.after != 0 {
		c, err := s.compare(ctx, id, p.before, p.after)
		p.comparison = c
		p.note(err)
	} else if n := len(p.history); n > 1 {
		p.before, p.after = p.history[n-1].Stream, p.history[0].Stream
	}
	if b.Refused > 0 {
		refused, err := s.opt.Fleet.Refusals(ctx, 1000)
		p.note(err)
		for _, x := range refused {
			if x.Boat == id && len(p.refusals) < 20 {
				p.refusals = append(p.refusals, x)
			}
		}
	}
	return ui.Either(b.Name, b.ID), s.showBoat(&p), nil
}

// note keeps the first error.
func (p *boatPage) note(err error) {
	if err != nil && p.problem == "" {
		p.problem = boat.Printable(err.Error())
	}
}

// sort separates reports and documents. Of the reports it keeps the latest, and those that are chosen.
func (p *boatPage) sort(past []hub.Past) {
	for _, x := range past {
		switch fleet.Kind(x.Kind) {
		case fleet.KindReport:
			if len(p.history) < 24 || x.Stream == p.before || x.Stream == p.after {
				p.history = append(p.history, x)
			}
		case fleet.KindSnapshot, fleet.KindRecord:
			p.documents = append(p.documents, x)
		}
	}
}

func (s *Server) compare(ctx context.Context, id string, before, after uint64) (*snapshot.Comparison, error) {
	a, err := s.opt.Fleet.Report(ctx, id, before)
	if err != nil {
		return nil, err
	}
	b, err := s.opt.Fleet.Report(ctx, id, after)
	if err != nil {
		return nil, err
	}
	var o snapshot.Options
	if sheets := s.opt.Sheets(); sheets != nil {
		o.Order = sheets.Order
	}
	return snapshot.Compare(snapshot.New(a), snapshot.New(b), o)
}

func (s *Server) showBoat(p *boatPage) g.Node {
	documents := g.Map(p.documents, func(x hub.Past) g.Node {
		return h.Li(h.A(h.Href(fmt.Sprintf("%s/documents/%d", p.address(), x.Stream)), g.Text(x.Kind+" of "+when(x.Received))), ui.Small(kilobytes(x.Bytes)))
	})
	refusals := g.Map(p.refusals, func(x hub.Refusal) g.Node { return refusal(x) })
	return g.Group{
		h.P(h.Class("crumb"), h.A(h.Href("/#boat-"+url.PathEscape(p.ID)), g.Text("Boats"))),
		h.H1(named(p.Name, p.ID)),
		ui.Meta(p.verdict(), g.Text(s.standing(p.row))),
		ui.Problem(p.problem),
		h.Div(h.Class("columns"),
			ui.Section("link-aboard", "Connection", h.Ul(h.Class("sheet"), s.link(p.row)), s.revoking(p.row)),
			ui.Section("documents", "Snapshots and records", ui.Plain(ui.OrElse(documents, h.Li(h.Class("empty"), g.Text("None sent.")))))),
		unitList(p.row),
		g.If(len(refusals) > 0, ui.Section("refused", "Rejected messages", ui.Plain(refusals...))),
		g.If(len(p.history) > 0, ui.Section("history", "Reports", p.historyForm())),
		g.Iff(p.comparison != nil, func() g.Node { return compared(p.comparison) }),
		p.shownReport(),
	}
}

// address is where the boat's page is.
func (p *boatPage) address() string { return "/boats/" + url.PathEscape(p.ID) }

// standing is the state of a boat, after its verdict.
func (s *Server) standing(b *row) string {
	text := " · last heard " + s.since(b.LastHeard)
	if !b.LastHeard.IsZero() {
		text += " (" + when(b.LastHeard) + ")"
	}
	if b.Behind > 0 {
		text += fmt.Sprintf(" · %d behind the current release", b.Behind)
	}
	if b.revoked() {
		text += " · revoked " + when(b.Revoked)
		if b.Why != "" {
			text += ": " + b.Why
		}
	}
	return text
}

// link is the lines about the connection of the boat.
func (s *Server) link(b *row) g.Node {
	lines := g.Group{ui.Row("id", h.Code(g.Text(b.ID)))}
	if !b.Enrolled.IsZero() {
		lines = append(lines, ui.Row("enrolled", g.Text(when(b.Enrolled))))
	}
	lines = append(lines, ui.TextRow("marina", b.Marina), ui.TextRow("muster version", b.Version), b.ownPages())
	if !b.MadeAt.IsZero() {
		lines = append(lines, ui.Row("report made", g.Text(when(b.MadeAt)), ui.Small(fmt.Sprintf("by its %s clock", b.Clock))))
	}
	for _, x := range b.Boards {
		lines = append(lines, ui.Row("boat computer", h.Code(ui.Printable(x.ID)), ui.Small(fmt.Sprintf("message %d, last %s", x.Seq, s.since(x.Last)))))
	}
	if b.Turns > 0 {
		lines = append(lines, ui.Row("two boat computers", ui.Flag(fmt.Sprintf("changed %d times", b.Turns)), g.Text(": two boat computers report as this boat")))
	}
	if b.Refused > 0 {
		lines = append(lines, h.Li(h.Span(g.Text("rejected")), g.Text(" "), ui.Flag(fmt.Sprintf("%d of its messages", b.Refused))))
	}
	return lines
}

// ownPages links to the pages of the boat computer, where it gives an address. It opens what a boat named, so it says which.
func (r *row) ownPages() g.Node {
	u, err := url.Parse(r.Metrics)
	if err != nil || r.revoked() || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return nil
	}
	at := url.URL{Scheme: u.Scheme, Host: u.Host, Path: strings.TrimSuffix(u.Path, "metrics")}
	return ui.Row("the boat's own pages", h.A(h.Href(at.String()), h.Rel("external noreferrer"), ui.Printable(at.String())))
}

// historyForm lists the boat's reports; two of them can be chosen to be compared.
func (p *boatPage) historyForm() g.Node {
	return h.Form(h.Method("get"), h.Action(p.address()),
		h.Table(h.Class("snapshots history"), h.THead(render.Columns("Received", "Size", "Before", "After")), h.TBody(g.Map(p.history, p.historyRow))),
		h.P(ui.Button("Compare reports")))
}

func (p *boatPage) historyRow(x hub.Past) g.Node {
	number, received := strconv.FormatUint(x.Stream, 10), when(x.Received)
	choice := func(which string, chosen uint64) g.Node {
		return h.Td(h.Label(
			h.Input(h.Type("radio"), h.Name(which), h.Value(number), h.Required(), g.If(x.Stream == chosen, h.Checked())),
			h.Span(h.Class("hidden"), g.Text(received+" is "+which))))
	}
	return h.Tr(h.ID("past-"+number),
		h.Th(h.Scope("row"), h.A(h.Href(p.address()+"?at="+number), g.Text(received))), h.Td(g.Text(kilobytes(x.Bytes))),
		choice("before", p.before), choice("after", p.after))
}

// compared is what changed from one report to another.
func compared(c *snapshot.Comparison) g.Node {
	groups := g.Map(render.ByClass(c), func(x render.Changes) g.Node {
		return g.Group{h.H3(g.Text(x.Title)), ui.ChangeList(x)}
	})
	return h.Section(h.Aria("labelledby", "comparison"), h.ID("result"),
		h.H2(h.ID("comparison"), g.Text("Changes")),
		ui.Meta(g.Textf("From %s to %s; %s unchanged.", render.Stamp(c.Before.TakenAt), render.Stamp(c.After.TakenAt), boat.Counted(len(c.Unchanged), "device", "devices"))),
		ui.OrElse(groups, h.P(ui.Mark("well"), g.Text(" Nothing changed."))))
}

// shownReport is the report as the boat's own pages show it.
func (p *boatPage) shownReport() g.Node {
	if p.report == nil {
		return h.P(h.Class("empty"), g.Text("No report yet. Make a code for it on the page "), h.A(h.Href("/enrol"), g.Text("Enrol")),
			g.Text(", and run muster join on its boat computer. There, "), h.Code(g.Text("muster doctor")), g.Text(" shows what is wrong."))
	}
	return h.Div(h.Class("report"), h.ID("report"),
		g.If(p.at != 0, h.P(h.Class("notice"), ui.Mark("info"), g.Text(" An earlier report. "), h.A(h.Href(p.address()), g.Text("The latest")))),
		ui.ReportNode(p.report))
}

// document gives a snapshot or a service record to keep. It is never shown instead of a page: a boat wrote it.
func (s *Server) document(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("id")
	n, err := strconv.ParseUint(r.PathValue("number"), 10, 64)
	var e *fleet.Envelope
	var k fleet.Kind
	if err != nil {
		err = fmt.Errorf("message %q of boat %q: %w", r.PathValue("number"), id, hub.ErrNotFound)
	} else {
		e, k, err = s.opt.Fleet.Document(r.Context(), id, n)
	}
	if err != nil {
		s.failed(w, err)
		return
	}
	name, media, data := fmt.Sprintf("%s-%s-%d.json", id, k, n), "application/json", []byte(e.Body)
	if k == fleet.KindRecord {
		var d fleet.Document
		if err := input.OpenJSON(r.Context(), "", e.Body, &d); err != nil {
			s.failed(w, fmt.Errorf("message %d of boat %q is not a document: %w", n, id, err))
			return
		}
		data, media = d.Data, "application/octet-stream"
		switch d.Media {
		case "application/pdf":
			name, media = fmt.Sprintf("%s-record-%d.pdf", id, n), d.Media
		case "text/html":
			name, media = fmt.Sprintf("%s-record-%d.html", id, n), d.Media
		default:
			name = fmt.Sprintf("%s-record-%d.bin", id, n)
		}
	}
	w.Header().Set("Content-Type", media)
	w.Header().Set("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": name}))
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(data)
}
