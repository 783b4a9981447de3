package api

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"sync"
	"time"

	"github.com/danielgtaylor/huma/v2"

	"muster/internal/alert"
	"muster/internal/backbone"
	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/job"
	"muster/internal/locate"
	"muster/internal/report"
)

// keptFaults is how many answers are kept, and mostReadings how many readings one search has.
const (
	keptFaults   = 8
	mostReadings = 100
)

// faults keeps the latest answers to where the fault is, so that many readers and reports that show the same cost one computation: it takes
// up to a second or two of a processor. One is computed at a time, only while somebody asks or an alert lasts, and the same question again
// at most for a part of the time.
type faults struct {
	compute  func(*backbone.Layout, *locate.Evidence, locate.Options) *locate.Result
	mu       sync.Mutex
	kept     []keptFault
	standing map[string]*locate.Result // by network, while an alert lasts
}

type keptFault struct {
	plan        *backbone.Plan
	asked, seen string
	result      *locate.Result
	rests       time.Time // until then the same question gets this result, though the evidence has changed
}

// restsFor is how many times as long as a computation took the same question is not computed again.
const restsFor = 4

// searchEvery is how often it is looked whether alerts last whose fault can be located.
const searchEvery = 10 * time.Second

// locatable are the checks whose findings a fault of the backbone can explain.
var locatable = []string{"address-contested", "address-shared", "bus-errors", "bus-load-high", "bus-off", "incomplete-messages", "low-voltage", "missing",
	"no-address", "restarted", "silent", "voltage-drop"}

// Locatable reports whether a fault of the backbone can explain an alert that lasts.
func Locatable(a *alert.Alert, r *report.Report) bool {
	return a.State != alert.StatusCleared && slices.Contains(locatable, string(a.Check)) &&
		slices.ContainsFunc(r.Networks, func(n report.Network) bool { return n.ID == a.Network && n.Kind == event.NMEA2000 })
}

// SearchFaults goes on with the search on each network while an alert lasts that a fault of its backbone can explain, until ctx ends.
func (s *Server) SearchFaults(ctx context.Context) {
	tick := time.NewTicker(searchEvery)
	defer tick.Stop()
	for {
		select {
		case <-tick.C:
			s.searchFaults()
		case <-ctx.Done():
			return
		}
	}
}

func (s *Server) searchFaults() {
	if s.opt.Reports.Ready() != nil {
		return
	}
	r, standing := s.opt.Reports.Report(), map[string]*locate.Result{}
	for i := range r.Alerts {
		a := &r.Alerts[i]
		if standing[a.Network] != nil || !Locatable(a, r) {
			continue
		}
		if found, err := s.Fault(a.Network, "", nil); err == nil && found.Plan != nil {
			standing[a.Network] = found.Result
		}
	}
	s.faults.mu.Lock()
	s.faults.standing = standing
	s.faults.mu.Unlock()
}

// Located is where the fault of a network was found to be while an alert lasts; nil when none does, or without a layout.
func (s *Server) Located(network string) *locate.Result {
	s.faults.mu.Lock()
	defer s.faults.mu.Unlock()
	return s.faults.standing[network]
}

// Search is the search for a fault on one network.
type Search struct {
	Plan    *backbone.Plan // nil without a layout
	Network string
	Result  *locate.Result
	Taken   []job.Searched // readings of the open job that are in force
}

// Fault computes where the fault of a network is, with the readings of the open job and others. Network "" is the first that has a layout;
// ErrNoSuch when there is none of this name. at is the point where the interface is, "" for unknown.
func (s *Server) Fault(network, at string, readings []string) (*Search, error) {
	r := s.opt.Reports.Report()
	known := func(id string) bool {
		return slices.ContainsFunc(r.Networks, func(n report.Network) bool { return n.ID == id })
	}
	if network != "" && !known(network) {
		return nil, fmt.Errorf("network %q: %w", network, ErrNoSuch)
	}
	for _, plan := range s.opt.Plans() {
		ev, err := locate.Hear(plan.Layout(), r)
		if err != nil || network != "" && ev.Network != network {
			continue
		}
		out := &Search{Plan: plan, Network: ev.Network}
		if j := s.opt.Desk.Job(); j.Open() {
			out.Taken = job.InForce(j.Search, ev.Network)
		}
		texts := []string{}
		for _, t := range out.Taken {
			texts = append(texts, t.Reading)
		}
		out.Result, err = s.faults.locate(plan, ev, at, append(texts, readings...))
		return out, err
	}
	if len(readings) > 0 || at != "" {
		return nil, fmt.Errorf("network %q: it has no layout, and readings name places of one: draw a layout first", network)
	}
	return &Search{Network: network, Result: locate.WithoutLayout(r)}, nil
}

// locate weighs the evidence, unless it did so before.
func (f *faults) locate(
	plan *backbone.Plan, ev *locate.Evidence, at string, readings []string,
) (*locate.Result, error) {
	l := plan.Layout()
	if len(readings) > mostReadings {
		return nil, fmt.Errorf("reading: %d of them are more than the %d that one search has", len(readings), mostReadings)
	}
	if points := l.Line(); at != "" && !slices.Contains(points, at) {
		return nil, fmt.Errorf("at: the layout has no point %q: use one of %s", at, strings.Join(points, ", "))
	}
	for _, text := range readings {
		reading, err := locate.ParseReading(l, text)
		if err != nil {
			return nil, err
		}
		ev.Readings = append(ev.Readings, reading)
	}
	asked, seen := fmt.Sprintf("%q %q", at, readings), ev.Key()
	f.mu.Lock()
	defer f.mu.Unlock()
	began := time.Now()
	var latest *locate.Result
	for _, k := range f.kept {
		if k.plan != plan || k.asked != asked {
			continue
		}
		if k.seen == seen {
			return k.result, nil
		}
		if began.Before(k.rests) {
			latest = k.result
		}
	}
	if latest != nil {
		return latest, nil
	}
	result := f.compute(l, ev, locate.Options{At: at})
	took := time.Since(began)
	f.kept = append(f.kept[max(0, len(f.kept)+1-keptFaults):], keptFault{plan, asked, seen, result, began.Add((1 + restsFor) * took)})
	return result, nil
}

// LikelyOf are the first places of a result, as the ledger of a job keeps them.
func LikelyOf(r *locate.Result) (list []job.Likely) {
	for _, p := range r.Places[:min(3, len(r.Places))] {
		list = append(list, job.Likely{Part: p.Part, Fault: p.Fault, Probability: p.Probability})
	}
	return list
}

// AddToJob puts an entry of a person into the job. What a reading says is checked against the layout, and goes in with where the fault is
// then.
func (s *Server) AddToJob(ctx context.Context, e JobEntry) error {
	e.Reading, e.Fault = strings.TrimSpace(e.Reading), strings.TrimSpace(e.Fault)
	switch {
	case e.Kind == job.Reading && e.Reading != "":
		var err error
		if e.Likely, err = s.likelyWith(&e); err != nil {
			return err
		}
	case e.Kind == job.Found:
		part, _, _ := strings.Cut(e.Fault, ": ")
		for _, plan := range s.opt.Plans() {
			if found, err := locate.FindPart(plan.Layout(), part); err == nil {
				e.Fault = found.Name + strings.TrimPrefix(e.Fault, part)
				return s.opt.Desk.AddToJob(ctx, e)
			}
		}
		return fmt.Errorf("fault: no layout has the part %q: write it as the search names it, as in \"connector wind: open\"", boat.Printable(part))
	}
	return s.opt.Desk.AddToJob(ctx, e)
}

// likelyWith is where the fault is with one more reading, or one in place of another.
func (s *Server) likelyWith(e *JobEntry) ([]job.Likely, error) {
	found, err := s.Fault(e.Network, "", nil)
	if err != nil {
		return nil, err
	}
	if found.Plan == nil {
		return nil, fmt.Errorf("reading: network %q has no layout: draw one first", e.Network)
	}
	e.Network = found.Network
	ev, err := locate.Hear(found.Plan.Layout(), s.opt.Reports.Report())
	if err != nil {
		return nil, err
	}
	texts := []string{}
	for _, t := range found.Taken {
		if t.Line != e.Line {
			texts = append(texts, t.Reading)
		}
	}
	r, err := s.faults.locate(found.Plan, ev, "", append(texts, e.Reading))
	if err != nil {
		return nil, err
	}
	return LikelyOf(r), nil
}

// addFault registers the search for a fault.
func (s *Server) addFault(api huma.API) {
	read(api, "locate-fault", "/fault", "Where on the backbone a fault most likely is, and what to measure next", "boat", func(_ context.Context, in *struct {
		Network string   `query:"network" maxLength:"64" doc:"Default: the first that has a layout."`
		At      string   `query:"at" maxLength:"80" doc:"Point of the layout where the interface is connected. Default: unknown."`
		Reading []string `query:"reading,explode" maxItems:"100" doc:"As muster locate reads them, besides those of the open job."`
	}) (*locate.Result, error) {
		found, err := s.Fault(in.Network, in.At, in.Reading)
		if err != nil {
			return nil, problem(err)
		}
		return found.Result, nil
	}, 404, 422)
}
