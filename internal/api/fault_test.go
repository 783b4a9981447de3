package api

import (
	"context"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"github.com/rs/zerolog"

	"muster/internal/alert"
	"muster/internal/backbone"
	"muster/internal/locate"
	"muster/internal/report"
	"muster/internal/ui/webtest"
)

const faultLayout = `boat: Wagtail
segments: [{from: bow, to: helm, length: 10 m, cable: micro}]
tees: [{at: helm, drops: [{device: radar, model: nobody's, length: 3 m, load: 4}]}]
terminators: [bow, helm]
power: [{at: bow, voltage: 12 V, fuse: 3 A}]
`

// TestSearchWhileAnAlertLasts counts computations: none without an alert or a reader, one for each change of what is received while an alert
// lasts, none for what is known, none once it is over.
func TestSearchWhileAnAlertLasts(t *testing.T) {
	l, err := backbone.Parse(t.Context(), "", []byte(faultLayout))
	if err != nil {
		t.Fatal(err)
	}
	sample := webtest.Sample(t)
	sample.Alerts = nil
	reports := webtest.NewReports(sample)
	plan := backbone.NewPlan(l)
	s, err := New(Options{Listen: "127.0.0.1:0", Reports: reports, Log: zerolog.Nop(), Plans: func() []*backbone.Plan { return []*backbone.Plan{plan} }})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Stop(t.Context())
	const takes = time.Second
	var computed atomic.Int32
	s.faults.compute = func(l *backbone.Layout, ev *locate.Evidence, opt locate.Options) *locate.Result {
		computed.Add(1)
		time.Sleep(takes)
		return locate.Locate(l, ev, opt)
	}
	with := func(errors uint64, state alert.Status) *report.Report {
		r := *sample
		r.Networks = append([]report.Network{}, r.Networks...)
		r.Networks[0].Faults.ErrorFrames = errors
		if state != "" {
			r.Alerts = []alert.Alert{{ID: "x", Check: "bus-errors", Network: r.Networks[0].ID, State: state}}
		}
		return &r
	}
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		done := make(chan struct{})
		go func() { s.SearchFaults(ctx); close(done) }()
		step := func(what string, r *report.Report, want int, located bool) {
			t.Helper()
			reports.Set(r)
			computed.Store(0)
			time.Sleep(3 * searchEvery)
			synctest.Wait()
			if n := int(computed.Load()); n != want || (s.Located(r.Networks[0].ID) != nil) != located {
				t.Errorf("%s: %d computations, want %d; located: %t, want %t", what, n, want, !located, located)
			}
		}
		time.Sleep(searchEvery / 2)
		step("no alert", with(0, ""), 0, false)
		step("an alert lasts", with(0, alert.StatusOpen), 1, true)
		step("nothing has changed", with(0, alert.StatusAcknowledged), 0, true)
		step("there are errors now", with(1_000_000, alert.StatusOpen), 1, true)
		step("the alert is over", with(2_000_000, alert.StatusCleared), 0, false)

		ask := func(errors uint64, want int, after time.Duration) {
			t.Helper()
			time.Sleep(after)
			reports.Set(with(errors, ""))
			computed.Store(0)
			if _, err := s.Fault("", "bow", nil); err != nil || int(computed.Load()) != want {
				t.Errorf("a reader: %d computations, %v, want %d", computed.Load(), err, want)
			}
		}
		ask(0, 1, time.Minute)
		ask(0, 0, time.Minute)
		ask(1_000_000, 1, 0)
		ask(0, 0, time.Second) // known from before
		ask(5, 0, restsFor*takes/2)
		ask(5, 1, restsFor*takes)
		cancel()
		<-done
	})
}
