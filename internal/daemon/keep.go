package daemon

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"slices"
	"time"

	"muster/internal/alert"
	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/config"
	"muster/internal/event"
	"muster/internal/release"
	"muster/internal/report"
	"muster/internal/snapshot"
	"muster/internal/store"
)

// Keys of the store.
const (
	silencesKey   = "silences"
	aboutKey      = "about"
	alertPrefix   = "alert/"
	orderKey      = "order"
	stateKey      = "state"
	endedOrderKey = "ended/order"
	endedStateKey = "ended/state"
	countKey      = "count"
	manualKey     = "device/"
	baselineKey   = "snapshot"
)

// keeping is what the model's goroutine remembers of what it put into the store.
type keeping struct {
	devices  map[string]kept
	away     []alert.Kept // silent devices of before the start that were not heard since
	past     map[string]keptDevice
	changes  []noted    // since the last keep
	work     bool       // the work order moved
	at       event.Time // the last moment of the run before
	moved    bool       // event time was moved, and that of alerts with it
	silenced bool       // a silence was set or ended
}

// kept says which state of a device the store holds.
type kept struct {
	software, unit     string // the latest, and of a talker the unit that it is of
	versions, restarts int
	first              event.Time
	day                int64 // on which it was last heard
	address            int
}

// keptDevice is the past of a device as the store holds it.
type keptDevice struct {
	boat.Past
	Address  *uint8     `json:"address,omitempty"`
	LastSeen event.Time `json:"last_seen,omitzero"` // to the day
}

func openStore(c *config.Config, now func() time.Time) (*store.Store, error) {
	return store.Open(c.StateDir, store.Options{MaxAge: c.Store.MaxAge, MaxBytes: c.Store.MaxMB << 20, Now: now})
}

// restore takes up what the store holds. What cannot be read is left out and told.
func (d *Daemon) restore() {
	d.tellAside()
	d.keeping = keeping{devices: map[string]kept{}, past: map[string]keptDevice{}}
	unreadable := func(what string, err error) {
		d.log.Error().Err(err).Str("what", what).Msg("cannot take up what was kept; going on without it")
	}
	var past []boat.Past
	for key, text := range d.store.All(store.Devices) {
		var k keptDevice
		if err := json.Unmarshal(text, &k); err != nil {
			unreadable("device "+key, err)
			continue
		}
		d.keeping.past[key] = k
		past = append(past, k.Past)
	}
	d.model.Remember(past)
	if err := d.restoreAlerts(); err != nil {
		unreadable("alerts", err)
	}
	if err := d.restoreManual(); err != nil {
		unreadable("devices entered by hand", err)
	}
	var err error
	if d.follower, err = d.keptWork(orderKey, stateKey); err != nil {
		unreadable("work order", err)
	}
	switch ended, err := d.keptWork(endedOrderKey, endedStateKey); {
	case err != nil:
		unreadable("work order that has ended", err)
	case ended != nil:
		d.endedWork(ended)
	}
}

// lost is what a store holds that cannot be read.
const lost = "the past of devices, alerts and silences, the work order, devices entered by hand, a baseline set while running, messages not yet delivered"

// tellAside says in the log that the store of before could not be read, and again when the card lets it be set aside.
func (d *Daemon) tellAside() {
	a := d.store.SetAside()
	if a == nil || d.aside.Swap(a) == a {
		return
	}
	line := d.log.Error().Err(a).Str("file", a.File)
	if a.As != "" {
		line.Str("set_aside_as", a.As)
	}
	line.Str("lost", lost).Msg("the store of before cannot be read")
}

// asideRule finds that what was kept before is lost. It does so until the program ends: somebody must see it.
func (d *Daemon) asideRule() check.Rule {
	return check.Rule{ID: "store-failing", Severity: check.Warning, Doc: "The store of before cannot be read.", Check: func(p *check.Pass) {
		a := d.aside.Load()
		if a == nil {
			return
		}
		evidence := map[string]any{"file": a.File, "error": a.Why.Error(), "lost": lost}
		aside := " It is set aside when the card takes writes again."
		if a.As != "" {
			evidence["set_aside_as"] = a.As
			aside = ""
		}
		p.Find(check.Finding{Subject: "store of before", Summary: "What muster kept before this start cannot be read and is lost", Evidence: evidence,
			Remedy: "Set the baseline, silences and devices entered by hand anew, and follow the work order again. Look at the card: " +
				"one that damages a file once does so again." + aside + " Acknowledge this when it is done."})
	}}
}

// alertsAbout is what is kept of the alerts besides each of them.
type alertsAbout struct {
	Version int        `json:"version"`
	At      event.Time `json:"at,omitzero"`
}

// lastKnown is the latest moment that the store tells of, unset for none.
func (d *Daemon) lastKnown() event.Time {
	last := d.keeping.at
	for _, k := range d.keeping.past {
		last = max(last, k.LastSeen, k.FirstSeen)
	}
	return last
}

func (d *Daemon) restoreAlerts() error {
	text := d.store.Get(store.Alerts, aboutKey)
	if text == nil {
		return nil
	}
	var about alertsAbout
	if err := json.Unmarshal(text, &about); err != nil {
		return err
	}
	s := alert.State{Version: about.Version, At: about.At}
	d.keeping.at = about.At
	if text := d.store.Get(store.Alerts, silencesKey); text != nil {
		if err := json.Unmarshal(text, &s.Silences); err != nil {
			return err
		}
	}
	all := d.store.All(store.Alerts)
	for key, text := range all {
		if len(key) <= len(alertPrefix) || key[:len(alertPrefix)] != alertPrefix {
			continue
		}
		var k alert.Kept
		if err := json.Unmarshal(text, &k); err != nil {
			return err
		}
		s.Entries = append(s.Entries, k)
		if k.Check == "silent" && !k.Cleared && len(k.Devices) == 1 && k.Devices[0] == k.Subject {
			d.keeping.away = append(d.keeping.away, k)
		}
	}
	slices.SortFunc(d.keeping.away, func(a, b alert.Kept) int { return compareText(a.Subject, b.Subject) })
	return d.watch.Book().Restore(s)
}

func compareText(a, b string) int {
	switch {
	case a < b:
		return -1
	case a > b:
		return 1
	}
	return 0
}

func (d *Daemon) restoreManual() error {
	all := d.store.All(store.Manual)
	if text := all[countKey]; text != nil {
		if err := json.Unmarshal(text, &d.manualCount); err != nil {
			return err
		}
		delete(all, countKey)
	}
	var list []boat.Manual
	for _, text := range all {
		var m boat.Manual
		if err := json.Unmarshal(text, &m); err != nil {
			return err
		}
		list = append(list, m)
	}
	slices.SortFunc(list, func(a, b boat.Manual) int { // m9 before m10
		if len(a.ID) != len(b.ID) {
			return len(a.ID) - len(b.ID)
		}
		return compareText(a.ID, b.ID)
	})
	d.manual = list
	d.model.SetManual(d.entered())
	return nil
}

// keptWork is an order that the store holds under these keys, nil for none.
func (d *Daemon) keptWork(orderKey, stateKey string) (*release.Follower, error) {
	order := d.store.Get(store.Work, orderKey)
	if order == nil {
		return nil, nil
	}
	o, err := release.ParseOrder(order)
	if err != nil {
		return nil, err
	}
	return release.Restore(o, d.store.Get(store.Work, stateKey))
}

// keep puts what is new in the report and around it into the store; it writes nothing itself.
func (d *Daemon) keep(r *report.Report) {
	if d.store == nil {
		return
	}
	urgent := len(d.keeping.changes) > 0 || d.keeping.moved || d.keeping.silenced
	d.store.Together(func() {
		for i := range d.keeping.changes {
			d.queueChange(&d.keeping.changes[i])
			d.tellFleet(&d.keeping.changes[i])
		}
		if urgent {
			d.keepAlerts()
		}
		d.keepDevices(r)
		d.keepTalkers(r)
		if d.keeping.work {
			d.keepWork()
			urgent = true
		}
	})
	d.keeping.changes, d.keeping.work, d.keeping.moved, d.keeping.silenced = nil, false, false, false
	if urgent {
		d.kick()
	}
}

// kick makes the keeper write now.
func (d *Daemon) kick() {
	select {
	case d.toKeep <- struct{}{}:
	default:
	}
}

func (d *Daemon) put(kind store.Kind, key string, v any) {
	text, err := json.Marshal(v)
	if err != nil {
		d.log.Error().Err(err).Str("kind", string(kind)).Str("key", key).Msg("cannot be kept")
		return
	}
	d.store.Put(kind, key, text)
}

func (d *Daemon) keepAlerts() {
	s := d.watch.Book().State()
	values := map[string][]byte{}
	add := func(key string, v any) {
		text, err := json.Marshal(v)
		if err != nil {
			d.log.Error().Err(err).Str("alert", key).Msg("cannot be kept")
			return
		}
		values[key] = text
	}
	add(aboutKey, alertsAbout{s.Version, s.At})
	add(silencesKey, s.Silences)
	for i := range s.Entries {
		add(alertPrefix+s.Entries[i].Check+":"+s.Entries[i].Subject, &s.Entries[i])
	}
	d.store.Replace(store.Alerts, values)
}

const nanosADay = int64(24 * time.Hour)

// keepDevices keeps the past of devices that changed: when each was last heard only to the day, so that a quiet boat costs
// the card one small write a day.
func (d *Daemon) keepDevices(r *report.Report) {
	for i := range r.Devices {
		dev := &r.Devices[i]
		if dev.Name == nil || dev.Own {
			continue
		}
		k := kept{versions: len(dev.Software), restarts: dev.Restarts, first: dev.FirstSeen, day: int64(dev.LastSeen) / nanosADay, address: -1}
		if n := len(dev.Software); n > 0 {
			k.software = dev.Software[n-1].Version
		}
		if dev.Address != nil {
			k.address = int(*dev.Address)
		}
		key := dev.Network + "/" + dev.ID
		if d.keeping.devices[key] == k {
			continue
		}
		d.keeping.devices[key] = k
		software, last := dev.Software, event.Time(k.day*nanosADay)
		if dev.LastSeen < event.ClockSet {
			last = 0
		}
		if dev.FirstSeen < event.ClockSet { // by a clock that was not set: what was known before stands, and a new device counts from next time
			k.first = d.keeping.past[key].FirstSeen
			software = dated(software)
		}
		d.put(store.Devices, key, keptDevice{Address: dev.Address, LastSeen: last, Past: boat.Past{ID: dev.ID,
			Network: dev.Network, FirstSeen: k.first, Restarts: dev.Restarts, Software: software}})
	}
}

// keepTalkers keeps the software of talkers that told it.
func (d *Daemon) keepTalkers(r *report.Report) {
	for i := range r.Talkers {
		t := &r.Talkers[i]
		n := len(t.Software)
		if n == 0 {
			continue
		}
		k := kept{versions: n, software: t.Software[n-1].Version, unit: t.Identity.Unit(), day: int64(t.Last()) / nanosADay}
		key := t.Network + "/" + t.ID()
		if d.keeping.devices[key] == k {
			continue
		}
		d.keeping.devices[key] = k
		last := event.Time(k.day * nanosADay)
		if t.Last() < event.ClockSet {
			last = 0
		}
		d.put(store.Devices, key, keptDevice{LastSeen: last, Past: boat.Past{ID: t.ID(), Network: t.Network, Software: dated(t.Software), Unit: k.unit}})
	}
}

// dated leaves out the times of a clock that was not set.
func dated(history []boat.Software) []boat.Software {
	history = slices.Clone(history)
	for i := range history {
		if history[i].Since < event.ClockSet {
			history[i].Since = 0
		}
	}
	return history
}

func (d *Daemon) keepManual() {
	d.store.Together(func() {
		values := map[string][]byte{}
		for i := range d.manual {
			if text, err := json.Marshal(&d.manual[i]); err == nil {
				values[manualKey+d.manual[i].ID] = text
			}
		}
		values[countKey] = fmt.Append(nil, d.manualCount)
		d.store.Replace(store.Manual, values)
	})
}

// keepWork keeps the order being followed and the one that was followed before it.
func (d *Daemon) keepWork() {
	values := map[string][]byte{}
	add := func(f *release.Follower, orderKey, stateKey string) error {
		if f == nil {
			return nil
		}
		var err, serr error
		values[orderKey], err = f.Order().JSON()
		values[stateKey], serr = f.Save()
		return errors.Join(err, serr)
	}
	if err := errors.Join(add(d.follower, orderKey, stateKey), add(d.finished, endedOrderKey, endedStateKey)); err != nil {
		d.log.Error().Err(err).Msg("the work order cannot be kept")
		return
	}
	d.store.Replace(store.Work, values)
}

// keepAll writes everything, as at the end of an act of a person or of the program.
func (d *Daemon) keepAll() {
	if d.store == nil {
		return
	}
	d.store.Together(d.keepAlerts)
	d.keepManual()
	d.store.Together(d.keepWork)
}

// cardFault is a card that does not take what is written.
type cardFault struct {
	since event.Time
	why   error
}

// writeStore writes what was put, and says once when the card takes nothing and once when it does again.
func (d *Daemon) writeStore() {
	err := d.store.Sync()
	d.tellAside()
	switch {
	case err == nil:
		if d.card.Swap(nil) != nil {
			d.log.Info().Msg("the store is written again")
		}
	case d.card.CompareAndSwap(nil, &cardFault{event.At(d.now()), err}):
		d.log.Error().Err(err).Msg("the store cannot be written; muster goes on listening and keeps everything in memory: make room on the card, or replace it")
	}
}

// cardRule finds that the card does not take what is written.
func (d *Daemon) cardRule() check.Rule {
	return check.Rule{ID: "store-failing", Severity: check.Warning, Doc: "The card does not take what muster keeps.", Check: func(p *check.Pass) {
		fault := d.card.Load()
		if fault == nil {
			return
		}
		p.Find(check.Finding{Subject: "store", Since: fault.since,
			Summary:  "The card does not take what muster keeps: history, alerts and work are in memory alone",
			Evidence: map[string]any{"error": fault.why.Error(), "unwritten": d.store.Stats().Pending},
			Remedy: "Make room on the card, or replace it: one that is worn out takes no more writes. Everything is written when it does; " +
				"until then a power cut would lose what came since."})
	}}
}

// runKeeper writes the store at the interval and when kicked, and then lets deliveries be made, until ctx ends.
func (d *Daemon) runKeeper(ctx context.Context) {
	tick := time.NewTicker(max(d.opt.Config.Store.Every, time.Second))
	defer tick.Stop()
	for {
		d.writeStore()
		for _, t := range d.tellers() {
			t.wake()
		}
		d.wakeUplink()
		select {
		case <-d.toKeep:
		case <-tick.C:
		case <-ctx.Done():
			return
		}
	}
}

// closeStore writes what is left and closes the store.
func (d *Daemon) closeStore() error {
	if d.store == nil {
		return nil
	}
	var err error
	d.storeOnce.Do(func() { err = d.store.Close() })
	return err
}

// stillAway lets the alert of a device stand that was silent before the start and has not been heard since: the device list begins
// empty, and so the common rule cannot know of it.
func (d *Daemon) stillAway() []check.Rule {
	if len(d.keeping.away) == 0 {
		return nil
	}
	return []check.Rule{{ID: "silent", Severity: check.Warning, Doc: "A device that was silent before the start has not been heard since.",
		Check: func(p *check.Pass) {
			for i := range d.keeping.away {
				k := &d.keeping.away[i]
				if p.State.Device(k.Subject) != nil || d.mayHaveSpoken(p.State, k.Subject) {
					continue
				}
				p.Find(check.Finding{Subject: k.Subject, Severity: k.Severity, Devices: k.Devices, Network: k.Network, Since: k.Since,
					Summary: k.Summary, Evidence: k.Evidence, Remedy: k.Remedy})
			}
		}}}
}

// mayHaveSpoken reports whether somebody without a NAME speaks from the address that the device had.
func (d *Daemon) mayHaveSpoken(s *boat.State, id string) bool {
	return slices.ContainsFunc(s.Devices, func(o boat.Device) bool {
		k := d.keeping.past[o.Network+"/"+id]
		return k.Address != nil && o.Network == k.Network && o.State == boat.Provisional && o.Address != nil && *o.Address == *k.Address
	})
}

// loadBaseline reads the snapshot that the config names, or takes the one that was set before.
func (d *Daemon) loadBaseline(file string) (*snapshot.Snapshot, error) {
	if file != "" {
		return readBaseline(file)
	}
	text := d.store.Get(store.Baseline, baselineKey)
	if text == nil {
		return nil, nil
	}
	s, err := snapshot.Decode(text)
	if err != nil {
		return nil, fmt.Errorf("baseline set while running: %w", err)
	}
	return s, nil
}

func readBaseline(file string) (*snapshot.Snapshot, error) {
	text, err := os.ReadFile(file)
	if err != nil {
		return nil, fmt.Errorf("baseline: %w", err)
	}
	s, err := snapshot.Decode(text)
	if err != nil {
		return nil, fmt.Errorf("baseline %s: %w", file, err)
	}
	return s, nil
}

// baseline is what the boat is held against, for other goroutines.
type baseline struct {
	*snapshot.Snapshot      // nil for none
	named              bool // by the config
}

// Baseline implements api.Desk.
func (d *Daemon) Baseline() (*snapshot.Snapshot, bool) {
	if b := d.baseline.Load(); b != nil {
		return b.Snapshot, b.named
	}
	return nil, false
}

// SetBaseline implements api.Desk. What is set is kept over a restart.
func (d *Daemon) SetBaseline(ctx context.Context, s *snapshot.Snapshot) error {
	var text []byte
	if s != nil {
		var err error
		if text, err = s.Encode(); err != nil {
			return err
		}
	}
	return d.do(ctx, func() error {
		if d.opt.Config.Baseline != "" {
			return fmt.Errorf("baseline: %w", api.ErrNamed)
		}
		if was, _ := d.Baseline(); s == nil && was == nil {
			return fmt.Errorf("baseline: %w: none is set", api.ErrNoSuch)
		}
		if s == nil {
			d.store.Delete(store.Baseline, baselineKey)
		} else {
			d.store.Put(store.Baseline, baselineKey, text)
		}
		d.setRules(s)
		return nil
	})
}

func (d *Daemon) setRules(base *snapshot.Snapshot) {
	d.baseline.Store(&baseline{base, d.opt.Config.Baseline != ""})
	d.watch.SetExtra(slices.Concat(snapshot.Rules(base), d.stillAway(), d.known.rules(), []check.Rule{d.cardRule(), d.asideRule()}))
}
