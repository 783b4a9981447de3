package pages

import (
	"context"
	"errors"
	"net/http"
	"slices"
	"strings"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/alert"
	"muster/internal/api"
	"muster/internal/ui"
)

// addAlertForms registers what is done about the alerts of a row, some of them, or those of several rows.
func (s *site) addAlertForms(mux *http.ServeMux) {
	type act func(ctx context.Context, r *http.Request, id string) error
	each := func(act act) func(context.Context, *http.Request) error {
		return func(ctx context.Context, r *http.Request) error {
			done, over := false, error(nil) // over: of alerts that cleared meanwhile
			ids := chosenAlerts(r)
			for _, id := range ids {
				switch err := act(ctx, r, id); {
				case errors.Is(err, alert.ErrUnknown) && len(ids) > 1:
					over = errors.Join(over, err)
				case err != nil:
					return err
				default:
					done = true
				}
			}
			switch {
			case len(ids) == 0:
				return errors.New("alert: none is chosen: tick one")
			case !done:
				return over
			}
			return nil
		}
	}
	s.form(mux, "POST /alerts/acknowledge", "/", "acknowledged", each(func(ctx context.Context, r *http.Request, id string) error {
		by := strings.TrimSpace(r.PostForm.Get("by"))
		if by == "" || len(by) > 240 {
			return errors.New("by: enter your name, 60 characters at most")
		}
		return s.opt.Desk.Acknowledge(ctx, id, by)
	}))
	s.form(mux, "POST /alerts/reopen", "/", "reopened", each(func(ctx context.Context, _ *http.Request, id string) error {
		return s.opt.Desk.Unacknowledge(ctx, id)
	}))
	s.form(mux, "POST /alerts/silence", "/", "silenced", each(func(ctx context.Context, r *http.Request, id string) error {
		f := r.PostForm.Get
		silence, length, err := api.SilenceEntry{Alert: id, For: f("for"), By: f("by"), Why: f("why")}.Silence()
		if err == nil {
			_, err = s.opt.Desk.Silence(ctx, silence, length)
		}
		return err
	}))
}

// chosenAlerts are the ids that a form sends: a field of a row has one a line.
func chosenAlerts(r *http.Request) []string {
	var ids []string
	for _, value := range r.PostForm["alert"] {
		for id := range strings.SplitSeq(value, "\n") {
			if id = strings.TrimSuffix(id, "\r"); id != "" && !slices.Contains(ids, id) {
				ids = append(ids, id)
			}
		}
	}
	return ids
}

// openedRow is the row whose form was sent and not taken.
func openedRow(r *http.Request) string {
	if !strings.HasPrefix(r.URL.Path, "/alerts/") {
		return ""
	}
	return r.PostForm.Get("row")
}

// alertActs is what a reader who may act can do about the alerts of a row.
func (v *view) alertActs(row string, alerts []*ui.Alert) g.Node {
	acknowledged, silenced := true, true
	for _, a := range alerts {
		acknowledged = acknowledged && a.State == alert.StatusAcknowledged
		silenced = silenced && (!a.SilencedUntil.IsZero() || a.Accepted != "")
	}
	return g.Group{v.locateLink(alerts), v.alertForm(row, h.ID(ui.ActForm(row)),
		g.If(len(alerts) == 1, ui.Hidden("alert", alerts[0].ID)),
		actButtons(acknowledged, silenced))}
}

// bulkActs is what a reader who may act can do about the alerts of all rows that are ticked.
func (v *view) bulkActs() g.Node {
	return v.alertForm(ui.Bulk, h.ID(ui.Bulk),
		h.P(h.Class("label"), g.Text("All that are ticked")),
		actButtons(false, false))
}

// alertForm is a form for alerts, with what was typed into it when it was refused.
func (v *view) alertForm(row string, attributes g.Node, body ...g.Node) g.Node {
	typed, was := func(string) string { return "" }, g.Node(nil)
	if v.Refused != nil && v.Opened == row {
		typed, was = v.Refused.typed.Get, v.wrong(v.Refused.typed)
	}
	return h.Form(h.Method("post"), h.Action("/alerts/acknowledge"), h.Class("acts"), g.Attr("data-act"), attributes, was,
		ui.Hidden("row", row),
		nameField(typed("by")),
		ui.Choice("Silence for", "for", g.Map(spans, func(s span) g.Node { return ui.Option(s.For, s.Words, s.For == "8h") })),
		ui.ValueField("Reason of the silence", "why", 200, typed("why")),
		g.Group(body))
}

// actButtons are the actions that change something.
func actButtons(acknowledged, silenced bool) g.Node {
	return h.P(h.Class("bar"),
		g.If(!acknowledged, ui.Button("Acknowledge")),
		g.If(acknowledged, ui.Button("Undo acknowledgement", h.FormAction("/alerts/reopen"), g.Attr("formnovalidate"))),
		g.If(!silenced, ui.Button("Silence", h.FormAction("/alerts/silence"))),
		g.If(silenced, h.A(h.Href("/silences"), g.Text("End the silence on the page Silences"))))
}
