package render

import (
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/report"
)

// TestEvidence: evidence is words and values with their units, units by their titles, messages by theirs; no key of the JSON shows.
func TestEvidence(t *testing.T) {
	r := &report.Report{Schema: report.V2, Devices: []report.Device{{ID: "C0788C00FA200001", State: boat.Present, Product: &boat.Product{Model: "LF9 display"}}},
		Talkers: []report.Talker{{Network: "gps", Talker: "GP"}}}
	r.Complete()
	for _, tt := range []struct {
		evidence map[string]any
		want     string
	}{
		{map[string]any{"messages": map[string]any{"130306": map[string]any{"count": 23, "interval_ms": 1502.5, "nominal_ms": 100.0}}, "factor": 5.0},
			"limit (multiple of the interval): 5; messages: Wind Data (PGN 130306) (messages received 23, interval 1502.5 ms, published interval 100 ms)"},
		{map[string]any{"sentences": map[string]any{"MTW": map[string]any{"count": 23.0, "since_last_ms": int64(4047)}}},
			"sentences: MTW (messages received 23, time since the last one 4047 ms)"},
		{map[string]any{"load": 0.95, "limit": 0.75, "asked": false}, "asked by muster: no; limit: 75.0 %; load: 95.0 %"},
		{map[string]any{"volts": 9.93, "limit": 10.5, "message": "127508/0"}, "limit: 10.5 V; message: Battery Status (PGN 127508) instance 0; voltage: 9.93 V"},
		{map[string]any{"difference": 40.05, "unit": "deg", "tolerance": 10, "values": map[string]any{"C0788C00FA200001": 15.5, "gps/GP": 55.55}},
			"difference: 40.05°; tolerance: 10°; values: LF9 display (15.5°), GP on gps (55.55°)"},
		{map[string]any{"difference": 1112.7, "unit": "m", "values": map[string]any{"gps/GP": []any{50.05, -4.89}}},
			"difference: 1112.7 m; values: GP on gps (50° 03.0000′ N, 004° 53.4000′ W)"},
		{map[string]any{"messages": []any{"126992", "129025", "4711"}, "lag_ms": 100}, "delay: 100 ms; messages: System Time (PGN 126992), Position, Rapid Update (PGN 129025), 4711"},
	} {
		_, details := Evidence(r, &alert.Alert{Devices: []string{"C0788C00FA200001"}, Evidence: tt.evidence})
		var words []string
		for _, d := range details {
			words = append(words, d.Name+": "+d.Text)
		}
		if d := cmp.Diff(tt.want, strings.Join(words, "; ")); d != "" {
			t.Error("(-want +got)", d)
		}
	}
}
