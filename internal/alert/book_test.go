package alert

import (
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"

	"muster/internal/check"
	"muster/internal/event"
)

const t0 = event.Time(1_700_000_000 * 1e9)

func at(seconds int) event.Time { return t0.Add(time.Duration(seconds) * time.Second) }

func finding(id, subject string, hold time.Duration) check.Finding {
	return check.Finding{Check: id, Subject: subject, Severity: check.Warning, Hold: hold, Devices: []string{subject}, Network: "can0", Summary: id}
}

// step is one update: the subjects that are found at that second, and the changes expected.
type step struct {
	second int
	found  []check.Finding
	want   []string // kind id, with "(silenced)"
}

func words(changes []Change) []string {
	var out []string
	for _, c := range changes {
		w := fmt.Sprintf("%s %s", c.Kind, c.Alert.ID)
		if c.Silenced {
			w += " (silenced)"
		}
		out = append(out, w)
	}
	return out
}

func TestBook(t *testing.T) {
	settings := Settings{Clear: 20 * time.Second, FlapCount: 3, FlapWindow: 10 * time.Minute, FlapClear: 2 * time.Minute}
	held := finding("silent", "a", 20*time.Second)
	now := finding("bus-off", "can0", 0)
	old := held
	old.Since = at(-100)
	worse := now
	worse.Severity = check.Critical
	is := func(f ...check.Finding) []check.Finding { return f }
	tests := []struct {
		name  string
		steps []step
	}{
		{"raised after its hold, cleared after it stayed away", []step{
			{0, is(held), nil}, {10, is(held), nil}, {20, is(held), []string{"raised silent:a"}}, {30, is(held), nil},
			{40, nil, nil}, {50, nil, nil}, {60, nil, []string{"cleared silent:a"}}, {70, nil, nil},
		}},
		{"a finding that does not last makes no alert", []step{{0, is(held), nil}, {10, nil, nil}, {20, is(held), nil}, {30, is(held), nil}, {35, nil, nil}}},
		{"the hold counts from what the evidence shows", []step{{0, is(old), []string{"raised silent:a"}}}},
		{"no hold", []step{{0, is(now), []string{"raised bus-off:can0"}}}},
		{"a short absence does not clear", []step{{0, is(now), []string{"raised bus-off:can0"}}, {10, nil, nil}, {20, is(now), nil}, {30, nil, nil}, {40, is(now), nil}}},
		{"severity changes once", []step{
			{0, is(now), []string{"raised bus-off:can0"}}, {10, is(worse), []string{"regraded bus-off:can0"}}, {20, is(worse), nil},
		}},
		{"after a clear, evidence from before it does not count", []step{
			{0, is(old), []string{"raised silent:a"}}, {10, nil, nil}, {30, nil, []string{"cleared silent:a"}},
			{40, is(old), nil}, {60, is(old), []string{"raised silent:a"}},
		}},
		{"the same finding twice in one update", []step{{0, is(now, now), []string{"raised bus-off:can0"}}}},
		{"flapping is damped", []step{
			{0, is(now), []string{"raised bus-off:can0"}}, {10, nil, nil}, {30, nil, []string{"cleared bus-off:can0"}},
			{40, is(now), []string{"raised bus-off:can0"}}, {50, nil, nil}, {70, nil, []string{"cleared bus-off:can0"}},
			{80, is(now), []string{"raised bus-off:can0"}}, {90, nil, nil}, {110, nil, nil}, {120, is(now), nil}, {130, nil, nil}, {240, nil, nil},
			{250, nil, []string{"cleared bus-off:can0"}},
		}},
		{"time that goes back starts the hold anew", []step{
			{1000, is(held), nil}, {0, is(held), nil}, {10, is(held), nil}, {20, is(held), []string{"raised silent:a"}},
		}},
		{"changes are sorted", []step{{0, is(now, old), []string{"raised bus-off:can0", "raised silent:a"}}, {10, nil, nil},
			{30, nil, []string{"cleared bus-off:can0", "cleared silent:a"}}}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			b := New(settings)
			for _, s := range tt.steps {
				if diff := cmp.Diff(s.want, words(b.Update(at(s.second), s.found))); diff != "" {
					t.Errorf("second %d (-want +got)\n%s", s.second, diff)
				}
			}
		})
	}
}

func TestAlertFields(t *testing.T) {
	b := New(DefaultSettings())
	f := finding("silent", "a", time.Minute)
	f.Since = at(-120)
	f.Steps = []check.Step{{Class: check.Change, Text: "Connect it."}}
	b.Update(at(0), []check.Finding{f})
	want := []Alert{{ID: "silent:a", Check: "silent", Severity: check.Warning, State: StatusOpen, Since: at(-120), Devices: []string{"a"},
		Network: "can0", Summary: "silent", Remedy: "Connect it.", Steps: f.Steps}}
	if diff := cmp.Diff(want, b.Alerts()); diff != "" {
		t.Fatalf("open (-want +got)\n%s", diff)
	}
	change, err := b.Acknowledge("silent:a", "Rosa", at(5))
	if err != nil || change.Kind != Acknowledged {
		t.Fatalf("acknowledge: %v, %v", change, err)
	}
	want[0].State, want[0].AcknowledgedBy, want[0].AcknowledgedAt = StatusAcknowledged, "Rosa", at(5)
	if diff := cmp.Diff(want, b.Alerts()); diff != "" {
		t.Fatalf("acknowledged (-want +got)\n%s", diff)
	}
	change, err = b.Unacknowledge("silent:a", at(6))
	if err != nil || change.Kind != Reopened || b.Alerts()[0].Quiet() {
		t.Fatalf("take back: %v, %v", change, err)
	}
	if _, err := b.Unacknowledge("silent:a", at(6)); !errors.Is(err, ErrUnknown) {
		t.Errorf("take back twice: %v", err)
	}
	if _, err = b.Acknowledge("silent:a", "Rosa", at(5)); err != nil || !b.Alerts()[0].Quiet() {
		t.Fatalf("acknowledge again: %v", err)
	}
	b.Update(at(10), nil)
	b.Update(at(40), nil)
	want[0].State, want[0].Until = StatusCleared, at(10)
	if diff := cmp.Diff(want, b.Alerts()); diff != "" {
		t.Fatalf("cleared (-want +got)\n%s", diff)
	}
	if _, err := b.Acknowledge("silent:a", "Rosa", at(50)); !errors.Is(err, ErrUnknown) {
		t.Errorf("acknowledge a cleared alert: %v", err)
	}
	if _, err := b.Acknowledge("silent:a", "", at(50)); err == nil {
		t.Error("acknowledged by nobody")
	}
}

func TestAlertsWorstFirst(t *testing.T) {
	b := New(DefaultSettings())
	list := []check.Finding{finding("silent", "b", 0), finding("silent", "a", 0), finding("bus-load-high", "can0", 0), finding("bus-off", "can0", 0), finding("multiple-sources", "x", 0)}
	list[3].Severity = check.Critical
	list[4].Severity = check.Info
	b.Update(at(0), list)
	var got []string
	for _, a := range b.Alerts() {
		got = append(got, a.ID)
	}
	if diff := cmp.Diff([]string{"bus-off:can0", "bus-load-high:can0", "silent:a", "silent:b", "multiple-sources:x"}, got); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
}

func TestSilence(t *testing.T) {
	a, c := finding("silent", "a", 0), finding("bus-off", "c", 0)
	b := New(Settings{})
	if err := b.Silence(Silence{Device: "a", From: at(0), Until: at(60), By: "Rosa", Why: "unplugged for work"}); err != nil {
		t.Fatal(err)
	}
	for _, s := range []step{
		{0, []check.Finding{a, c}, []string{"raised bus-off:c", "raised silent:a (silenced)"}},
		{30, []check.Finding{c}, []string{"cleared silent:a (silenced)"}},
		{40, []check.Finding{a, c}, []string{"raised silent:a (silenced)"}},
		{60, []check.Finding{a, c}, []string{"unsilenced silent:a"}},
		{70, []check.Finding{c}, []string{"cleared silent:a"}},
	} {
		if diff := cmp.Diff(s.want, words(b.Update(at(s.second), s.found))); diff != "" {
			t.Errorf("second %d (-want +got)\n%s", s.second, diff)
		}
	}
	if n := len(b.Silences()); n != 0 {
		t.Errorf("%d silences left after their end", n)
	}
}

// TestSilencedAfterSent: the end of an alert that was sent is sent too, though it was silenced in between.
func TestSilencedAfterSent(t *testing.T) {
	a := finding("silent", "a", 0)
	b := New(Settings{})
	if diff := cmp.Diff([]string{"raised silent:a"}, words(b.Update(at(0), []check.Finding{a}))); diff != "" {
		t.Fatal(diff)
	}
	if err := b.Silence(Silence{Device: "a", From: at(5), Until: at(60)}); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff([]string{"cleared silent:a"}, words(b.Update(at(30), nil))); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
}

func TestSilenceEverything(t *testing.T) {
	b := New(Settings{MaxSilence: 1})
	if err := b.Silence(Silence{From: at(0), Until: at(0)}); err == nil {
		t.Error("a silence without length was taken")
	}
	for range 2 { // the second replaces the first
		if err := b.Silence(Silence{From: at(0), Until: at(60)}); err != nil {
			t.Fatal(err)
		}
	}
	if err := b.Silence(Silence{Check: "silent", From: at(0), Until: at(60)}); err == nil {
		t.Error("more silences than the bound")
	}
	f := []check.Finding{finding("bus-off", "c", 0)}
	b.Update(at(0), f)
	if got := b.Alerts()[0].SilencedUntil; got != at(60) {
		t.Errorf("silenced until %v", got)
	}
	if err := b.EndSilence(Silence{}); err != nil {
		t.Fatal(err)
	}
	if err := b.EndSilence(Silence{}); err == nil {
		t.Error("ended a silence twice")
	}
	if diff := cmp.Diff([]string{"unsilenced bus-off:c"}, words(b.Update(at(10), f))); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
}

func TestRestore(t *testing.T) {
	b := New(DefaultSettings())
	a, c, p := finding("silent", "a", 0), finding("bus-off", "c", 0), finding("slow-data", "p", time.Hour)
	b.Update(at(0), []check.Finding{a, c, p})
	b.Update(at(10), []check.Finding{c, p})
	b.Update(at(40), []check.Finding{c, p})
	if _, err := b.Acknowledge("bus-off:c", "Rosa", at(45)); err != nil {
		t.Fatal(err)
	}
	if err := b.Silence(Silence{Network: "can9", From: at(0), Until: at(900)}); err != nil {
		t.Fatal(err)
	}
	text, err := json.Marshal(b.State())
	if err != nil {
		t.Fatal(err)
	}
	var s State
	if err := json.Unmarshal(text, &s); err != nil {
		t.Fatal(err)
	}
	r := New(DefaultSettings())
	if err := r.Restore(s); err != nil {
		t.Fatal(err)
	}
	if diff := cmp.Diff(b.Alerts(), r.Alerts()); diff != "" {
		t.Errorf("alerts (-want +got)\n%s", diff)
	}
	if diff := cmp.Diff(b.State(), r.State()); diff != "" {
		t.Errorf("state (-want +got)\n%s", diff)
	}
	for _, s := range []step{ // nothing is raised twice, nothing clears before the devices were received again
		{500, nil, nil}, {560, nil, nil}, {610, nil, nil}, {620, nil, []string{"cleared bus-off:c"}},
	} {
		if diff := cmp.Diff(s.want, words(r.Update(at(s.second), s.found))); diff != "" {
			t.Errorf("second %d (-want +got)\n%s", s.second, diff)
		}
	}
	if err := r.Restore(s); err == nil {
		t.Error("restored into a book in use")
	}
	if err := New(DefaultSettings()).Restore(State{Version: 99}); err == nil {
		t.Error("restored an unknown version")
	}
}

func TestBounds(t *testing.T) {
	b := New(Settings{Keep: 5, Max: 10})
	var list []check.Finding
	for i := range 30 {
		list = append(list, finding("silent", fmt.Sprintf("%02d", i), 0))
	}
	b.Update(at(0), list)
	if len(b.entries) != 10 || b.Shed() != 20 {
		t.Errorf("%d kept, %d shed", len(b.entries), b.Shed())
	}
	b.Update(at(1), nil)
	if len(b.entries) != 5 {
		t.Errorf("%d cleared alerts kept", len(b.entries))
	}
	if changes := b.Update(at(2), list[20:]); len(changes) != 10 {
		t.Errorf("%d raised in the room of cleared ones", len(changes))
	}
}

func TestSettingsValidate(t *testing.T) {
	if err := DefaultSettings().Validate(); err != nil {
		t.Error(err)
	}
	bad := Settings{Clear: time.Minute, FlapCount: 1, Keep: -1, Settle: -1}
	want := "settle: -1ns must not be negative\nkeep: -1 must not be negative\nflap_clear: 0s must not be shorter than clear, 1m0s"
	if err := bad.Validate(); err == nil || err.Error() != want {
		t.Errorf("got %v", err)
	}
}

// Whatever comes and goes, each alert is raised and cleared in turn, sleeps and restarts between included.
func TestRaisedOnceClearedOnce(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		settings := Settings{Clear: 25 * time.Second, FlapCount: 3, FlapWindow: 5 * time.Minute, FlapClear: time.Minute, Settle: 30 * time.Second, Max: 6, Keep: 3}
		b := New(settings)
		up := map[string]bool{}
		now := at(0)
		for range rapid.IntRange(1, 80).Draw(t, "updates") {
			now = now.Add(time.Duration(rapid.IntRange(-5, 60).Draw(t, "seconds")) * time.Second)
			var list []check.Finding
			for i := range 8 {
				if rapid.Bool().Draw(t, "there") {
					f := finding("silent", fmt.Sprint(i), time.Duration(i*10)*time.Second)
					if rapid.Bool().Draw(t, "since") {
						f.Since = now.Add(-time.Duration(rapid.IntRange(0, 100).Draw(t, "ago")) * time.Second)
					}
					list = append(list, f)
				}
			}
			changes := b.Update(now, list)
			if !slices.IsSortedFunc(changes, func(x, y Change) int {
				if x.Alert.ID <= y.Alert.ID {
					return -1
				}
				return 1
			}) && len(changes) > 1 {
				t.Fatalf("changes are not sorted: %v", words(changes))
			}
			for _, c := range changes {
				switch c.Kind {
				case Raised:
					if up[c.Alert.ID] {
						t.Fatalf("%s raised twice", c.Alert.ID)
					}
					up[c.Alert.ID] = true
				case Cleared:
					if !up[c.Alert.ID] {
						t.Fatalf("%s cleared without a raise", c.Alert.ID)
					}
					delete(up, c.Alert.ID)
				default:
					t.Fatalf("unexpected %v", c.Kind)
				}
			}
			standing := 0
			for _, a := range b.Alerts() {
				if a.State != StatusCleared {
					standing++
					if !up[a.ID] {
						t.Fatalf("%s stands without a raise", a.ID)
					}
				}
			}
			if standing != len(up) || len(b.entries) > settings.Max {
				t.Fatalf("%d standing, %d raised, %d entries", standing, len(up), len(b.entries))
			}
			if rapid.IntRange(0, 9).Draw(t, "restart") == 0 {
				r := New(settings)
				if err := r.Restore(b.State()); err != nil {
					t.Fatal(err)
				}
				b = r
			}
		}
	})
}

func BenchmarkBookUpdate(b *testing.B) {
	for _, n := range []int{1, 10, 100} {
		b.Run(fmt.Sprint(n), func(b *testing.B) {
			var list []check.Finding
			for i := range n {
				list = append(list, finding("silent", fmt.Sprint(i), 0))
			}
			book := New(DefaultSettings())
			now := t0
			b.ReportAllocs()
			for b.Loop() {
				now = now.Add(10 * time.Second)
				book.Update(now, list)
			}
		})
	}
}

// TestRestoreFormerIDs: alerts and silences that an earlier version kept go on under the ids of today.
func TestRestoreFormerIDs(t *testing.T) {
	b := New(DefaultSettings())
	if err := b.Restore(State{Version: StateVersion, At: at(0),
		Entries: []Kept{
			{Check: "bus-busy", Subject: "can0", Severity: check.Warning, Since: at(0), AcknowledgedBy: "Rosa", AcknowledgedAt: at(0), Sent: true},
			{Check: "same-name", Subject: "a", Severity: check.Critical, Since: at(0), Sent: true},
		},
		Silences: []Silence{{Alert: "same-name:a", From: at(0), Until: at(900)}, {Check: "many-sources", From: at(0), Until: at(900)}},
	}); err != nil {
		t.Fatal(err)
	}
	now := []check.Finding{finding("bus-load-high", "can0", 0), finding("duplicate-name", "a", 0), finding("multiple-sources", "depth", 0)}
	now[1].Severity = check.Critical
	if diff := cmp.Diff([]string{"raised multiple-sources:depth (silenced)"}, words(b.Update(at(10), now))); diff != "" {
		t.Errorf("(-want +got)\n%s", diff)
	}
	got := map[string]string{}
	for _, a := range b.Alerts() {
		got[a.ID] = a.AcknowledgedBy
		if a.ID == "duplicate-name:a" && a.SilencedUntil != at(900) {
			t.Errorf("%s is silenced until %v", a.ID, a.SilencedUntil)
		}
	}
	if diff := cmp.Diff(map[string]string{"bus-load-high:can0": "Rosa", "duplicate-name:a": "", "multiple-sources:depth": ""}, got); diff != "" {
		t.Errorf("alerts (-want +got)\n%s", diff)
	}
}
