package daemon

import (
	"encoding/json"
	"fmt"
	"net/http"
	"net/http/httptest"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"muster/internal/alert"
	"muster/internal/check"
	"muster/internal/config"
)

// amFake takes alerts as an Alertmanager does, unless it is down.
type amFake struct {
	mu   sync.Mutex
	down bool
	got  []string
	told []string // with the severity, each once until it changes
}

func (f *amFake) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	f.mu.Lock()
	defer f.mu.Unlock()
	var list []map[string]any
	if err := json.NewDecoder(r.Body).Decode(&list); err != nil || !strings.HasSuffix(r.URL.Path, "/api/v2/alerts") {
		w.WriteHeader(http.StatusBadRequest)
		return
	}
	if f.down {
		w.WriteHeader(http.StatusServiceUnavailable)
		return
	}
	for _, a := range list {
		word, labels := "stands", a["labels"].(map[string]any)
		if text, ok := a["endsAt"].(string); ok {
			if at, err := time.Parse(time.RFC3339, text); err != nil || !at.After(time.Now()) {
				word = "over"
			}
		}
		if line := fmt.Sprint(word, " ", labels["severity"], " ", labels["alert"]); !slices.Contains(f.told, line) {
			f.told = append(f.told, line)
		}
		if _, ok := a["startsAt"]; !ok {
			word += " without a start"
		}
		f.got = append(f.got, fmt.Sprint(word, " ", labels["alert"]))
	}
}

func (f *amFake) lines() []string {
	f.mu.Lock()
	defer f.mu.Unlock()
	return append([]string(nil), f.got...)
}

// TestAlertmanagerOutage: what came and went while it did not answer is reported when it does, once and in order, also by the next run.
func TestAlertmanagerOutage(t *testing.T) {
	dir := t.TempDir()
	run := func(f *amFake) (*Daemon, func()) {
		server := httptest.NewServer(f)
		opt := keptOptions(t, dir)
		opt.firstRetry = time.Millisecond
		opt.Config.Notify = []config.Target{{ID: "am", Alertmanager: server.URL, MinSeverity: check.Warning}}
		d, stop := aboard(t, opt)
		return d, func() {
			stop()
			server.Close() // waits for a request that the daemon gave up when it ended
		}
	}
	over := change(alert.Cleared, "a", false)
	over.Alert.State, over.Alert.Until, over.At = alert.StatusCleared, t0+1e9, t0+2e9
	unset := change(alert.Raised, "b", false)
	unset.At, unset.Alert.Since = 5e9, 1e9 // by a clock that starts in 1970
	d, stop := run(&amFake{down: true})
	tell(t, d, change(alert.Raised, "a", false), change(alert.Raised, "quiet", true), over)
	eventually(t, func() bool { return d.notifiers.list()[0].failed.Load() > 0 })
	stop()
	f := &amFake{}
	d, stop = run(f)
	tell(t, d, unset)
	// b is not in the report, so its end follows.
	want := []string{"stands a", "over a", "stands without a start b", "over without a start b"}
	eventually(t, func() bool { return len(f.lines()) >= len(want) })
	stop()
	if diff := cmp.Diff(want, f.lines()); diff != "" {
		t.Error(diff)
	}
}
