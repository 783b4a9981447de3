package pages

import (
	"bytes"
	"cmp"
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"time"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/event"
	"muster/internal/fleet/hub"
	"muster/internal/render"
	"muster/internal/ui"
)

// This file holds what all pages of the fleet share. How text and addresses are escaped: see markup.go of package ui.

// write answers with a page. Its name is that of its menu entry.
func (s *Server) write(w http.ResponseWriter, status int, name, title string, content g.Node) {
	var b bytes.Buffer
	_ = s.layout(name, title, content).Render(&b) // a buffer takes everything
	ui.WritePage(w, status, b.Bytes())
}

func (s *Server) layout(name, title string, content g.Node) g.Node {
	if title != "" {
		title += " · "
	}
	return h.Doctype(h.HTML(h.Lang("en"),
		ui.Head(title+"Fleet · muster", h.Link(h.Rel("stylesheet"), h.Href("/static/fleet.css"))),
		h.Body(h.Data("lost", "The hub does not answer. This page shows its last data."),
			ui.Skip,
			h.Header(h.Class("top"),
				h.P(h.Class("boat"), h.A(h.Href("/"), g.Text("Fleet"))),
				g.If(name != "login", menu(name))),
			ui.Main(g.If(name != "login" && name != "failed", g.Attr("data-live")), content),
			h.Footer(h.Class("foot"),
				h.P(g.Text("muster-hub "+s.opt.Version+" · "), h.A(h.Href("/api/v1/openapi.json"), g.Text("API")), g.Text(" · "), h.A(h.Href("/metrics"), g.Text("metrics"))),
				g.If(s.opt.Token != "" && name != "login", ui.Post("/logout", ui.Button("Sign out")))))))
}

func menu(name string) g.Node {
	entry := func(address, words, page string, below ...string) g.Node {
		return ui.MenuEntry(name, address, words, page, below...)
	}
	return h.Nav(h.Aria("label", "Pages"), h.Ul(
		entry("/", "Boats", "fleet", "boat"),
		entry("/alerts", "Alerts", "alerts"),
		entry("/search", "Search", "search"),
		entry("/campaigns", "Campaigns", "campaigns", "campaign"),
		entry("/week", "Week", "week"),
		entry("/refusals", "Rejected", "refusals"),
		entry("/enrol", "Enrol", "enrol")))
}

var marks = map[hub.Verdict]string{hub.Visit: "critical", hub.Watch: "warning", hub.OK: "well", hub.Silent: "gone", hub.Never: "waiting"}

var verdictWords = map[hub.Verdict]string{hub.Visit: "needs a visit", hub.Watch: "watch", hub.OK: "OK", hub.Silent: "not heard",
	hub.Never: "never heard"}

// verdict is the symbol and the words of a verdict.
func verdict(v hub.Verdict) g.Node { return ui.StateAs(marks[v], verdictWords[v]) }

// verdict is the verdict of the boat, or that it is revoked.
func (r *row) verdict() g.Node {
	if r.revoked() {
		return ui.StateAs("stopped", "revoked")
	}
	return verdict(r.Verdict)
}

// boatLink links to the page of a boat.
func boatLink(id string, words g.Node) g.Node {
	return h.A(h.Href("/boats/"+url.PathEscape(id)), words)
}

// named is how a boat is called.
func named(name, id string) g.Node { return g.Text(ui.Either(name, id)) }

// sentence is the summary of a page.
func sentence(words string) g.Node {
	return h.P(h.Class("sentence"), h.Role("status"), g.Text(words))
}

// when is a moment as people read it.
func when(t time.Time) string { return render.Stamp(event.At(t)) }

func kilobytes(n int) string { return fmt.Sprintf("%.1f kB", float64(n)/1000) }

// numbered is a sheet's line about a device's serial number; without one it is nothing.
func numbered(serial string) string { return ui.After("serial ", serial) }

// perPage is how many boats, or hits, one page shows.
const perPage = 100

// part is which part of a long list a page shows.
type part struct {
	first         int    // from 1
	earlier, more string // addresses of the pages beside; empty for none
}

// turn reads which part of a list is asked for.
func turn(r *http.Request, total int) part {
	q := r.URL.Query()
	n, err := strconv.Atoi(q.Get("page"))
	last := max(1, (total+perPage-1)/perPage)
	if err != nil || n < 1 {
		n = 1
	}
	n = min(n, last)
	at := func(n int) string {
		q.Set("page", strconv.Itoa(n))
		return r.URL.Path + "?" + q.Encode()
	}
	p := part{first: (n-1)*perPage + 1}
	if n > 1 {
		p.earlier = at(n - 1)
	}
	if n < last {
		p.more = at(n + 1)
	}
	return p
}

// links lead to the previous and the next part; there are none when the list fits on one page.
func (p part) links() g.Node {
	if cmp.Or(p.earlier, p.more) == "" {
		return nil
	}
	return h.Nav(h.Class("turn"), h.Aria("label", "Further entries"),
		g.If(p.earlier != "", h.A(h.Href(p.earlier), g.Text("← Previous"))),
		g.If(p.more != "", h.A(h.Href(p.more), g.Text("Next →"))))
}
