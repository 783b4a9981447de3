package pages

import (
	"cmp"
	"context"
	"net/http"
	"slices"
	"time"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/alert"
	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/render"
	"muster/internal/report"
	"muster/internal/ui"
)

// silencesPage is the silences in force, and the alerts that are not sent now.
type silencesPage struct {
	Silences []silenceRow
	Held     []ui.Alert // not sent now
	Open     []ui.Alert // could be silenced
	Devices  []ui.Link  // by title
	Alert    string     // id of the alert that the form starts with
	Device   string     // id of the device that the form starts with
}

type silenceRow struct {
	alert.Silence
	What string
	Left string // until its end
}

type span struct{ For, Words string }

// spans are the lengths that the page offers; the API takes any up to maxSilence.
var spans = []span{{"30m", "30 minutes"}, {"2h", "2 hours"}, {"8h", "8 hours"}, {"24h", "24 hours"}, {"168h", "a week"}, {"720h", "30 days"}, {"2160h", "90 days"}}

func (s *site) silencesData(r *http.Request, report *report.Report) (string, content, error) {
	p := &silencesPage{Alert: r.URL.Query().Get("alert"), Device: r.URL.Query().Get("device")}
	for _, silence := range s.opt.Desk.Silences() {
		p.Silences = append(p.Silences, silenceRow{silence, silenced(report, &silence), left(silence.Until.Sub(report.TakenAt))})
	}
	for _, a := range ui.Alerts(report) {
		switch {
		case a.State == alert.StatusCleared:
		case a.SilencedUntil != 0 || a.Accepted != "":
			p.Held = append(p.Held, a)
		default:
			p.Open = append(p.Open, a)
		}
	}
	for i := range report.Units {
		if d := &report.Units[i].Device; !d.Own && d.Talker == "" && report.Units[i].Known() {
			p.Devices = append(p.Devices, ui.Link{ID: d.ID, Text: render.TitleAt(d)})
		}
	}
	slices.SortStableFunc(p.Devices, func(a, b ui.Link) int { return cmp.Compare(a.Text, b.Text) })
	return "Silences", p, nil
}

func (p *silencesPage) show(v *view) g.Node {
	return g.Group{
		h.P(h.Class("crumb"), h.A(h.Href("/#alerts"), g.Text("Alerts"))),
		h.H1(g.Text("Silences")),
		ui.Meta(g.Text("Silenced alerts stay on screen but are not sent. If still active when the silence ends, they are sent then.")),
		ui.Section("set", "Active silences", h.Ul(h.Class("manual"), ui.OrElse(g.Map(p.Silences, func(s silenceRow) g.Node { return s.node(v) }),
			h.Li(h.Class("empty"), g.Text("None. All alerts are sent."))))),
		g.If(v.Act, ui.Section("new", "New silence", ui.Meta(g.Text("Silence one alert, or all alerts of a check, of a device, or of a check on a device.")), p.form())),
		g.If(len(p.Held) > 0, ui.Section("held", "Not sent now", ui.Plain(g.Map(p.Held, heldItem)))),
	}
}

// node is a silence in force, and the way to end it.
func (s *silenceRow) node(v *view) g.Node {
	words := s.Left + " left, until " + render.Stamp(s.Until) + ui.After(" · ", s.Why) + ui.After(" · by ", s.By)
	if s.Work {
		words += " · ends with the work order"
	}
	return h.Li(h.Span(h.B(g.Text(s.What)), h.Br(), h.Small(g.Text(words))), ui.Space,
		g.If(v.Act && !s.Work, ui.Post("/silences/end", ui.Hidden("alert", s.Alert), ui.Hidden("check", s.Check), ui.Hidden("device", s.Device),
			h.Button(g.Text("End silence"), ui.Unseen(": "+s.What)))))
}

var checkOptions = ui.Fixed(g.Group{ui.AnyOption("any"), ui.TextOptions(check.IDs(), "")})

func (p *silencesPage) form() g.Node {
	return ui.Post("/silences", h.Class("panel grid"),
		ui.Choice("Alert", "alert", ui.AnyOption("none"), g.Map(p.Open, func(a ui.Alert) g.Node {
			return ui.Option(a.ID, string(a.Severity)+": "+boat.Printable(a.Summary), a.ID == p.Alert)
		})),
		ui.Choice("Check", "check", checkOptions),
		ui.Choice("Device", "device", ui.AnyOption("any"), linkOptions(p.Devices, p.Device)),
		ui.Choice("Duration", "for", g.Map(spans, func(s span) g.Node { return ui.Option(s.For, s.Words, s.For == "8h") })),
		ui.Field("Reason", "why", h.Required(), ui.MaxLength(200)),
		yourName(),
		h.P(ui.Button("Start silence")))
}

// heldItem is an alert that is not sent, and why.
func heldItem(a ui.Alert) g.Node {
	why := "until " + render.Stamp(a.SilencedUntil)
	if a.Accepted != "" {
		why = "accepted in the config: " + boat.Printable(a.Accepted)
	}
	return h.Li(ui.State(a.Severity), ui.Space, ui.Printable(a.Summary), ui.Small(why))
}

// silenced is the scope of a silence in words.
func silenced(r *report.Report, s *alert.Silence) string {
	device := s.Device
	if d := r.Device(s.Device); d != nil {
		device = render.TitleAt(d)
	}
	words := "All alerts"
	switch {
	case s.Work:
		words = "Alerts caused by the work"
	case s.Alert != "":
		words = s.Alert
		for i := range r.Alerts {
			if r.Alerts[i].ID == s.Alert {
				words = cmp.Or(r.Alerts[i].Summary, s.Alert)
			}
		}
	case s.Check != "":
		words = "Check " + s.Check
	}
	if s.Device != "" {
		words += " on " + device
	}
	if s.Network != "" {
		words += " on " + s.Network
	}
	return boat.Printable(words)
}

// left is the remaining time in a suitable unit.
func left(d time.Duration) string {
	switch {
	case d <= time.Minute:
		return "1 minute at most"
	case d < 2*time.Hour:
		return boat.Counted(int(d.Round(time.Minute)/time.Minute), "minute", "minutes")
	case d < 48*time.Hour:
		return boat.Counted(int(d.Round(time.Hour)/time.Hour), "hour", "hours")
	}
	return boat.Counted(int(d.Round(24*time.Hour)/(24*time.Hour)), "day", "days")
}

// addSilencesPage registers the page of silences and its forms.
func (s *site) addSilencesPage(mux *http.ServeMux) {
	s.page(mux, "GET /silences", "silences", s.silencesData)
	s.form(mux, "POST /silences", "/silences", "silenced", func(ctx context.Context, r *http.Request) error {
		f := r.PostForm.Get
		silence, length, err := api.SilenceEntry{Alert: f("alert"), Check: f("check"), Device: f("device"), For: f("for"), By: f("by"), Why: f("why")}.Silence()
		if err == nil {
			_, err = s.opt.Desk.Silence(ctx, silence, length)
		}
		return err
	})
	s.form(mux, "POST /silences/end", "/silences", "unsilenced", func(ctx context.Context, r *http.Request) error {
		f := r.PostForm.Get
		return s.opt.Desk.EndSilence(ctx, alert.Silence{Alert: f("alert"), Check: f("check"), Device: f("device")})
	})
}
