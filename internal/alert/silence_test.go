package alert

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"muster/internal/boat"
	"muster/internal/check"
)

// TestWorkSilence: a work order holds back what work brings about on its devices, and nothing else.
func TestWorkSilence(t *testing.T) {
	b := New(Settings{})
	if err := b.Silence(Silence{Work: true, Device: "a", From: at(0), Until: at(60)}); err != nil {
		t.Fatal(err)
	}
	find := func(rule, device string) check.Finding {
		return check.Finding{Check: rule, Subject: device, Devices: []string{device}, Severity: boat.Warning}
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
