package pages

import (
	"net/url"
	"testing"

	"github.com/google/go-cmp/cmp"

	"muster/internal/api"
	"muster/internal/ui/webtest"
)

// TestAlertForms: the alerts of a row, one of them or those of several rows are acknowledged, silenced and opened again together; one that
// cleared meanwhile leaves the others.
func TestAlertForms(t *testing.T) {
	for _, tt := range []struct {
		path string
		form url.Values
		want []string
	}{
		{"acknowledge", url.Values{"alert": {"software-differs:a\r\nsoftware-differs:b c", "software-differs:a"}, "by": {"Jo"}}, []string{"software-differs:a Jo", "software-differs:b c Jo"}},
		{"acknowledge", url.Values{"alert": {"silent:over", "software-differs:b"}, "by": {"Jo"}}, []string{"software-differs:b Jo"}},
		{"silence", url.Values{"alert": {"silent:a", "silent:b"}, "by": {"Jo"}, "for": {"8h"}, "why": {"laid up"}}, []string{"silent:a for 8h0m0s Jo", "silent:b for 8h0m0s Jo"}},
		{"reopen", url.Values{"alert": {"silent:a\nsilent:b"}}, []string{"silent:a again", "silent:b again"}},
	} {
		desk := &fakeDesk{}
		s := serve(t, api.Options{Reports: webtest.NewReports(webtest.Sample(t)), Desk: desk})
		resp, page := webtest.Ask(t, "POST", s.URL()+"/alerts/"+tt.path, tt.form.Encode(), "Content-Type", "application/x-www-form-urlencoded")
		if resp.StatusCode != 303 {
			t.Errorf("%s: %s %.300s", tt.path, resp.Status, page)
		}
		if diff := cmp.Diff(tt.want, desk.told); diff != "" {
			t.Errorf("%s: %s", tt.path, diff)
		}
	}
	desk := &fakeDesk{}
	s := serve(t, api.Options{Reports: webtest.NewReports(webtest.Sample(t)), Desk: desk})
	for form, want := range map[string]int{"by=Jo": 422, "alert=silent:x&by=Jo": 404, "alert=silent:x&alert=silent:y&by=Jo": 404} {
		resp, _ := webtest.Ask(t, "POST", s.URL()+"/alerts/acknowledge", form, "Content-Type", "application/x-www-form-urlencoded")
		if resp.StatusCode != want || len(desk.told) > 0 {
			t.Errorf("%s: %s, want %d; %q", form, resp.Status, want, desk.told)
		}
	}
}
