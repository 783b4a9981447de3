package hub

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// BucketDays is the bucket of the daybook.
const BucketDays = "muster_days_v1"

// daysKept is how long a day stays.
const daysKept = 800 * 24 * time.Hour

type daybook struct{ kv jetstream.KeyValue }

// Daybook declares the bucket of days and opens it.
func (h *Hub) Daybook(ctx context.Context) (Daybook, error) {
	kv, err := h.js.CreateOrUpdateKeyValue(ctx, jetstream.KeyValueConfig{Bucket: BucketDays, Description: "how the campaigns stood on each day",
		History: 1, Storage: jetstream.FileStorage, Replicas: h.opt.Replicas, TTL: daysKept})
	if err != nil {
		return nil, fmt.Errorf("hub: declare bucket %s: %w", BucketDays, err)
	}
	return daybook{kv}, nil
}

// Put keeps the counts of a day in the place of those before.
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
	w, err := d.kv.WatchAll(ctx, jetstream.IgnoreDeletes())
	if err != nil {
		return nil, fmt.Errorf("read the daybook: %w", err)
	}
	defer func() { _ = w.Stop() }()
	var out []Day
	for {
		select {
		case <-ctx.Done():
			return out, fmt.Errorf("read the daybook: %w", ctx.Err())
		case e, ok := <-w.Updates():
			if !ok {
				return out, errors.New("read the daybook: the connection ended")
			}
			if e == nil {
				slices.SortFunc(out, func(a, b Day) int { return cmp.Compare(a.Day, b.Day) })
				return out, nil
			}
			day := Day{Day: e.Key()}
			if json.Unmarshal(e.Value(), &day.Campaigns) == nil {
				out = append(out, day)
			}
		}
	}
}
