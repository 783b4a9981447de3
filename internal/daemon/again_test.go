package daemon

import (
	"context"
	"encoding/json"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/rs/zerolog"

	"muster/internal/config"
	"muster/internal/report"
	"muster/internal/sim"
	"muster/internal/tap"
)

// openHeard opens a capture or a simulation as the command line does.
func openHeard(spec string, _ bool) (tap.Source, error) {
	return tap.Open(spec, tap.Options{Sim: func(name string) (tap.Source, error) {
		scenario, err := sim.Load(context.Background(), name)
		if err != nil {
			return nil, err
		}
		return sim.NewPlayer(sim.New(scenario, 1, t0), 0), nil
	}})
}

// TestJudgedAgain: a report that was written and read back has the alerts that its traffic gives when it is checked
// again.
func TestJudgedAgain(t *testing.T) {
	for source, span := range map[string]time.Duration{
		"testdata/boat.log": 0, "../capture/testdata/sample.candump": 0, "../capture/testdata/sample.pcap": 0,
		"../capture/testdata/sample.pcapng": 0, "../capture/testdata/sample.nmea0183": 0,
		"sim:demo": 5 * time.Minute, "sim:faults": 5 * time.Minute, "sim:fifty": 40 * time.Second, "sim:saturated": 20 * time.Second,
	} {
		t.Run(source, func(t *testing.T) {
			judged := func(known *report.Report) *report.Report {
				c := config.Default()
				c.Sources = []config.Source{{Source: source}}
				r, err := Replay(t.Context(), Options{Config: c, Log: zerolog.Nop(), Known: known, Open: openHeard}, span, nil)
				if err != nil {
					t.Fatal(err)
				}
				text, err := json.Marshal(r)
				if err != nil {
					t.Fatal(err)
				}
				var read report.Report
				if err := json.Unmarshal(text, &read); err != nil {
					t.Fatal(err)
				}
				read.Complete()
				return &read
			}
			written := judged(nil)
			if diff := cmp.Diff(written, judged(written)); diff != "" {
				t.Errorf("(-written +judged again)\n%s", diff)
			}
			if span > time.Minute && len(written.Alerts) == 0 {
				t.Error("no alert to compare")
			}
		})
	}
}
