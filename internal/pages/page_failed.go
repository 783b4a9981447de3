package pages

import (
	"errors"
	"fmt"
	"net/http"
	"net/url"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/alert"
	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/ui"
)

var errNoPage = errors.New("there is no page")

// failure is an error in words.
type failure string

func (p failure) show(*view) g.Node {
	return g.Group{
		h.H1(g.Text("That did not work")),
		ui.Problem(string(p), h.Role("alert")),
		h.P(h.Class("links"), h.A(h.Href("/"), g.Text("Back to the boat"))),
	}
}

// failed answers a person with the error and the way on.
func (s *site) failed(w http.ResponseWriter, r *http.Request, err error) {
	status, words := failedWith(err)
	v := s.view(r, s.opt.Reports.Report(), "failed")
	v.Title, v.Content = "That did not work", failure(words)
	ui.WritePage(w, status, v.render())
}

// failedWith is the status of the answer to an error, and the error in words.
func failedWith(err error) (status int, words string) {
	words = boat.Printable(err.Error())
	var tooLarge *http.MaxBytesError
	switch {
	case errors.Is(err, api.ErrNoSuch), errors.Is(err, errNoPage), errors.Is(err, alert.ErrUnknown):
		return http.StatusNotFound, words
	case errors.As(err, &tooLarge):
		return http.StatusRequestEntityTooLarge, fmt.Sprintf("the request is too large: the limit is %d kB", tooLarge.Limit>>10)
	case api.NoRoom(err):
		return http.StatusServiceUnavailable, words + ": " + api.MakeRoom
	}
	return http.StatusUnprocessableEntity, words
}

// refused is a form that was sent and not accepted.
type refused struct {
	Form, Why string
	typed     url.Values
}

// again shows the page of a refused form with the reason and with what was typed, or only the reason when there is no such page.
func (s *site) again(w http.ResponseWriter, r *http.Request, page string, err error) {
	p, ok := s.finders[page]
	report := s.opt.Reports.Report()
	if !ok || report == nil {
		s.failed(w, r, err)
		return
	}
	v := s.view(r, report, p.name)
	title, content, cannot := p.find(r, report)
	if cannot != nil {
		s.failed(w, r, err)
		return
	}
	status, why := failedWith(err)
	v.Title, v.Content, v.Refused = title, content, &refused{r.URL.Path, why, r.PostForm}
	ui.WritePage(w, status, v.render())
}

// typed is what was typed into a form that was just refused, nil for any other. Where a page has the form several
// times, a hidden field gives which it was.
func (v *view) typed(form, field, value string) url.Values {
	if v.Refused == nil || v.Refused.Form != form || field != "" && v.Refused.typed.Get(field) != value {
		return nil
	}
	return v.Refused.typed
}

// wrong is what was wrong with a form, beside what was typed into it.
func (v *view) wrong(typed url.Values) g.Node {
	if typed == nil {
		return nil
	}
	return h.P(h.Class("notice bad whole"), ui.Mark("critical"), ui.Space, g.Text(v.Refused.Why))
}

// here puts the cursor into the field of a form that was refused.
func here(typed url.Values) g.Node { return g.If(typed != nil, h.AutoFocus()) }
