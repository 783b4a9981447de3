package web

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strings"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/record"
	"muster/internal/release"
	"muster/internal/snapshot"
)

// versionOrder is how the release sheets put two versions in order; nil without sheets.
func (s *Server) versionOrder() func(*boat.Device, string, string) (int, bool) {
	if sheets := s.opt.Sheets(); sheets != nil {
		return sheets.Order
	}
	return nil
}

// follow begins to follow an order, or ends it, and keeps the one before for the service record.
func (s *Server) follow(ctx context.Context, o *release.Order) error {
	before := s.opt.Desk.Work()
	err := s.opt.Desk.Follow(ctx, o)
	if err == nil && before.Order != nil {
		s.ended.Store(&before)
	}
	return err
}

// lastWork is the order being followed, or else the one that was followed last.
func (s *Server) lastWork() Work {
	w := s.opt.Desk.Work()
	if ended := s.ended.Load(); w.Order == nil && ended != nil {
		return *ended
	}
	return w
}

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

// jobOf reads what the form of the proof page tells of the job.
func jobOf(q url.Values, checks []string) (*record.Job, error) {
	var err error
	text := func(key string, most int) string {
		v := boat.Printable(strings.TrimSpace(q.Get(key)))
		if n := len([]rune(v)); n > most {
			err = cmp.Or(err, fmt.Errorf("%s: %d characters are more than %d: shorten it", key, n, most))
		}
		return v
	}
	job := &record.Job{Number: text("number", 80), Date: text("date", 80), Technician: text("technician", 80), Customer: text("customer", 80),
		Place: text("place", 80), Work: text("work", 400), Shop: record.Shop{Name: text("shop", 80), Contact: text("contact", 80)}}
	if note := text("note", 400); note != "" {
		job.Notes = []string{note}
	}
	for _, check := range checks {
		if why := text("why-"+check, 400); why != "" {
			job.Remains = append(job.Remains, record.Reason{Check: check, Why: why})
		}
	}
	return job, err
}

// RecordSteps are the steps of a work order as the service record tells them.
func RecordSteps(status []release.StepStatus) []record.Step {
	var out []record.Step
	for _, st := range status {
		notes := slices.Clone(st.Notes)
		for _, x := range st.Failures {
			notes = append(notes, x.Text)
		}
		if b := st.ByHand; b != nil {
			notes = append(notes, strings.TrimSpace("read off its screen by "+b.By))
		}
		out = append(out, record.Step{Title: fmt.Sprintf("%s %s: %s to %s", st.Step, st.Label, st.From, st.To), State: string(st.State),
			Began: minuteOf(st.LeftAt), Ended: minuteOf(cmp.Or(st.VerifiedAt, st.FailedAt)), Note: strings.Join(notes, "; ")})
	}
	return out
}

func minuteOf(t event.Time) string {
	if t == 0 {
		return ""
	}
	return t.UTC().Format("2006-01-02 15:04")
}

// serviceRecord makes the printed proof of two snapshots; PDF when the path says so.
func (s *Server) serviceRecord(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	before, after, c, err := s.compare(q.Get("before"), q.Get("after"))
	if err != nil {
		s.failed(w, r, err)
		return
	}
	job, err := jobOf(q, remaining(c))
	if err != nil {
		s.failed(w, r, err)
		return
	}
	var steps []record.Step
	if work := s.lastWork(); q.Get("order") != "" && work.Order != nil {
		if err := work.Order.CheckBoat(before.Report); err != nil {
			s.failed(w, r, err)
			return
		}
		steps = RecordSteps(work.Status)
	}
	rec, err := record.Build(before, after, c, job, steps)
	if err != nil {
		s.failed(w, r, err)
		return
	}
	var out bytes.Buffer
	kind := "text/html; charset=utf-8"
	if r.URL.Path == "/proof/record.pdf" {
		kind = "application/pdf"
		err = rec.WritePDF(&out, after.TakenAt().UTC())
	} else {
		err = rec.WriteHTML(&out)
	}
	if err != nil {
		s.failed(w, r, err)
		return
	}
	if kind == "application/pdf" && s.opt.Printed != nil {
		s.opt.Printed("service-record-"+q.Get("after")+".pdf", kind, bytes.Clone(out.Bytes()))
	}
	h := w.Header()
	h.Set("Content-Type", kind)
	// The record stands alone and so brings its style along; it holds no script.
	h.Set("Content-Security-Policy", "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'")
	_, _ = out.WriteTo(w)
}
