package pages

import (
	"encoding/json"
	"strings"
	"testing"

	"muster/internal/api"
	"muster/internal/backbone"
	"muster/internal/ui/webtest"
)

// plans gives the layouts of these texts.
func plans(t testing.TB, texts ...string) func() []*backbone.Plan {
	t.Helper()
	var list []*backbone.Plan
	for _, text := range texts {
		l, err := backbone.Parse(t.Context(), "", []byte(text))
		if err != nil {
			t.Fatal(err)
		}
		list = append(list, backbone.NewPlan(l))
	}
	return func() []*backbone.Plan { return list }
}

// keelLayout has a drop that is too long, on the network of the sample.
const keelLayout = `boat: Wagtail
segments: [{from: bow, to: <i>helm</i>, length: 10 m, cable: micro}]
tees: [{at: <i>helm</i>, drops: [{device: radar, model: nobody's, length: 7 m, load: 4}]}]
terminators: [bow, <i>helm</i>]
power: [{at: bow, voltage: 12 V, fuse: 3 A}]
coverage: [{quantity: depth}]
`

// TestBackbonePage: the network page shows the layout with its picture, its figures and the comparison with the
// network.
func TestBackbonePage(t *testing.T) {
	s := serve(t, api.Options{Reports: webtest.NewReports(aboard(t)), Plans: plans(t, keelLayout)})
	_, page := webtest.Get(t, s.URL()+"/network")
	if strings.Contains(page, "<i>helm") || strings.Contains(page, "style=") {
		t.Error("the page holds markup of the layout, or inline style")
	}
	text := words(page)
	for _, want := range []string{
		"Layout of the backbone Wagtail", "bow 12.00 V, power feed", "! radar 11.", "Along the backbone, in words bow 0.0 m 12.00 V, power feed, terminator 10.0 m micro, 0.20 A ↓",
		"warning Drop cable from <i>helm</i> to radar is 7.0 m (limit 6 m).", "Backbone length 10.0 m (limit 100 m) With drop cables beyond its ends 17.0 m (limit 100 m)", "in the layout, not on the network: radar",
		"depth", "Isolate power before you measure resistance",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("the page does not say %q in\n%s", want, text)
		}
	}
	if strings.Count(page, `role="img" aria-label="The backbone, 10.0 m, with its drop cables"`) != 1 {
		t.Error("there is not one picture with its name")
	}
}

// TestBackboneOfNoNetwork: a layout of a network that is not there is shown all the same, with a note.
func TestBackboneOfNoNetwork(t *testing.T) {
	s := serve(t, api.Options{Reports: webtest.NewReports(aboard(t)), Plans: plans(t, "network: can7\n"+keelLayout)})
	_, page := webtest.Get(t, s.URL()+"/network")
	if want := `The layout is not compared with the network: network "can7" was not received: write one of can0.`; !strings.Contains(words(page), want) {
		t.Errorf("the page does not say %q", want)
	}
	if strings.Contains(page, "Against the network") {
		t.Error("a network that is not there was held against the layout")
	}
}

func TestBackbonesAPI(t *testing.T) {
	s := serve(t, api.Options{Reports: webtest.NewReports(aboard(t)), Plans: plans(t, keelLayout, "network: can7\n"+keelLayout)})
	_, text := webtest.Get(t, s.URL()+api.Prefix+"/backbones")
	var list []backbone.Audit
	if err := json.Unmarshal([]byte(text), &list); err != nil || len(list) != 2 {
		t.Fatalf("%v: %.300s", err, text)
	}
	if a := list[0]; a.Network != "can0" || a.Live == nil || a.Findings[0].Check != "drop-cable-too-long" || len(a.Live.Missing) != 1 {
		t.Errorf("%+v", a)
	}
	if a := list[1]; a.Problem == "" || a.Live != nil {
		t.Errorf("%+v", a)
	}
	s = serve(t, api.Options{Reports: webtest.NewReports(aboard(t))})
	if _, text := webtest.Get(t, s.URL()+api.Prefix+"/backbones"); text != "[]\n" {
		t.Errorf("without a layout: %q", text)
	}
}

// TestCommissioningReport: the layout as compared with the network, for paper, with the job of the form.
func TestCommissioningReport(t *testing.T) {
	s := serve(t, api.Options{Reports: webtest.NewReports(aboard(t)), Plans: plans(t, keelLayout)})
	const job = "?network=can0&number=2026-9&technician=Ilse+%3Cb%3E&note=Mind+the+step."
	resp, page := webtest.Get(t, s.URL()+"/backbone/report"+job)
	text := words(page)
	for _, want := range []string{"Commissioning report 2026-9 of Wagtail", "Technician Ilse <b>", "in the layout, not on the network: radar", "Mind the step."} {
		if !strings.Contains(text, want) {
			t.Errorf("the report does not say %q in\n%s", want, text)
		}
	}
	if policy := resp.Header.Get("Content-Security-Policy"); strings.Contains(page, "Ilse <b>") || !strings.Contains(policy, "default-src 'none'") || strings.Contains(policy, "script") {
		t.Errorf("policy %q", policy)
	}
	resp, pdf := webtest.Get(t, s.URL()+"/backbone/report.pdf"+job)
	if resp.Header.Get("Content-Type") != "application/pdf" || !strings.HasPrefix(pdf, "%PDF-") {
		t.Errorf("%v: %.20q", resp.Header, pdf)
	}
	if resp, page := webtest.Get(t, s.URL()+"/backbone/report?network=can7"); resp.StatusCode != 404 || !strings.Contains(words(page), `layout of network "can7": there is none`) {
		t.Errorf("no such layout: %s %s", resp.Status, words(page))
	}
	if resp, _ := webtest.Get(t, s.URL()+"/backbone/report?number="+strings.Repeat("9", 81)); resp.StatusCode != 422 {
		t.Errorf("a number that is too long: %s", resp.Status)
	}
}
