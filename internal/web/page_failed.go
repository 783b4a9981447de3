package web

import (
	"errors"
	"fmt"
	"net/http"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/alert"
	"muster/internal/boat"
)

var errNoPage = errors.New("there is no page")

// failure is what went wrong, in words.
type failure string

func (p failure) show(*view) g.Node {
	return g.Group{
		h.H1(g.Text("That did not work")),
		Problem(string(p), h.Role("alert")),
		h.P(h.Class("links"), h.A(h.Href("/"), g.Text("To the boat"))),
	}
}

// failed answers a person with what went wrong and the way on.
func (s *Server) failed(w http.ResponseWriter, r *http.Request, err error) {
	status := http.StatusUnprocessableEntity
	var tooLarge *http.MaxBytesError
	switch {
	case errors.Is(err, ErrNoSuch), errors.Is(err, errNoPage), errors.Is(err, alert.ErrUnknown):
		status = http.StatusNotFound
	case errors.As(err, &tooLarge):
		status = http.StatusRequestEntityTooLarge
	}
	words := boat.Printable(err.Error())
	if tooLarge != nil {
		words = fmt.Sprintf("what was sent is too large: at most %d kB are taken", tooLarge.Limit>>10)
	}
	v := s.view(r, s.opt.Reports.Report(), "failed")
	v.Title, v.Content = "That did not work", failure(words)
	WritePage(w, status, v.render())
}
