package web

import (
	"cmp"
	"context"
	"net/http"
	"slices"
	"time"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
)

// silencesPage is what keeps alerts from being told, and whom it concerns now.
type silencesPage struct {
	Silences []silenceRow
	Held     []shownAlert // stand, and nobody is told of them
	Standing []shownAlert // those that could be silenced
	Checks   []string
	Devices  []*boat.Device
	Spans    []span
	Alert    string // id of the alert that the form begins with
	Device   string // id of the device that the form begins with
}

type silenceRow struct {
	alert.Silence
	What string
	Left string // until its end
}

type span struct{ For, Words string }

// spans are the lengths that the page offers; the API takes any up to maxSilence.
var spans = []span{{"30m", "half an hour"}, {"2h", "2 hours"}, {"8h", "8 hours"}, {"24h", "a day"}, {"168h", "a week"}, {"720h", "30 days"}, {"2160h", "90 days"}}

func (s *Server) silencesData(r *http.Request, report *boat.Report) (string, content, error) {
	p := silencesPage{Checks: check.IDs(), Spans: spans, Alert: r.URL.Query().Get("alert"), Device: r.URL.Query().Get("device")}
	for _, silence := range s.opt.Desk.Silences() {
		p.Silences = append(p.Silences, silenceRow{silence, silenced(report, &silence), left(silence.Until.Sub(report.TakenAt))})
	}
	for _, a := range shown(report, SortedAlerts(report)) {
		switch {
		case a.State == boat.AlertCleared:
		case a.SilencedUntil != 0 || a.Accepted != "":
			p.Held = append(p.Held, a)
		default:
			p.Standing = append(p.Standing, a)
		}
	}
	for i := range report.Devices {
		if d := &report.Devices[i]; !d.Own {
			p.Devices = append(p.Devices, d)
		}
	}
	slices.SortStableFunc(p.Devices, func(a, b *boat.Device) int { return cmp.Compare(titleAt(a), titleAt(b)) })
	return "Silences", templated{"silences", p}, nil
}

// silenced says in words what a silence holds back.
func silenced(r *boat.Report, s *alert.Silence) string {
	device := s.Device
	if d := r.Device(s.Device); d != nil {
		device = titleAt(d)
	}
	words := "Everything"
	switch {
	case s.Work:
		words = "What work brings about"
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

// left is a time to come in the unit that people would take.
func left(d time.Duration) string {
	switch {
	case d <= time.Minute:
		return "a minute at most"
	case d < 2*time.Hour:
		return plural(int(d.Round(time.Minute)/time.Minute), "minute", "minutes")
	case d < 48*time.Hour:
		return plural(int(d.Round(time.Hour)/time.Hour), "hour", "hours")
	}
	return plural(int(d.Round(24*time.Hour)/(24*time.Hour)), "day", "days")
}

// addSilencesPage registers the page of silences and its forms.
func (s *Server) addSilencesPage(mux *http.ServeMux) {
	s.page(mux, "GET /silences", "silences", s.silencesData)
	s.form(mux, "POST /silences", "/silences", "silenced", func(ctx context.Context, r *http.Request) error {
		f := r.PostForm.Get
		silence, length, err := SilenceEntry{Alert: f("alert"), Check: f("check"), Device: f("device"), For: f("for"), By: f("by"), Why: f("why")}.silence()
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
