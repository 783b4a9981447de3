package pages

import (
	"slices"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/boat"
	"muster/internal/locate"
	"muster/internal/ui"
)

// content is the part of a page between menu and foot.
type content interface{ show(v *view) g.Node }

// view is the data of every page.
type view struct {
	ui.Showing
	Version string
	Page    string // which page of the menu it is
	Path    string // of its address
	Title   string
	Act     bool                                // the reader may act
	Leave   bool                                // the reader has signed in
	Name    string                              // that the reader gave in a form before
	Said    string                              // what a form has done
	Refused *refused                            // a form of the page that was just sent; nil when none was refused
	Mark    string                              // of the report, as the stream of events gives it
	Located func(network string) *locate.Result // where the fault is, while an alert lasts
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
		ui.Head(title, manifest, g.If(v.Page == "work", jobScript), g.If(v.Page == "boat", trendsScript), g.If(v.Page == "editor", editorScript)),
		h.Body(
			ui.Skip,
			v.head(),
			ui.Main(
				g.If(v.live(), h.Data("live", v.Mark)),
				v.forScript(),
				g.If(v.Said != "", h.P(h.Class("notice said"), ui.Mark("well"), ui.Space, g.Text(v.Said))),
				g.Iff(v.Refused != nil, func() g.Node { return ui.Problem("That did not work: "+v.Refused.Why, h.Role("alert")) }),
				v.Content.show(v)),
			v.foot())))
}

var manifest = ui.Fixed(h.Link(h.Rel("manifest"), h.Href("/static/manifest.json"), g.Attr("crossorigin", "use-credentials")))

var trendsScript = ui.Fixed(h.Script(h.Src("/static/trends.js"), h.Defer()))

var editorScript = ui.Fixed(h.Script(h.Src("/static/editor.js"), h.Defer()))

var jobScript = ui.Fixed(h.Script(h.Src("/static/job.js"), h.Defer()))

var footLinks = ui.Fixed(g.Group{
	g.Text(" · "), h.A(h.Href("/silences"), g.Text("silences")),
	g.Text(" · "), h.A(h.Href("/api/v1/report"), g.Text("report")),
	g.Text(" · "), h.A(h.Href("/api/"), g.Text("API")),
	g.Text(" · "), h.A(h.Href("/metrics"), g.Text("metrics")),
})

// live reports whether the page updates itself. Half-typed forms and the list of traffic are not changed.
func (v *view) live() bool {
	return v.Refused == nil && !slices.Contains([]string{"login", "failed", "traffic", "editor", "help", "measures"}, v.Page)
}

func (v *view) head() g.Node {
	return h.Header(h.Class("top"),
		h.P(h.Class("boat"), h.A(h.Href("/"), g.Text(ui.Either(v.Report.Boat.Name, "muster")))),
		g.If(v.Page != "login", h.Nav(h.Aria("label", "Pages"), h.Ul(
			v.menu("/", "Boat", "boat", "device", "silences"),
			v.menu("/network", "Network", "network", "editor", "fault"),
			v.menu("/work", "Work", "work"),
			v.menu("/snapshots", "Snapshots", "snapshots"),
			v.menu("/traffic", "Traffic", "traffic")))))
}

func (v *view) menu(address, words, page string, below ...string) g.Node {
	return ui.MenuEntry(v.Page, address, words, page, below...)
}

func (v *view) foot() g.Node {
	return h.Footer(h.Class("foot"),
		h.P(g.Text("muster "+v.Version), g.Text(" · "), v.helpLink(), g.If(v.Page != "login", g.Group{g.Text(" · "), v.measuresLink()}), footLinks),
		g.If(v.Leave && v.Page != "login", ui.Post("/logout", ui.Button("Sign out"))))
}
