package release

import (
	"context"
	"encoding/json"
	"fmt"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/input"
)

// remembered is one step as Remember writes it.
type remembered struct {
	Last   event.Time  `json:"last,omitzero"`
	Window boat.Window `json:"window,omitzero"`
	Step   record      `json:"step"`
}

// Remember is all that is known of a step, for Recall.
func (f *Follower) Remember(step string) (json.RawMessage, error) {
	i := f.find(step)
	if i < 0 {
		return nil, fmt.Errorf("step %q: the order has no such step", step)
	}
	b, err := json.Marshal(remembered{f.state.Last, f.state.Window, f.state.Steps[i]})
	if err != nil {
		return nil, fmt.Errorf("save step %q: %w", step, err)
	}
	return b, nil
}

// Recall takes a step to be as Remember wrote it, whatever was known of it.
func (f *Follower) Recall(ctx context.Context, step string, saved []byte) error {
	i := f.find(step)
	if i < 0 {
		return fmt.Errorf("step %q: the order has no such step", step)
	}
	var r remembered
	if err := input.JSON(ctx, "", saved, &r); err != nil {
		return fmt.Errorf("step %q: %w", step, err)
	}
	if r.Step.Status.Step != step {
		return fmt.Errorf("step %q: this is step %s", step, input.Quote(r.Step.Status.Step))
	}
	if r.Step.Counts == nil {
		r.Step.Counts = map[string]uint64{}
	}
	f.state.Steps[i] = r.Step
	if r.Last > f.state.Last {
		f.state.Last, f.state.Window = r.Last, r.Window
	}
	return nil
}

func (f *Follower) find(step string) int {
	for i := range f.steps {
		if f.steps[i].ID == step {
			return i
		}
	}
	return -1
}
