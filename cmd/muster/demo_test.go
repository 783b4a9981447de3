package main

import (
	"bufio"
	"bytes"
	"encoding/json"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"muster/internal/api"
	"muster/internal/ui/webtest"
)

// demoJob runs muster demo --job, twenty times as fast as the clock, and gives the address of its pages once the job waits there.
func demoJob(t *testing.T) string {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), "muster", "demo", "--job", "--speed", "20", "--listen", "127.0.0.1:0")
	out, err := cmd.StdoutPipe()
	webtest.Must(t, err)
	webtest.Must(t, cmd.Start())
	t.Cleanup(func() { _ = cmd.Wait() }) // the end of the context kills it
	lines := bufio.NewScanner(out)
	for lines.Scan() {
		if _, address, ok := strings.Cut(lines.Text(), "The job waits at its planning step on "); ok {
			go func() {
				for lines.Scan() { // it must never wait for its reader
				}
			}()
			return strings.TrimSuffix(address, "/work.")
		}
	}
	t.Fatal("it never said that the job waits")
	return ""
}

// theJob is the demo's job as it is now.
func theJob(t *testing.T, address string) *api.Job {
	t.Helper()
	j := new(api.Job)
	webtest.Must(t, json.Unmarshal(webtest.Fetch(t, address+"/api/v1/job"), j))
	return j
}

// walked checks a record for what a walk of the demo must have put there.
func walked(t *testing.T, address string) {
	t.Helper()
	j := theJob(t, address)
	if j.Stage != api.StageClosed || len(j.Work.Status) != 1 || j.Work.Status[0].Attempt != 1 || len(j.Work.Status[0].Settings) != 3 {
		t.Errorf("%s: %+v", j.Stage, j.Work.Status)
	}
	if text := string(webtest.Fetch(t, address+"/work/file?name=job.yaml")); !strings.Contains(text, "time_zone: "+demoZone) {
		t.Errorf("the boat has no time of its own: %s", text)
	}
	record := string(webtest.Fetch(t, address+"/work/file?name=record.html"))
	for _, want := range []string{"4.47 → 4.52, confirmed on the network", "A. Customer", "device instance 1 and system instance 0"} {
		if !strings.Contains(record, want) {
			t.Errorf("the record lacks %q", want)
		}
	}
}

// sameOrder makes the job's order again with the single command, from the files of the job.
func sameOrder(t *testing.T, address string) {
	t.Helper()
	dir := t.TempDir()
	webtest.Must(t, os.Mkdir(filepath.Join(dir, "sheets"), 0o755))
	for _, name := range []string{"before.json", "sheets/larkfin.yaml"} {
		webtest.Must(t, os.WriteFile(filepath.Join(dir, name), webtest.Fetch(t, address+"/work/file?name="+name), 0o644))
	}
	cmd := exec.CommandContext(t.Context(), "muster", "plan", "before.json", "--sheets", "sheets", "--format", "json")
	cmd.Dir = dir
	order, err := cmd.Output()
	webtest.Must(t, err)
	if !bytes.Equal(order, webtest.Fetch(t, address+"/work/file?name=order.json")) {
		t.Error("the page and the command line make another order")
	}
}

// TestDemoJob walks the job of the demo to its end with the forms of the pages alone, as a browser without script sends them.
func TestDemoJob(t *testing.T) {
	if testing.Short() {
		t.Skip("short")
	}
	address := demoJob(t)
	send := func(path string, fields url.Values) {
		t.Helper()
		fields.Set("by", "Ana")
		resp, err := http.PostForm(address+path, fields)
		webtest.Must(t, err)
		resp.Body.Close()
		if resp.StatusCode != http.StatusOK {
			t.Fatalf("%s %v: %s", path, fields, resp.Status)
		}
	}
	if j := theJob(t, address); j.Stage != api.StagePlan || j.Plan == nil {
		t.Fatalf("it waits at %s", j.Stage)
	}
	send("/work/act", url.Values{"do": {"plan"}})
	sameOrder(t, address)
	for _, p := range theJob(t, address).Points {
		send("/work/entry", url.Values{"kind": {"hold-point"}, "point": {p.ID}})
	}
	for end := time.Now().Add(2 * time.Minute); theJob(t, address).Stage != api.StageAfter; time.Sleep(100 * time.Millisecond) {
		if time.Now().After(end) {
			t.Fatalf("%+v", theJob(t, address).Work.Status)
		}
	}
	send("/work/act", url.Values{"do": {"after"}})
	send("/work/entry", url.Values{"kind": {"hours"}, "hours": {"1.5"}})
	send("/work/entry", url.Values{"kind": {"signed-off"}, "customer": {"A. Customer"}})
	send("/work/act", url.Values{"do": {"close"}})
	walked(t, address)
}

// TestDemoJobOnPhone walks it in a browser of a phone's size.
func TestDemoJobOnPhone(t *testing.T) {
	if testing.Short() {
		t.Skip("short")
	}
	p := &webtest.Hand{T: t, Ctx: webtest.Browser(t)}
	address := demoJob(t)
	webtest.Show(t, p.Ctx, address+"/work", webtest.Phone, false)
	p.Tap("#act-plan", "by", "Ana")
	for _, point := range theJob(t, address).Points {
		p.Tap("#entry-point-" + point.ID)
	}
	p.Says("1 of 1 step done")
	p.Tap("#act-after")
	p.Tap("#entry-hours", "hours", "1.5")
	p.Tap("#entry-sign", "customer", "A. Customer")
	p.Tap("#act-close")
	p.Says("The job is closed")
	walked(t, address)
	if p.Taps > 12 {
		t.Errorf("%d taps", p.Taps)
	}
}
