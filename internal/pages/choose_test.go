package pages_test

import (
	"bytes"
	"fmt"
	"net/http"
	"net/url"
	"os"
	"slices"
	"strings"
	"testing"

	"muster/internal/api"
	"muster/internal/daemon"
	"muster/internal/daemon/daemontest"
	"muster/internal/release"
	"muster/internal/snapshot"
	"muster/internal/ui/webtest"
)

// TestChoose chooses units, releases and turns on a phone, and again: the order is the one that the sheets and that choice make.
func TestChoose(t *testing.T) {
	if testing.Short() {
		t.Skip("short")
	}
	p := &phone{webtest.Hand{T: t, Ctx: webtest.Browser(t)}}
	d := daemontest.Demo(t, "demo", 20, nil)
	daemontest.Until(t, "the displays differ", func() bool { return daemontest.OpenAlert(d, "software-differs") })
	webtest.Show(t, p.Ctx, d.URL()+"/work", webtest.Phone, false)
	p.Tap("#new-job", "by", "Ana", "number", "7")
	steps := d.Desk().Job().Plan.Steps()
	if len(steps) < 3 {
		t.Fatalf("%d steps", len(steps))
	}
	p.pictured("choose")
	turn := func(serial, n string) {
		i := slices.IndexFunc(steps, func(s *release.Step) bool { return s.Device.Serial == serial })
		webtest.Script[int](t, p.Ctx, fmt.Sprintf("document.querySelectorAll('#act-plan [name=turn]')[%d].value = %q, 0", i, n))
	}
	turn("RVK-008127", "3")
	p.Tap("#act-plan")
	radar := func() string {
		for _, s := range d.Desk().Job().Work.Order.Steps() {
			if s.Device.Serial == "RVK-008127" {
				return s.ID
			}
		}
		return ""
	}
	if radar() != "3.1" {
		t.Errorf("the radar is step %q", radar())
	}
	p.pictured("chosen")
	webtest.Poll(t, p.Ctx, "!!document.querySelector('#act-plan')")
	webtest.Script[int](t, p.Ctx, "document.querySelector('#act-plan [value=\""+steps[1].Device.ID+"\"][name=unit]').checked = false, 0")
	p.Tap("#act-plan")
	j := d.Desk().Job()
	if len(j.Work.Order.Steps()) != 2 || !slices.ContainsFunc(j.Work.Order.Deferred, func(r release.Remark) bool { return r.Why == "left out by Ana" }) {
		t.Errorf("%d steps, deferred %v", len(j.Work.Order.Steps()), j.Work.Order.Deferred)
	}
	sameBytes(t, d, release.Choice{By: "Ana", Without: []string{steps[1].Device.ID}, Turns: turnsOf(j)})
	refusedChoices(t, d, steps)
}

// turnsOf are the turns that the last form sent, which shows those of the order before.
func turnsOf(j *api.Job) map[string]int {
	turns := map[string]int{}
	for _, s := range j.Work.Order.Steps() {
		turns[s.Device.ID] = 1
		if s.Device.Serial == "RVK-008127" {
			turns[s.Device.ID] = 3
		}
	}
	return turns
}

// sameBytes makes the order of the job again, as the command line does.
func sameBytes(t *testing.T, d *daemon.Daemon, c release.Choice) {
	t.Helper()
	files, err := release.ReadFS(t.Context(), os.DirFS("../../deploy/sheets"), "sheets")
	webtest.Must(t, err)
	sheets, err := release.Load(t.Context(), files...)
	webtest.Must(t, err)
	data, err := d.Desk().JobFile(t.Context(), "before.json")
	webtest.Must(t, err)
	before, err := snapshot.Decode(data)
	webtest.Must(t, err)
	webtest.Must(t, c.Resolve(before.Report, sheets))
	o, _ := release.Plan(before.Report, "sha256:"+before.Seal.SHA256, "", sheets, release.Options{Choice: c})
	want, err := o.JSON()
	webtest.Must(t, err)
	got, err := d.Desk().JobFile(t.Context(), "order-2.json")
	webtest.Must(t, err)
	if at := order(d); at != "order-2.json" || !bytes.Equal(got, want) {
		t.Errorf("%s is not the order of that choice:\n%s", at, got)
	}
}

// order names the job's latest order.
func order(d *daemon.Daemon) (name string) {
	for _, f := range d.Desk().Job().Files {
		if f.What == "order" {
			name = f.File
		}
	}
	return name
}

// refusedChoices sends what cannot be chosen: the order stays.
func refusedChoices(t *testing.T, d *daemon.Daemon, steps []*release.Step) {
	t.Helper()
	id := steps[0].Device.ID
	for want, form := range map[string]url.Values{
		"enter 1 or more":                       {"proposed": {id}, "unit": {id}, "release": {steps[0].To}, "group": {"1"}, "turn": {"0"}},
		"is not to be chosen":                   {"proposed": {id}, "unit": {id}, "release": {"9.9"}, "group": {"1"}, "turn": {"1"}},
		"tick a unit that is to be":             {"proposed": {id}, "release": {steps[0].To}, "group": {"1"}, "turn": {"1"}},
		"there is none of this id or serial nu": {"proposed": {"x"}, "unit": {"x"}, "release": {"1"}, "group": {"1"}, "turn": {"1"}},
	} {
		form.Set("do", "plan")
		form.Set("by", "Ana")
		resp, err := http.PostForm(d.URL()+"/work/act", form)
		webtest.Must(t, err)
		var page bytes.Buffer
		_, err = page.ReadFrom(resp.Body)
		webtest.Must(t, err)
		resp.Body.Close()
		if !strings.Contains(page.String(), want) || order(d) != "order-2.json" {
			t.Errorf("%v: %s, %s", form, resp.Status, order(d))
		}
	}
}
