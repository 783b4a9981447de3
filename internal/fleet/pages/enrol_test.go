package pages

import (
	"net/http"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"muster/internal/fleet/trust"
	"muster/internal/ui/webtest"
)

func keys(t *testing.T) *trust.Trust {
	t.Helper()
	k, err := trust.Open(filepath.Join(t.TempDir(), "trust"))
	must(t, err)
	return k
}

// TestEnrol: the page makes a code and shows it once, with the address of the hub as people reach it; the list shows what became of codes.
func TestEnrol(t *testing.T) {
	k := keys(t)
	s := serve(t, fakeBoats(t), func(o *Options) { o.Trust, o.ExternalURL = k, "https://hub.example.org/" })
	form := func(path, body string) (*http.Response, string) {
		return webtest.Ask(t, http.MethodPost, s.URL()+path, body, "Content-Type", "application/x-www-form-urlencoded")
	}
	resp, page := form("/enrol", "boat=wagtail&marina=Tern+Quay")
	code := regexp.MustCompile(`muster join https://hub\.example\.org/join/[2-9A-Z]{4}-[2-9A-Z]{4}-[2-9A-Z]{4}<`).FindString(page)
	if resp.StatusCode != http.StatusOK || code == "" || !strings.Contains(page, "<svg") {
		t.Fatalf("%s: %s", resp.Status, page)
	}
	_, list := get(t, s.URL()+"/enrol")
	if strings.Contains(list, "/join/") || !strings.Contains(list, "Tern Quay") || !strings.Contains(list, "open until") {
		t.Errorf("the list of codes: %s", list)
	}
	webtest.GoldenPage(t, filepath.Join("testdata", "odd", "enrol.html"), list, *update)
	if resp, page := form("/enrol", "boat=Wag+Tail"); resp.StatusCode != http.StatusUnprocessableEntity || !strings.Contains(page, "lower-case letters") {
		t.Errorf("a bad id: %s", resp.Status)
	}

	if _, err := k.Enroll("dunlin", noon); err != nil {
		t.Fatal(err)
	}
	if resp, _ := form("/boats/dunlin/revoke", "why=sold"); resp.StatusCode != http.StatusSeeOther && resp.StatusCode != http.StatusOK {
		t.Errorf("revoke: %s", resp.Status)
	}
	if boats, _, _ := k.Boats(); len(boats) != 1 || boats[0].Why != "sold" {
		t.Errorf("%+v", boats)
	}
	for _, tt := range []struct {
		path, body string
		status     int
	}{{"codes", `{"boat":"plover"}`, 200}, {"codes", `{"boat":"Plover"}`, 422}, {"codes", `{}`, 422},
		{"boats/dunlin/revoke", `{}`, 409}, {"boats/nobody/revoke", `{}`, 404}, {"join", `{"code":"2222","key":"x"}`, 403}, {"join", `{`, 400}} {
		resp, body := webtest.Ask(t, http.MethodPost, s.URL()+"/api/v1/"+tt.path, tt.body, "Content-Type", "application/json")
		if resp.StatusCode != tt.status || tt.status >= 400 && resp.Header.Get("Content-Type") != "application/problem+json" {
			t.Errorf("%s %s: %s %s", tt.path, tt.body, resp.Status, body)
		}
	}
}

// TestEnrolNeedsTheToken: codes are made and boats revoked by those who may act only; a boat that joins needs no token but its code.
func TestEnrolNeedsTheToken(t *testing.T) {
	k := keys(t)
	s := serve(t, fakeBoats(t), func(o *Options) { o.Trust, o.Token, o.ReadToken = k, "open", "look" })
	for _, path := range []string{"/enrol", "/boats/wagtail/revoke", "/api/v1/codes", "/api/v1/boats/wagtail/revoke"} {
		for token, want := range map[string]int{"": http.StatusUnauthorized, "look": http.StatusForbidden} {
			resp, _ := webtest.Ask(t, http.MethodPost, s.URL()+path, `{"boat":"wagtail"}`, "Content-Type", "application/json", "Authorization", "Bearer "+token)
			if resp.StatusCode != want {
				t.Errorf("%s with token %q: %s", path, token, resp.Status)
			}
		}
	}
	if codes, err := k.Codes(); err != nil || len(codes) != 0 {
		t.Errorf("made without the right: %+v, %v", codes, err)
	}
	if resp, body := webtest.Ask(t, http.MethodPost, s.URL()+"/api/v1/join", `{"code":"2222-2222-2222","key":"x"}`, "Content-Type", "application/json"); resp.StatusCode != http.StatusForbidden || !strings.Contains(body, "key of the boat computer") {
		t.Errorf("join without a token: %s %s", resp.Status, body)
	}
}
