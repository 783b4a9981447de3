package pages

import (
	"net/url"
	"strings"
	"testing"

	"muster/internal/api"
	"muster/internal/ui/webtest"
)

// TestFaultPage: the places with their figures, what can be read at a place, and readings in the address, without a job.
func TestFaultPage(t *testing.T) {
	s := serve(t, api.Options{Reports: webtest.NewReports(aboard(t)), Plans: plans(t, keelLayout)})
	_, page := webtest.Get(t, s.URL()+"/network")
	if !strings.Contains(page, `href="/fault/can0"`) {
		t.Fatal("the network page does not lead to the fault")
	}
	resp, page := webtest.Get(t, s.URL()+"/fault/can0")
	text := words(page)
	if resp.StatusCode != 200 || strings.Contains(page, "<i>helm") || strings.Contains(page, "style=") {
		t.Errorf("%d; the page holds markup of the layout, or inline style", resp.StatusCode)
	}
	for _, want := range []string{"The layout does not fit.", "unit open", "Measure or check next", "radar", "10.0 m · 0.20 A → 2 %", "bow 12.00 V, power feed · 7 %", "muster's interface"} {
		if !strings.Contains(text, want) {
			t.Errorf("the page does not say %q in\n%s", want, text)
		}
	}
	if strings.Count(page, `<figure class="picture live"`) != 1 || strings.Count(page, `class="trunk live"`) != 1 {
		t.Error("the drawing is not the one of the other pages, once across and once down the page")
	}
	for form, value := range map[string]string{"<i>helm</i>: … V": "11,2", "checked unit radar: faulty / OK": "OK",
		"signal wires at bow: … ohm": "open", "unplugged radar: errors gone / errors stay": "errors stay"} {
		q := url.Values{"read": {form}, "value": {value}, "place": {"bow"}, "reading": {"bow: 12 V"}}
		resp, page := webtest.Get(t, s.URL()+"/fault/can0?"+q.Encode())
		text := words(page)
		got := completed(form, value)
		if resp.StatusCode != 200 || !strings.Contains(page, `value="bow: 12 V"`) || strings.Count(page, `name="reading" value="`) < 2 {
			t.Errorf("%q: %d, without the readings\n%s", got, resp.StatusCode, text)
		}
		if !strings.Contains(text, "Read at bow") || !strings.Contains(text, "Measure the voltage between NET-S and NET-C: bow") {
			t.Errorf("nothing can be read at the place that was tapped:\n%s", text)
		}
	}
	for path, want := range map[string]int{"/fault/can9": 404, "/fault/can0?reading=bow": 422, "/fault/can0?at=nowhere": 422} {
		if resp, _ := webtest.Get(t, s.URL()+path); resp.StatusCode != want {
			t.Errorf("%s answers %d, want %d", path, resp.StatusCode, want)
		}
	}
}

// TestFaultWithoutLayout: without a layout the page asks for one.
func TestFaultWithoutLayout(t *testing.T) {
	s := serve(t, api.Options{Reports: webtest.NewReports(aboard(t))})
	_, page := webtest.Get(t, s.URL()+"/fault/can0")
	if !strings.Contains(words(page), "Without a layout muster cannot name the place.") {
		t.Error(words(page))
	}
}

// TestCompleted: what was typed becomes a reading as muster locate reads it.
func TestCompleted(t *testing.T) {
	for _, c := range [][3]string{
		{"tee 4: … V", "11,2", "tee 4: 11.2 V"},
		{"tee 4: … V", "11.2 v", "tee 4: 11.2 v"},
		{"signal wires at bow: … ohm", "open", "signal wires at bow: open"},
		{"signal wires at bow: … ohm", "3 kohm", "signal wires at bow: 3 kohm"},
		{"checked unit a / b: faulty / OK", "OK", "checked unit a / b: OK"},
	} {
		if got := completed(c[0], c[1]); got != c[2] {
			t.Errorf("%q with %q is %q, want %q", c[0], c[1], got, c[2])
		}
	}
}
