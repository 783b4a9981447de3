package pages

import (
	"strings"
	"testing"

	"muster/internal/boat"
	"muster/internal/render"
	"muster/internal/report"
	"muster/internal/ui/webtest"
)

// TestUnitSheet: a unit of several NAMEs shows them and what they are joined by; one of a single NAME shows nothing more.
func TestUnitSheet(t *testing.T) {
	u := &report.Unit{ID: "a", Why: []boat.Reason{boat.BySerial}, Presences: []*report.Device{{ID: "b"}, {ID: "a", Left: true}}}
	var b strings.Builder
	if err := unitSheet(u).Render(&b); err != nil {
		t.Fatal(err)
	}
	if got, want := words(b.String()), "NAME b used now NAME a used before one unit because same manufacturer, product and serial number"; got != want {
		t.Errorf("%q, want %q", got, want)
	}
	if unitSheet(&report.Unit{ID: "a", Presences: u.Presences[:1]}) != nil {
		t.Error("a sheet for one NAME")
	}
}

// commandedUnit is a boat on whose first unit others set something over the network, and the id of its unit.
func commandedUnit(t *testing.T) (*report.Report, string) {
	t.Helper()
	r := webtest.FindUnits(aboard(t))
	sender, unit := &r.Devices[1], &r.Units[0]
	to := unit.Presences[0].ID
	command := boat.RemoteSetting{At: r.TakenAt, Network: "can0", From: sender.ID, FromAddress: 1, To: to, ToAddress: 40, PGN: 60928,
		What: "device instance 3 <b>"}
	for _, outcome := range []boat.Outcome{boat.Accepted, boat.Refused, ""} {
		command.Outcome, command.Why = outcome, "busy"
		unit.Life.Commands = append(unit.Life.Commands, command)
	}
	return r, unit.ID
}

func commandedSection(t *testing.T) string {
	t.Helper()
	r, id := commandedUnit(t)
	var b strings.Builder
	if err := commandList(r, id).Render(&b); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// TestCommandsOfAUnit: the page of a unit says who set what on it, when, and how that was answered.
func TestCommandsOfAUnit(t *testing.T) {
	section := commandedSection(t)
	r, _ := commandedUnit(t)
	for _, want := range []string{">Settings changed over the network</h2>", r.TakenAt.UTC().Format("2006-01-02 15:04:05 UTC"),
		render.DeviceTitle(&r.Devices[1]), "device instance 3 &lt;b&gt; – accepted<", "– refused: busy<", "– not answered<"} {
		if !strings.Contains(section, want) {
			t.Errorf("no %q in %s", want, section)
		}
	}
	if n := strings.Count(section, "<li>"); n != 3 {
		t.Errorf("%d lines", n)
	}
	if commandList(r, r.Units[1].ID) != nil {
		t.Error("a section for a unit that nobody set anything on")
	}
}
