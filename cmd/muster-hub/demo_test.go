package main

import (
	"bufio"
	"encoding/json"
	"net/http"
	"os/exec"
	"strings"
	"syscall"
	"testing"

	"muster/internal/fleet/hub"
	"muster/internal/fleet/pages"
)

// TestDemo runs the demo as a visitor does: thirty boats in three marinas with a year of history, a campaign half done, two boats that are
// not heard, one to visit, the papers of last week's jobs, and two boats whose own pages answer, one with a search for a fault.
func TestDemo(t *testing.T) {
	if testing.Short() {
		t.Skip("long")
	}
	cmd := exec.Command("muster-hub", "demo", "--listen", "127.0.0.1:0")
	out, err := cmd.StdoutPipe()
	if err == nil {
		err = cmd.Start()
	}
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Signal(syscall.SIGTERM)
		if err := cmd.Wait(); err != nil {
			t.Errorf("the demo ended: %v", err)
		}
	})
	line, err := bufio.NewReader(out).ReadString('\n')
	if err != nil {
		t.Fatal(err)
	}
	_, line, _ = strings.Cut(line, " on ")
	url, _, _ := strings.Cut(line, " until")
	api := url + "/api/v1"

	var sum pages.Summary
	if !ask(api+"/fleet", &sum) || sum.Boats != 30 || sum.Verdicts[hub.Silent] != 2 || sum.Verdicts[hub.Visit] < 1 || sum.Verdicts[hub.Never] != 0 {
		t.Errorf("the fleet: %+v", sum)
	}
	var c pages.CampaignDetail
	if !ask(api+"/campaigns/LF9%20display", &c) || c.Counts.Behind < 20 || c.Counts.Current < 20 || len(c.Days) < 100 || c.Days[0].Behind != 60 {
		t.Errorf("the campaign: %+v, %d days", c.Counts, len(c.Days))
	}
	var list pages.BoatList
	if !ask(api+"/boats", &list) {
		t.Fatal("no boats")
	}
	marinas, records, oldest := map[string]int{}, 0, 0
	for _, row := range list.Boats {
		var b hub.Boat
		var past []hub.Past
		if !ask(api+"/boats/"+row.ID, &b) || !ask(api+"/boats/"+row.ID+"/history?limit=100", &past) {
			t.Fatalf("%s does not answer", row.ID)
		}
		marinas[b.Marina]++
		for _, p := range past {
			if p.Kind == "record" {
				records++
			}
		}
		if last := past[len(past)-1].Received; b.LastHeard.Sub(last).Hours() > 49*7*24 {
			oldest++
		}
		if b.Metrics != "" {
			resp, err := http.Get(strings.TrimSuffix(b.Metrics, "metrics"))
			if err != nil || resp.StatusCode != http.StatusOK {
				t.Errorf("the pages of %s: %v", b.ID, err)
				continue
			}
			resp.Body.Close()
		}
	}
	if len(marinas) != 3 || marinas[""] > 0 || records != 3 || oldest != 30 {
		t.Errorf("marinas %v, %d records, %d boats with a year of history", marinas, records, oldest)
	}
	var boat hub.Boat
	until(t, "both live boats are heard", func() bool {
		return ask(api+"/boats/sandpiper", &boat) && boat.Metrics != "" && ask(api+"/boats/wagtail", &hub.Boat{})
	})
	var job struct{ Search []json.RawMessage }
	until(t, "the search for the fault has a reading", func() bool {
		return ask(strings.TrimSuffix(boat.Metrics, "metrics")+"api/v1/job", &job) && len(job.Search) > 0
	})
}
