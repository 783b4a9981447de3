package pages

import (
	"context"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"strconv"
	"strings"

	"muster/internal/api"
	"muster/internal/backbone"
	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/input"
	"muster/internal/report"
	"muster/internal/ui"
)

// editorPath is where layouts are drawn. A layout sent there is checked and sent back. Nothing on the boat changes, so that the read
// token is enough.
const editorPath = "/backbone/edit"

// keepPath keeps the layout aboard, which only who may act does.
const keepPath = "/backbone/keep"

// editorPage is the layout editor with what was typed last.
type editorPage struct {
	Draft    draft
	Audit    *shownPlan // nil while there are problems
	Drawn    *shownPlan // while the draft has errors: the rest of it
	Problems []string
	YAML     string
	Pasted   string // a file with errors, to be corrected
	Kept     []api.KeptLayout
}

// editor shows the form, filled with the layout in force, and answers each of its buttons with the whole form.
func (s *site) editor(w http.ResponseWriter, r *http.Request) {
	report := s.opt.Reports.Report()
	p := &editorPage{Draft: s.begun(r, report)}
	if r.Method == http.MethodPost {
		err := r.ParseForm() // by itself: its error about a body that is too large gets lost below
		if err == nil {
			err = r.ParseMultipartForm(api.BodyLimit)
		}
		if err != nil && !errors.Is(err, http.ErrNotMultipart) {
			s.failed(w, r, err)
			return
		}
		switch do := r.PostForm.Get("do"); do {
		case "open":
			text, err := opened(r)
			if err == nil {
				err = p.open(r.Context(), text)
			}
			if err != nil {
				p.Problems, p.Pasted = mistakes(err, true), text
			}
		case "save":
			d := draftFrom(r.PostForm)
			w.Header().Set("Content-Type", "application/yaml")
			w.Header().Set("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": "layout.yaml"}))
			_, _ = io.WriteString(w, d.yaml())
			return
		default:
			p.Draft = draftFrom(r.PostForm)
			p.Draft.change(do, report)
		}
	}
	p.YAML = p.Draft.yaml()
	if p.Pasted == "" {
		p.check(r.Context(), report)
	}
	v := s.view(r, report, "editor")
	if r.URL.Path == keepPath && len(p.Problems) == 0 {
		if err := s.keepLayout(r, p.YAML); err != nil {
			p.Problems = []string{boat.Printable(err.Error())}
		} else {
			s.shown.clear()
			s.rememberName(w, r)
			v.Said, v.Name = confirmations["layout"], r.PostForm.Get("by")
		}
	}
	p.Kept = s.opt.Desk.Layouts()
	v.Title, v.Content = "Layout editor", p
	ui.WritePage(w, http.StatusOK, v.render())
}

// keepLayout keeps a layout aboard with the name of the person who drew it.
func (s *site) keepLayout(r *http.Request, text string) error {
	by := boat.Printable(strings.TrimSpace(r.PostForm.Get("by")))
	if by == "" || len(by) > 240 {
		return errors.New("your name: enter it, 60 characters at most, then save again")
	}
	ctx, cancel := context.WithTimeout(r.Context(), actWithin)
	defer cancel()
	return s.opt.Desk.KeepLayout(ctx, text, by)
}

// begun is the layout to start with: the one in force for the network that the address names, or the first, or a new one.
func (s *site) begun(r *http.Request, report *report.Report) draft {
	network := r.URL.Query().Get("network")
	if number, err := strconv.Atoi(r.URL.Query().Get("version")); err == nil {
		for _, kept := range s.opt.Desk.Layouts() {
			if l, err := backbone.Parse(r.Context(), "", []byte(kept.Text)); err == nil && kept.Number == number {
				return draftOf(l)
			}
		}
	}
	for _, plan := range s.opt.Plans() {
		if id, _ := plan.Layout().On(report); network == "" || id == network {
			return draftOf(plan.Layout())
		}
	}
	d := heardDraft(report, network)
	if len(s.opt.Plans()) == 0 && !severalBackbones(report) {
		d.Network = "" // a layout needs none then
	}
	return d
}

// severalBackbones reports whether a layout has to name its network.
func severalBackbones(r *report.Report) bool {
	n := 0
	for i := range r.Networks {
		if r.Networks[i].Kind == event.NMEA2000 {
			n++
		}
	}
	return n > 1
}

// opened is the text of a layout file that was chosen, or else pasted.
func opened(r *http.Request) (string, error) {
	file, _, err := r.FormFile("file")
	if err != nil {
		return r.PostForm.Get("text"), nil
	}
	defer file.Close()
	text, err := input.Read(r.Context(), "", file, input.MaxYAML)
	if err != nil {
		return "", fmt.Errorf("read the layout: %w", err)
	}
	if len(text) == 0 {
		return r.PostForm.Get("text"), nil
	}
	return string(text), nil
}

func (p *editorPage) open(ctx context.Context, text string) error {
	if strings.TrimSpace(text) == "" {
		return errors.New("choose a layout file, or paste its text")
	}
	l, err := backbone.Parse(ctx, "", []byte(text))
	if err == nil {
		p.Draft = draftOf(l)
	}
	return err
}

func (p *editorPage) check(ctx context.Context, report *report.Report) {
	l, err := backbone.Parse(ctx, "", []byte(p.YAML))
	if err != nil {
		p.Problems, p.Draft.wrong = mistakes(err, false), p.Draft.wrongFields(p.YAML, err) // the places would be those of a text that was never typed
		if l, ok := p.Draft.drawable(p.Draft.wrong); ok {
			p.Drawn = &shownPlan{Audit: backbone.NewPlan(l).Now(report), Now: report, ID: "draft", Edit: true}
		}
		return
	}
	p.Audit = &shownPlan{Audit: backbone.NewPlan(l).Now(report), Now: report, ID: "draft", Edit: true}
}

// mistakes are the lines of joined errors, with their places or without.
func mistakes(err error, placed bool) []string {
	all := unjoined(err)
	const most = 20
	var lines []string
	for i, err := range all {
		if i == most {
			lines = append(lines, fmt.Sprintf("and %d more", len(all)-most))
			break
		}
		text := err.Error()
		if e, ok := errors.AsType[*input.Mistake](err); ok && !placed {
			text = e.Text
		}
		lines = append(lines, boat.Printable(text))
	}
	return lines
}
