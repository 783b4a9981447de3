package store

import (
	"fmt"
	"testing"
)

// TestWear states what a day costs the card: fifty devices of which each is put once a day, and twenty changes of alerts.
func TestWear(t *testing.T) {
	s := mustOpen(t, t.TempDir(), Options{})
	device := func(i, day int) {
		s.Put(Devices, fmt.Sprintf("can0/%016x", i), fmt.Appendf(nil, `{"id":"%016x","network":"can0","first_seen":"2026-05-01T12:00:00Z","software_history":[{"version":"4.5","since":"2026-05-01T12:00:00Z"}],"last_seen":"2026-06-%02dT00:00:00Z"}`, i, day))
	}
	for i := range 50 {
		device(i, 1)
	}
	if err := s.Sync(); err != nil {
		t.Fatal(err)
	}
	start := s.Stats().Written
	for i := range 50 {
		device(i, 2)
	}
	for i := range 20 {
		s.Put(Alerts, fmt.Sprint("alert/", i%5), fmt.Appendf(nil, "%0600d", i))
		s.Queue("office", fmt.Appendf(nil, "%0800d", i))
		if err := s.Sync(); err != nil {
			t.Fatal(err)
		}
		s.Delivered("office", s.next)
		if err := s.Sync(); err != nil {
			t.Fatal(err)
		}
	}
	day := s.Stats().Written - start
	t.Logf("start %d bytes, a day with twenty changes of alerts %d bytes, %d a change", start, day, day/20)
	if day > 4<<20 {
		t.Errorf("a day costs %d bytes", day)
	}
}
