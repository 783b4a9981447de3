package pages

import (
	"encoding/json"
	"net/http"
	"net/url"
	"slices"
	"strings"
	"time"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/api"
	"muster/internal/render"
	"muster/internal/report"
	"muster/internal/ui"
)

// measuresCookie keeps the units of measure that were chosen, in each browser.
const measuresCookie = "muster-measures"

const measuresPath = "/measures"

// measuresOf are the units of measure that a reader chose before.
func measuresOf(r *http.Request) render.Measures {
	c, err := r.Cookie(measuresCookie)
	if err != nil {
		return render.Measures{}
	}
	keys := strings.Split(c.Value, "_")
	return render.ChooseMeasures(func(_, option string) bool { return slices.Contains(keys, option) })
}

// addMeasures registers the page on which the units of measure are chosen. Its choice is the reader's alone.
func (s *site) addMeasures(mux *http.ServeMux) {
	s.page(mux, "GET "+measuresPath, "measures", func(r *http.Request, _ *report.Report) (string, content, error) {
		return "Units of measure", measuresPage{measuresOf(r), api.OwnPath(r.URL.Query().Get("from")), s.door.Secure(r) || api.LocalHost(r.Host)}, nil
	})
	mux.HandleFunc("POST "+measuresPath, func(w http.ResponseWriter, r *http.Request) {
		if err := r.ParseForm(); err != nil {
			s.failed(w, r, err)
			return
		}
		m := render.ChooseMeasures(func(measure, option string) bool { return r.PostForm.Get(measure) == option })
		http.SetCookie(w, &http.Cookie{Name: measuresCookie, Value: strings.ReplaceAll(m.String(), ",", "_"), Path: "/", HttpOnly: true,
			Secure: s.door.Secure(r), SameSite: http.SameSiteStrictMode, MaxAge: int((365 * 24 * time.Hour).Seconds())})
		http.Redirect(w, r, api.OwnPath(r.PostForm.Get("from")), http.StatusSeeOther)
	})
}

type measuresPage struct {
	now    render.Measures
	from   string
	trusts bool // a browser may trust the address
}

// home says what the home screen of a phone gets at this address.
func (p measuresPage) home() g.Node {
	const bookmark = "On a home screen this is a bookmark only: the browser does not trust this address. Pages are not kept in the phone. "
	if !p.trusts {
		return h.P(g.Text(bookmark + "To install them, set tls in the config, with a certificate that the phone trusts."))
	}
	return h.P(h.ID("home-state"), h.Data("refused", bookmark+"Replace the certificate by one that the phone trusts."),
		g.Text("Use the menu of the browser to add this boat to the home screen. It then opens at once from the memory of the phone, and shows its age."))
}

func (p measuresPage) show(v *view) g.Node {
	return g.Group{
		h.H1(g.Text("Units of measure")),
		ui.Meta(g.Text("This browser shows values in these units. Words and readings that people typed stay as they are. Work, silences, the search for a fault, the layout and help show all values as recorded. So do files, the API and printed documents.")),
		ui.Post(measuresPath, h.Class("panel filter"),
			ui.Hidden("from", p.from),
			g.Map(render.MeasureTable, func(of render.Measure) g.Node {
				return ui.Choice(of.Name, of.Key, g.Map(of.Options, func(o render.MeasureOption) g.Node {
					return h.Option(h.Value(o.Key), g.If(p.now.Chosen(&of, &o), h.Selected()), g.Text(o.Words))
				}))
			}), ui.Space,
			ui.Button("Use these units")),
		ui.Section("home", "Home screen", p.home()),
	}
}

// measuresLink leads to that page, and from there back to this one.
func (v *view) measuresLink() g.Node {
	return h.A(h.Href(measuresPath+"?from="+url.QueryEscape(v.Path)), g.Text("units of measure"))
}

// forScript are the units of measure and the time zone for the values that scripts write.
func (v *view) forScript() g.Node {
	list, err := json.Marshal(v.Measures.Conversions())
	return g.Group{
		g.If(err == nil && v.Measures.Conversions() != nil, h.Data("measures", string(list))),
		g.Iff(v.Zone != nil && v.Zone != time.UTC, func() g.Node { return h.Data("zone", v.Zone.String()) }),
	}
}
