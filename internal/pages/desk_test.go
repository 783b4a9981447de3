package pages

import (
	"context"
	"fmt"
	"strings"
	"time"

	"muster/internal/alert"
	"muster/internal/api"
	"muster/internal/boat"
)

// fakeDesk notes what it is given.
type fakeDesk struct {
	api.NoDesk
	told []string
}

func (d *fakeDesk) Acknowledge(_ context.Context, id, by string) error {
	if !strings.HasPrefix(id, "software-differs") {
		return fmt.Errorf("acknowledge alert %q: %w", id, alert.ErrUnknown)
	}
	d.told = append(d.told, id+" "+by)
	return nil
}

func (d *fakeDesk) Unacknowledge(_ context.Context, id string) error {
	d.told = append(d.told, id+" again")
	return nil
}

func (d *fakeDesk) Silence(_ context.Context, s alert.Silence, span time.Duration) (alert.Silence, error) {
	d.told = append(d.told, fmt.Sprint(s.Alert, " for ", span, " ", s.By))
	return s, nil
}

func (d *fakeDesk) AddManual(_ context.Context, m boat.Manual) (boat.Manual, error) {
	m.ID = "m1"
	d.told = append(d.told, m.Model)
	return m, nil
}

func (d *fakeDesk) RemoveManual(_ context.Context, id string) error {
	return fmt.Errorf("device %q: %w", id, api.ErrNoSuch)
}
