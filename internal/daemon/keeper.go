package daemon

import (
	"cmp"
	"context"
	"sync"
	"sync/atomic"
	"time"

	"github.com/rs/zerolog"

	"muster/internal/check"
	"muster/internal/config"
	"muster/internal/event"
	"muster/internal/store"
)

// keeper owns the store and the goroutine that writes it. Everything about it may be called from anywhere.
type keeper struct {
	log   zerolog.Logger
	store *store.Store
	now   func() time.Time
	asked chan struct{}               // capacity 1: a write is asked for now
	card  atomic.Pointer[cardFault]   // nil while the card takes what is written
	aside atomic.Pointer[store.Aside] // the latest that the log holds
	once  sync.Once
}

func openKeeper(c *config.Config, now func() time.Time, log zerolog.Logger) (*keeper, error) {
	s, err := store.Open(c.StateDir, store.Options{MaxAge: c.Store.MaxAge, MaxBytes: c.Store.MaxMB << 20, Now: now})
	if err != nil {
		return nil, err
	}
	return &keeper{log: log, store: s, now: now, asked: make(chan struct{}, 1)}, nil
}

// run writes the store at the interval and when woken, and calls written after each, until ctx ends.
func (k *keeper) run(ctx context.Context, every time.Duration, written func()) {
	tick := time.NewTicker(max(every, time.Second))
	defer tick.Stop()
	for {
		k.write()
		written()
		select {
		case <-k.asked:
		case <-tick.C:
		case <-ctx.Done():
			return
		}
	}
}

// wake has the store written now.
func (k *keeper) wake() {
	select {
	case k.asked <- struct{}{}:
	default:
	}
}

// close writes what is left and closes the store, once.
func (k *keeper) close() (err error) {
	k.once.Do(func() { err = k.store.Close() })
	return err
}

// write writes what was put, and reports once when the card takes nothing and once when it does again.
func (k *keeper) write() {
	err := k.store.Sync()
	k.logSetAside()
	switch {
	case err == nil:
		if k.card.Swap(nil) != nil {
			k.log.Info().Msg("the store is written again")
		}
	case k.card.CompareAndSwap(nil, &cardFault{event.At(k.now()), err}):
		k.log.Error().Err(err).Msg("the store cannot be written; muster goes on listening and keeps everything " +
			"in memory: make room on the card, or replace it")
	}
}

// shift moves the times it holds onto another clock.
func (k *keeper) shift(by time.Duration) {
	if f := k.card.Load(); f != nil {
		k.card.CompareAndSwap(f, &cardFault{f.since.Add(by), f.why})
	}
}

// cardFault is a card that does not take what is written.
type cardFault struct {
	since event.Time
	why   error
}

// lost is what a store holds of which nothing can be read.
const lost = "history of devices; alerts and silences; devices entered by hand; a baseline set while running; messages not yet delivered"

// lostOf is what could not be read of a store.
func lostOf(a *store.Aside) string {
	if a.Kept == 0 {
		return lost
	}
	return cmp.Or(a.Lost, "not known")
}

// logSetAside logs that the earlier store could not be read, and again when the card lets it be set aside.
func (k *keeper) logSetAside() {
	a := k.store.SetAside()
	if a == nil || k.aside.Swap(a) == a {
		return
	}
	line := k.log.Error().Err(a).Str("file", a.File)
	if a.As != "" {
		line.Str("set_aside_as", a.As)
	}
	line.Str("lost", lostOf(a)).Msg("the earlier store cannot be read")
}

// asideRule finds that what was kept before is lost, or some of it. It does so until the program ends: a person must see it.
func (k *keeper) asideRule() check.Rule {
	return check.Rule{ID: "store-failing", Severity: check.Warning, Check: func(p *check.Pass) {
		a := k.aside.Load()
		if a == nil {
			return
		}
		evidence := map[string]any{"file": a.File, "error": a.Why.Error(), "lost": lostOf(a)}
		found := "unreadable"
		if a.Kept > 0 {
			found = "damaged"
		}
		aside := "The damaged file is moved aside when the store can be written again."
		if a.As != "" {
			evidence["set_aside_as"] = a.As
			aside = ""
		}
		p.Find(check.Finding{Case: found, Values: check.Values{"aside": aside, "lost": lostOf(a)}, Subject: "store of before", Evidence: evidence})
	}}
}

// cardRule finds that the card does not take what is written.
func (k *keeper) cardRule() check.Rule {
	return check.Rule{ID: "store-failing", Severity: check.Warning, Check: func(p *check.Pass) {
		fault := k.card.Load()
		if fault == nil {
			p.Clear("", "store")
			return
		}
		p.Find(check.Finding{Subject: "store", Since: fault.since,
			Evidence: map[string]any{"error": fault.why.Error(), "unwritten": k.store.Stats().Pending}})
	}}
}
