package pages

import (
	"flag"
	"net/url"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"github.com/rs/zerolog"

	"muster/internal/alert"
	"muster/internal/api"
	"muster/internal/backbone"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
	"muster/internal/release"
	"muster/internal/report"
	"muster/internal/sim"
	"muster/internal/ui/webtest"
)

var update = flag.Bool("update", false, "rewrite the golden files")

// began is when the boats of the golden files are switched on.
var began = event.At(time.Date(2026, 5, 4, 8, 0, 0, 0, time.UTC))

// aboardSim runs a simulated boat, gives its reports to a server of its pages, and returns that with the paths of all pages.
func aboardSim(t *testing.T, scenario string) (*api.Server, map[string]string) {
	t.Helper()
	sc, err := sim.Load(t.Context(), scenario)
	if err != nil {
		t.Fatal(err)
	}
	var layouts func() []*backbone.Plan
	if text := sim.Layout(scenario); text != nil {
		layouts = plans(t, string(text))
	}
	traffic, reports, desk := api.NewTraffic(0), webtest.NewReports(&report.Report{}), &sayingDesk{}
	model := boat.New(boat.Options{ID: scenario, Name: sc.Boat.Name, Clock: boat.ClockSystem, OnMessage: traffic.Note, OnSentence: traffic.NoteSentence,
		ManufacturerNames: map[uint16]string{2001: "Larkfin Marine", 2002: "Gannet Instruments", 2003: "Sanderling Power"}})
	model.SetManual([]boat.Manual{{ID: "m1", Role: boat.RoleRadio, Manufacturer: "Gannet Instruments", Model: "Gannet VR2 radio", Serial: "VR2-1", Software: "1.1",
		Place: "chart table", Note: "no data connector", By: "Jo", At: began}})
	watch := alert.NewWatch(model, check.DefaultSettings(), alert.DefaultSettings())
	s := serve(t, api.Options{Reports: reports, Desk: desk, Traffic: traffic, Version: "v0.0.0-test", Log: zerolog.Nop(),
		Plans: layouts, Sheets: func() *release.Sheets { return sheets(t) }})
	simulated, events := sim.New(sc, sc.Seed, began), make([]event.Event, 256)
	sail := func(until time.Duration) api.Kept {
		for at := simulated.Now(); at.Sub(began) < until; {
			at = at.Add(10 * time.Second)
			for {
				n, err := simulated.ReadUntil(at, events)
				if err != nil {
					t.Fatal(err)
				}
				if n == 0 {
					break
				}
				watch.Feed(events[:n]...)
			}
			watch.Advance(at)
			state := watch.State()
			alerts, judgement := watch.Look(state)
			r := report.New(state, alerts)
			r.Judge(&judgement)
			reports.Set(r)
			s.Observe(reports.Report())
		}
		kept, err := s.TakeSnapshot()
		if err != nil {
			t.Fatal(err)
		}
		return kept
	}
	before := sail(2 * time.Minute)
	order, _ := release.Plan(reports.Report(), "sha256:"+strings.Repeat("0", 64), "", sheets(t), release.Options{})
	for i, st := range order.Steps() {
		status := release.StepStatus{Step: st.ID, Label: st.Device.Label, From: st.From, To: st.To, State: release.StepWaiting}
		if i == 0 {
			status.State, status.Notes, status.Failures = release.StepFailed, []string{"away for 9 min"}, []release.Failure{{Reason: release.ReasonSupply, Text: "the battery voltage sagged"}}
		}
		desk.work.Status = append(desk.work.Status, status)
	}
	desk.work.Order = order
	after := sail(5 * time.Minute)
	desk.silences = []alert.Silence{{Check: "multiple-sources", By: "Jo", Why: "two receivers on purpose", From: began, Until: began.Add(time.Hour)}}
	r := reports.Report()
	return s, map[string]string{"boat": "/", "device": "/devices/" + r.Devices[0].ID, "talker": "/devices/" + url.PathEscape(r.Talkers[0].ID()),
		"network": "/network", "work": "/work", "snapshots": "/snapshots", "comparison": "/snapshots?before=" + before.ID + "&after=" + after.ID,
		"traffic": "/traffic", "silences": "/silences", "editor": editorPath, "login": "/login", "missing": "/devices/nothing"}
}

// digest is what changes with every key of the report: the beginnings of the digests of snapshots, and the mark of the report.
var digest = regexp.MustCompile(`(Z-|data-live="|<code>)[0-9a-f]{12,24}\b`)

// TestGolden compares every page of two boats with its golden file.
func TestGolden(t *testing.T) {
	for _, scenario := range []string{"demo", "faults"} {
		s, paths := aboardSim(t, scenario)
		for name, path := range paths {
			t.Run(scenario+"/"+name, func(t *testing.T) {
				_, page := webtest.Get(t, s.URL()+path, "Accept", "text/html")
				page = digest.ReplaceAllString(page, "${1}digest")
				webtest.GoldenPage(t, filepath.Join("testdata", scenario, name+".html"), page, *update)
			})
		}
	}
}
