package web

import (
	"slices"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/boat"
)

// content is what a page shows between the menu and the foot.
type content interface{ show(v *view) g.Node }

// view is what every page is told.
type view struct {
	Report  *boat.Report
	Version string
	Page    string // which page of the menu it is
	Title   string
	Act     bool // the reader may act
	Leave   bool // the reader came in by logging in
	Printed bool // the page stands alone: no menu, no forms
	Said    string
	Refused *refused // a form of the page that was just sent; nil when none was refused
	Mark    string   // of the report, as the stream of events gives it
	Content content
}

// document is a whole page of the daemon.
func (v *view) document() g.Node {
	title := "muster"
	if name := v.Report.Boat.Name; name != "" {
		title = boat.Printable(name) + " · " + title
	}
	if v.Title != "" {
		title = v.Title + " · " + title
	}
	return h.Doctype(h.HTML(h.Lang("en"),
		Head(title),
		h.Body(
			Skip,
			v.head(),
			Main(
				g.If(v.live(), h.Data("live", v.Mark)),
				g.If(v.Said != "", h.P(h.Class("notice said"), Mark("well"), space, g.Text(v.Said))),
				g.Iff(v.Refused != nil, func() g.Node { return Problem("That did not work: "+v.Refused.Why, h.Role("alert")) }),
				v.Content.show(v)),
			v.foot())))
}

// Head is the head of a page of a boat or of the fleet; more are style sheets besides the usual one.
func Head(title string, more ...g.Node) g.Node {
	return h.Head(charset, viewport, schemes, h.TitleEl(g.Text(title)), looks, g.Group(more), script)
}

// Main is what stands between the menu and the foot. A page that follows what it shows has the attribute data-live.
func Main(content ...g.Node) g.Node {
	return h.Main(h.ID("content"), h.TabIndex("-1"), connection, g.Group(content))
}

// Skip is the first link of a page: over the menu to the content.
var Skip = fixed(h.A(h.Class("skip"), h.Href("#content"), g.Text("Skip to the content")))

// What stands on every page.
var (
	charset  = fixed(h.Meta(h.Charset("utf-8")))
	viewport = fixed(h.Meta(h.Name("viewport"), h.Content("width=device-width, initial-scale=1")))
	schemes  = fixed(h.Meta(h.Name("color-scheme"), h.Content("light dark")))
	looks    = fixed(g.Group{
		h.Link(h.Rel("icon"), h.Href("/static/muster.svg"), h.Type("image/svg+xml")),
		h.Link(h.Rel("stylesheet"), h.Href("/static/muster.css")),
	})
	script     = fixed(h.Script(h.Src("/static/muster.js"), h.Defer()))
	connection = fixed(h.P(h.ID("link"), h.Class("notice"), h.Role("status"))) // the script tells there when the boat is lost
	footLinks  = fixed(g.Group{
		g.Text(" · "), h.A(h.Href("/silences"), g.Text("silences")),
		g.Text(" · "), h.A(h.Href("/api/v1/report"), g.Text("report")),
		g.Text(" · "), h.A(h.Href("/api/v1/openapi.json"), g.Text("API")),
		g.Text(" · "), h.A(h.Href("/metrics"), g.Text("metrics")),
	})
)

// live reports whether the page follows the boat. What is being typed into the editor, what was typed into a form that was refused, and
// the list of traffic, keep still.
func (v *view) live() bool {
	return v.Refused == nil && !slices.Contains([]string{"login", "failed", "traffic", "editor"}, v.Page)
}

func (v *view) head() g.Node {
	return h.Header(h.Class("top"),
		h.P(h.Class("boat"), h.A(h.Href("/"), g.Text(Either(v.Report.Boat.Name, "muster")))),
		g.If(v.Page != "login", h.Nav(h.Aria("label", "Pages"), h.Ul(
			v.menu("/", "Boat", "boat", "device", "silences"),
			v.menu("/network", "Network", "network", "editor"),
			v.menu("/work", "Work", "work"),
			v.menu("/proof", "Proof", "proof"),
			v.menu("/traffic", "Traffic", "traffic")))))
}

func (v *view) menu(address, words, page string, below ...string) g.Node {
	return MenuEntry(v.Page, address, words, page, below...)
}

// MenuEntry is an entry of the menu on the page now: it may lead to that very page, or to one that this belongs to.
func MenuEntry(now, address, words, page string, below ...string) g.Node {
	return h.Li(h.A(h.Href(address),
		g.If(now == page, h.Aria("current", "page")),
		g.If(slices.Contains(below, now), h.Aria("current", "true")),
		g.Text(words)))
}

func (v *view) foot() g.Node {
	return h.Footer(h.Class("foot"),
		h.P(g.Text("muster "+v.Version), footLinks),
		g.If(v.Leave && v.Page != "login", Post("/logout", Button("Log out"))))
}

// alone is the page as a file that needs nothing else.
func (v *view) alone(style string) g.Node {
	title := "device report"
	if name := v.Report.Boat.Name; name != "" {
		title = boat.Printable(name) + ": " + title
	}
	return h.Doctype(h.HTML(h.Lang("en"),
		h.Head(
			charset,
			h.Meta(g.Attr("http-equiv", "Content-Security-Policy"), h.Content("default-src 'none'; style-src 'unsafe-inline'")),
			viewport,
			h.TitleEl(g.Text(title)),
			h.StyleEl(g.Raw(style))),
		h.Body(
			h.Main(v.Content.show(v)),
			h.Footer(h.Class("foot"), h.P(g.Text("muster "+v.Version))))))
}
