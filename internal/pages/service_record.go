package pages

import (
	"bytes"
	"cmp"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"muster/internal/boat"
	"muster/internal/job"
	"muster/internal/release"
	"muster/internal/render"
	"muster/internal/snapshot"
)

// remaining lists the checks whose findings a comparison shows before and after, or only after.
func remaining(c *snapshot.Comparison) []string {
	var checks []string
	if c == nil {
		return nil
	}
	for _, x := range c.Changes {
		if x.Class == snapshot.FindingRemaining || x.Class == snapshot.FindingNew {
			checks = append(checks, x.After)
		}
	}
	slices.Sort(checks)
	return slices.Compact(checks)
}

// firstJob fills the form of the service record: with the config's job file, else from the snapshots and the work order.
func (s *site) firstJob(c *snapshot.Comparison, o *release.Order) *job.Job {
	job := s.sharedJob()
	if job.Date == "" && !c.After.TakenAt.IsZero() {
		job.Date = c.After.TakenAt.UTC().Format("2 January 2006")
	}
	if job.Work == "" && o != nil {
		job.Work = orderWork(o)
	}
	return &job
}

// sharedJob is what the config's job file gives.
func (s *site) sharedJob() job.Job {
	if job := s.opt.Job(); job != nil {
		return *job
	}
	return job.Job{}
}

// Bounds of the form's texts in characters.
const (
	shortText = 80
	longText  = 400
)

// orderWork is the work of a work order in a sentence.
func orderWork(o *release.Order) string {
	var words []string
	for _, st := range o.Steps() {
		words = append(words, fmt.Sprintf("%s from %s to %s", st.Device.Label, st.From, st.To))
	}
	text := []rune(boat.Printable("Update " + render.Enumerate(words) + "."))
	switch {
	case len(words) == 0:
		return ""
	case len(text) > longText:
		return fmt.Sprintf("Update %s by the work order.", boat.Counted(len(words), "device", "devices"))
	}
	return string(text)
}

// jobOf reads a job from the form of a document; what the form lacks stays as in base.
func jobOf(q url.Values, checks []string, base job.Job) (*job.Job, error) {
	var err error
	text := func(key, was string, most int) string {
		if !q.Has(key) {
			return was
		}
		v := boat.Printable(strings.TrimSpace(q.Get(key)))
		if n := len([]rune(v)); n > most {
			err = cmp.Or(err, fmt.Errorf("%s: %d characters, the limit is %d: shorten it", key, n, most))
		}
		return v
	}
	j := base
	for _, f := range []struct {
		key  string
		to   *string
		most int
	}{
		{"number", &j.Number, shortText}, {"date", &j.Date, shortText}, {"technician", &j.Technician, shortText},
		{"customer", &j.Customer, shortText}, {"place", &j.Place, shortText}, {"work", &j.Work, longText},
		{"shop", &j.Shop.Name, shortText}, {"contact", &j.Shop.Contact, shortText},
	} {
		*f.to = text(f.key, *f.to, f.most)
	}
	if note := text("note", "", longText); note != "" {
		j.Notes = append(slices.Clone(base.Notes), note)
	}
	j.OpenItems = nil
	for _, check := range checks {
		if why := text("why-"+check, base.Why(check), longText); why != "" {
			j.OpenItems = append(j.OpenItems, job.Reason{Check: check, Why: why})
		}
	}
	return &j, err
}

// serviceRecord makes the service record of two snapshots; PDF when the path asks for it.
func (s *site) serviceRecord(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	before, after, c, err := s.boat.Compare(q.Get("before"), q.Get("after"))
	if err != nil {
		s.failed(w, r, err)
		return
	}
	j, err := jobOf(q, remaining(c), s.sharedJob())
	if err != nil {
		s.failed(w, r, err)
		return
	}
	var steps []release.StepStatus
	if work := s.jobWork(); q.Get("order") != "" && work.Order != nil {
		if err := work.Order.CheckBoat(before.Report); err != nil {
			s.failed(w, r, err)
			return
		}
		steps = work.Status
	}
	rec, err := job.NewRecord(before, after, c, j, steps)
	if err != nil {
		s.failed(w, r, err)
		return
	}
	var out bytes.Buffer
	kind := "text/html; charset=utf-8"
	if r.URL.Path == "/snapshots/record.pdf" {
		kind = "application/pdf"
		err = render.ServiceRecordPDF(&out, rec, after.TakenAt().UTC())
	} else {
		err = render.ServiceRecordHTML(&out, rec)
	}
	if err != nil {
		s.failed(w, r, err)
		return
	}
	if kind == "application/pdf" && s.opt.Printed != nil {
		s.opt.Printed("service-record-"+q.Get("after")+".pdf", kind, bytes.Clone(out.Bytes()))
	}
	standAlone(w, kind)
	_, _ = out.WriteTo(w)
}

// standAlone sets the headers of a document for paper, which includes its style and has no script.
func standAlone(w http.ResponseWriter, kind string) {
	h := w.Header()
	h.Set("Content-Type", kind)
	h.Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'")
}
