package main

import (
	"fmt"
	"slices"
	"strings"

	"muster/internal/api"
	"muster/internal/backbone"
	"muster/internal/cli"
	"muster/internal/job"
	"muster/internal/locate"
)

// intoJob gives the evidence the readings of the job that are in force, and puts into the job what is new.
func (c *locateCmd) intoJob(a *app, l *backbone.Layout, ev *locate.Evidence, opt locate.Options) error {
	if len(c.Readings)+len(c.Wrong) == 0 && c.Found == "" {
		v, err := loadJob(a, c.Job)
		if err != nil {
			return err
		}
		_, err = taken(l, ev, v)
		return err
	}
	return noted(a, c.Job, &c.author, func(v *job.Visit, by string) (entries []job.Entry, err error) {
		given := ev.Readings
		known, err := taken(l, ev, v)
		if err != nil {
			return nil, err
		}
		for _, text := range c.Wrong {
			k := slices.IndexFunc(known, func(s job.Searched) bool {
				return strings.EqualFold(s.Reading, strings.TrimSpace(text))
			})
			if k < 0 {
				return nil, cli.WithHint(fmt.Errorf("--wrong %q: the job has no such reading in force", text), "muster locate with --job lists them")
			}
			m := job.Measured{Network: ev.Network, Corrects: known[k].Line}
			entries = append(entries, job.Entry{Kind: job.Reading, By: by, Data: m})
			known, ev.Readings = slices.Delete(known, k, k+1), slices.Delete(ev.Readings, k, k+1)
		}
		for _, r := range given {
			ev.Readings = append(ev.Readings, r)
			m := job.Measured{Network: ev.Network, Reading: r.Text, Likely: api.LikelyOf(locate.Locate(l, ev, opt))}
			entries = append(entries, job.Entry{Kind: job.Reading, By: by, Data: m})
		}
		if c.Found != "" {
			part, fault, _ := strings.Cut(c.Found, ":")
			p, err := locate.FindPart(l, part)
			if fault = strings.TrimSpace(fault); err != nil || fault == "" {
				return nil, cli.WithHint(fmt.Errorf("--found %q: it names no part and fault of the layout", c.Found),
					"write it as the search names it, as in 'connector wind: open'")
			}
			found := job.FoundFault{Network: ev.Network, Part: p.Name, Fault: fault, How: c.How}
			entries = append(entries, job.Entry{Kind: job.Found, By: by, Data: found})
		}
		return entries, nil
	})
}

// taken gives the evidence the readings of the job that are in force, and nothing else.
func taken(l *backbone.Layout, ev *locate.Evidence, v *job.Visit) ([]job.Searched, error) {
	known := job.InForce(v.Search, ev.Network)
	ev.Readings = nil
	for _, s := range known {
		r, err := locate.ParseReading(l, s.Reading)
		if err != nil {
			return nil, cli.WithHint(fmt.Errorf("line %d of the job: %w", s.Line, err), "take it back with --wrong, or use the layout that it was taken with")
		}
		ev.Readings = append(ev.Readings, r)
	}
	return known, nil
}
