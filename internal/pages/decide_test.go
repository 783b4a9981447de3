package pages

import (
	"context"
	"net/http"
	"slices"
	"strings"
	"testing"

	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/ui/webtest"
)

// decidingDesk keeps what is decided.
type decidingDesk struct {
	api.NoDesk
	list []boat.Decision
}

func (d *decidingDesk) Decisions() []boat.Decision { return d.list }

func (d *decidingDesk) Decide(_ context.Context, x boat.Decision) error {
	d.list = append(d.list, x)
	return nil
}

func (d *decidingDesk) Undecide(_ context.Context, a, b string) error {
	d.list = slices.DeleteFunc(d.list, func(x boat.Decision) bool { return x.Of(a, b) })
	return nil
}

// TestDecideByHand: on the page of a unit a person decides with which other it is one unit or two, sees what is decided, and removes it.
func TestDecideByHand(t *testing.T) {
	desk := &decidingDesk{}
	s := serve(t, api.Options{Reports: webtest.NewReports(webtest.Sample(t)), Desk: desk})
	const page, one, other = "/devices/C0788C00FA200001", "C0788C00FA200001", "C0788C00FA200002"
	post := func(action, body string) (*http.Response, string) {
		return webtest.Ask(t, http.MethodPost, s.URL()+page+action, body, "Content-Type", "application/x-www-form-urlencoded")
	}
	shows := func(present bool, words ...string) {
		t.Helper()
		_, body := webtest.Ask(t, http.MethodGet, s.URL()+page, "", "Accept", "text/html")
		for _, w := range words {
			if strings.Contains(body, w) != present {
				t.Errorf("the page shows %q: %v", w, !present)
			}
		}
	}
	listed := `<code>` + one + `</code> and <code>` + other + `</code> are two units · by Ana`
	shows(true, "One unit or two", `<option value="`+other+`">`)
	shows(false, listed)
	if resp, body := post("/decide", "other="+other+"&same=no&by=+"); resp.StatusCode != http.StatusUnprocessableEntity ||
		!strings.Contains(body, "by: enter your name") || !strings.Contains(body, `<option value="no" selected>`) {
		t.Errorf("nobody decides: %s", resp.Status)
	}
	if resp, body := post("/decide", "other="+one+"&same=yes&by=Ana"); resp.StatusCode != http.StatusUnprocessableEntity ||
		!strings.Contains(body, "give the id of another unit") {
		t.Errorf("a unit with itself: %s", resp.Status)
	}
	if resp, _ := post("/decide", "other="+other+"&same=no&by=Ana"); resp.Header.Get("Location") != page+"?said=decided" {
		t.Errorf("decided: %s, %s", resp.Status, resp.Header.Get("Location"))
	}
	if len(desk.list) != 1 || desk.list[0] != (boat.Decision{A: one, B: other, By: "Ana"}) {
		t.Fatalf("decided %+v", desk.list)
	}
	shows(true, listed, "Remove decision")
	if resp, _ := post("/undecide", "a="+one+"&b="+other); resp.Header.Get("Location") != page+"?said=undecided" {
		t.Errorf("removed: %s, %s", resp.Status, resp.Header.Get("Location"))
	}
	shows(false, listed)
}
