package pages

import (
	"strings"
	"testing"
	"time"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/render"
	"muster/internal/report"
	"muster/internal/ui"
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

// TestUnitPage: the page of a unit shows its functions and its life, each with from and until, with links to the unit whose place it took
// and the one that took its place.
func TestUnitPage(t *testing.T) {
	r := webtest.FindUnits(webtest.Sample(t))
	u, other := &r.Units[0], &r.Units[1]
	first := u.Presences[0]
	second := *first
	second.ID, second.Name = "C0788C00FA2000FF", &boat.Name{DeviceFunction: boat.Coded{Code: 145, Name: "Ownship Position"}}
	first.Name = &boat.Name{DeviceFunction: boat.Coded{Code: 130, Name: "Display"}}
	u.Presences, u.Why = append(u.Presences, &second), []boat.Reason{boat.BySerial}
	from := r.TakenAt.Add(-time.Hour)
	past := boat.Span{From: from, Until: r.TakenAt}
	u.Life = boat.Life{
		Software: []boat.Ran{{Version: "4.47", Span: past}, {Version: "4.52", Span: boat.Span{From: r.TakenAt}}},
		Names:    []boat.NameUse{{ID: second.ID, Network: "can7", Span: past}}, Addresses: []boat.AddressSpell{{Network: "can7", Address: 99, Span: past}},
		Instances: []boat.InstanceUse{{Function: "Display", DeviceInstance: 6, Span: past}}, Restarts: 3, Restarted: []event.Time{from},
		Absences: []boat.Span{past}, Replaces: other.ID, ReplacesSince: from, ReplacedBy: "gone <b>", ReplacedSince: r.TakenAt,
	}
	var body strings.Builder
	p := devicePage{Device: &u.Device}
	if err := p.show(&view{Showing: ui.Showing{Report: r}}).Render(&body); err != nil {
		t.Fatal(err)
	}
	page := words(body.String())
	a, b := render.Stamp(from), render.Stamp(r.TakenAt)
	for _, want := range []string{
		"function Display function Ownship Position", "NAME " + second.ID + " used now",
		"one unit because same manufacturer, product and serial number",
		"software 4.47 " + a + " to " + b, "software 4.52 since " + b, "NAME " + second.ID + " on can7 " + a + " to " + b,
		"address 99 on can7 " + a + " to " + b, "device instance 6, system instance 0, Display " + a + " to " + b, "restarts 3", "restarted " + a,
		"absent " + a + " to " + b, "replaces " + other.Device.Label() + " since " + a, "replaced by gone <b> since " + b,
	} {
		if !strings.Contains(page, want) {
			t.Errorf("no %q", want)
		}
	}
	if link := `href="/devices/` + other.ID; !strings.Contains(body.String(), link) {
		t.Errorf("no %s", link)
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
