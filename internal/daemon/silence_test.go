package daemon

import (
	"errors"
	"net/http"
	"strings"
	"testing"
	"time"

	"muster/internal/alert"
	"muster/internal/api"
	"muster/internal/event"
)

// TestSilencesByAPI: a silence is set, kept over a restart, and ended; what makes no sense is refused.
func TestSilencesByAPI(t *testing.T) {
	dir := t.TempDir()
	opt := keptOptions(t, dir)
	opt.Config.Listen = "127.0.0.1:0"
	d, stop := aboard(t, opt)
	eventually(t, func() bool { return d.model != nil && d.Ready() == nil })
	ask := func(d *Daemon, method, query, body string) int {
		t.Helper()
		req, err := http.NewRequestWithContext(t.Context(), method, d.URL()+"/api/v1/silences"+query, strings.NewReader(body))
		if err != nil {
			t.Fatal(err)
		}
		req.Header.Set("Content-Type", "application/json")
		resp, err := http.DefaultClient.Do(req)
		if err != nil {
			t.Fatal(err)
		}
		resp.Body.Close()
		http.DefaultClient.CloseIdleConnections()
		return resp.StatusCode
	}
	for _, bad := range []string{
		`{"for":"1h","by":"Rosa","why":"x"}`,
		`{"check":"silent","for":"2161h","by":"Rosa","why":"x"}`,
		`{"check":"silent","for":"soon","by":"Rosa","why":"x"}`,
		`{"check":"silent","for":"-1h","by":"Rosa","why":"x"}`,
		`{"check":"no-such","for":"1h","by":"Rosa","why":"x"}`,
		`{"alert":"silent:a","check":"silent","for":"1h","by":"Rosa","why":"x"}`,
		`{"check":"silent","for":"1h","by":" ","why":"x"}`,
		`{"check":"silent","for":"1h","by":"Rosa","why":"x","until":"2030"}`,
	} {
		if got := ask(d, "POST", "", bad); got != http.StatusUnprocessableEntity {
			t.Errorf("%s: %d", bad, got)
		}
	}
	if got := ask(d, "POST", "", `{"check":"silent","device":"a","for":"1h","by":"Rosa","why":"winter berth"}`); got != http.StatusCreated {
		t.Fatalf("set: %d", got)
	}
	if s := d.Desk().Silences(); len(s) != 1 || s[0].From < event.ClockSet || s[0].By != "Rosa" || s[0].Until.Sub(s[0].From) < time.Hour {
		t.Errorf("silences %+v", s)
	}
	stop()
	opt = keptOptions(t, dir)
	d, _ = aboard(t, opt)
	eventually(t, func() bool { return len(d.Desk().Silences()) == 1 })
	if err := d.Desk().EndSilence(t.Context(), alert.Silence{Check: "silent"}); !errors.Is(err, api.ErrNoSuch) {
		t.Errorf("another scope: %v", err)
	}
	if err := d.Desk().EndSilence(t.Context(), alert.Silence{Check: "silent", Device: "a"}); err != nil || len(d.Desk().Silences()) != 0 {
		t.Errorf("%v, %d left", err, len(d.Desk().Silences()))
	}
}
