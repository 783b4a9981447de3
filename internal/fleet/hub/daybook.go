package hub

import (
	"cmp"
	"context"
	"encoding/json"
	"fmt"
	"slices"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	"muster/internal/input"
)

// BucketDays is the bucket of the daybook.
const BucketDays = "muster_days_v1"

// daysKept is how long a day stays.
const daysKept = 800 * 24 * time.Hour

type daybook struct{ kv jetstream.KeyValue }

// Daybook declares the bucket of days and opens it.
func (h *Hub) Daybook(ctx context.Context) (Daybook, error) {
	kv, err := h.days(ctx)
	if err != nil {
		return nil, err
	}
	return daybook{kv}, nil
}

func (h *Hub) days(ctx context.Context) (jetstream.KeyValue, error) {
	kv, err := h.js.CreateOrUpdateKeyValue(ctx, jetstream.KeyValueConfig{Bucket: BucketDays, Description: "the progress of campaigns on each day",
		History: 1, Storage: jetstream.FileStorage, Replicas: h.opt.Replicas, TTL: daysKept})
	if err != nil {
		return nil, fmt.Errorf("hub: declare bucket %s: %w", BucketDays, err)
	}
	return kv, nil
}

// Put keeps the counts of a day instead of those before.
func (d daybook) Put(ctx context.Context, day string, campaigns map[string]Counts) error {
	text, err := json.Marshal(campaigns)
	if err == nil {
		_, err = d.kv.Put(ctx, day, text)
	}
	if err != nil {
		return fmt.Errorf("keep day %s: %w", day, err)
	}
	return nil
}

// Days lists the days that are kept, oldest first. One that cannot be read is left out.
func (d daybook) Days(ctx context.Context) ([]Day, error) {
	var out []Day
	err := eachEntry(ctx, d.kv, func(e jetstream.KeyValueEntry) error {
		day := Day{Day: e.Key()}
		if input.OpenJSON(ctx, "", e.Value(), &day.Campaigns) == nil {
			out = append(out, day)
		}
		return nil
	})
	if err != nil {
		return out, fmt.Errorf("read the daybook: %w", err)
	}
	slices.SortFunc(out, func(a, b Day) int { return cmp.Compare(a.Day, b.Day) })
	return out, nil
}
