package pages

import (
	"context"
	"fmt"
	"strings"

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

func (d *fakeDesk) AddManual(_ context.Context, m boat.Manual) (boat.Manual, error) {
	m.ID = "m1"
	d.told = append(d.told, m.Model)
	return m, nil
}

func (d *fakeDesk) RemoveManual(_ context.Context, id string) error {
	return fmt.Errorf("device %q: %w", id, api.ErrNoSuch)
}
