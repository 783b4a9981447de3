package alert

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"muster/internal/check"
)

// TestWorkSilence: a work order holds back what work brings about on its devices, and nothing else.
func TestWorkSilence(t *testing.T) {
	b := New(Settings{})
	if err := b.Silence(Silence{Work: true, Device: "a", From: at(0), Until: at(60)}); err != nil {
		t.Fatal(err)
	}
	find := func(rule, device string) check.Finding {
		return check.Finding{Check: rule, Subject: device, Devices: []string{device}, Severity: check.Warning}
	}
	list := []check.Finding{find("silent", "a"), find("silent", "b"), find("slow-data", "a")}
	if diff := cmp.Diff([]string{"raised silent:a (silenced)", "raised silent:b", "raised slow-data:a"}, words(b.Update(at(1), list))); diff != "" {
		t.Error(diff)
	}
	if err := b.EndSilence(Silence{Device: "a"}); err == nil {
		t.Error("a person's silence ended that of the order")
	}
	if err := b.EndSilence(Silence{Work: true, Device: "a"}); err != nil {
		t.Error(err)
	}
	if diff := cmp.Diff([]string{"unsilenced silent:a"}, words(b.Update(at(2), list))); diff != "" {
		t.Error(diff)
	}
}

// TestAccepted: what the owner lives with is not sent, unless it is critical or accepted no more; it is shown with
// the reason.
func TestAccepted(t *testing.T) {
	two, other := finding("multiple-sources", "position", 0), finding("multiple-sources", "depth", 0)
	two.Devices, other.Devices = []string{"gnss-a", "gnss-b"}, []string{"sounder"}
	grave := two
	grave.Severity = check.Critical
	b := New(Settings{})
	b.Accept([]Accepted{{Check: "silent", Why: "not this"}, {Check: "multiple-sources", Device: "gnss-b", Network: "can0", Why: "two receivers on purpose"}})
	for _, s := range []step{
		{0, []check.Finding{two, other}, []string{"raised multiple-sources:depth", "raised multiple-sources:position (silenced)"}},
		{10, []check.Finding{other}, []string{"cleared multiple-sources:position (silenced)"}},
		{20, []check.Finding{two, other}, []string{"raised multiple-sources:position (silenced)"}},
		{30, []check.Finding{grave, other}, []string{"regraded multiple-sources:position"}},
		{40, []check.Finding{two, other}, []string{"regraded multiple-sources:position (silenced)"}},
		{50, []check.Finding{other}, []string{"cleared multiple-sources:position"}}, // it was sent to them
		{60, []check.Finding{two, other}, []string{"raised multiple-sources:position (silenced)"}},
	} {
		if diff := cmp.Diff(s.want, words(b.Update(at(s.second), s.found))); diff != "" {
			t.Errorf("second %d (-want +got)\n%s", s.second, diff)
		}
	}
	for _, a := range b.Alerts() {
		if want := map[string]string{"multiple-sources:position": "two receivers on purpose"}[a.ID]; a.Accepted != want {
			t.Errorf("%s is accepted for %q, want %q", a.ID, a.Accepted, want)
		}
	}
	b.Accept(nil)
	if diff := cmp.Diff([]string{"unsilenced multiple-sources:position"}, words(b.Update(at(70), []check.Finding{two, other}))); diff != "" {
		t.Errorf("accepted no more (-want +got)\n%s", diff)
	}
}
