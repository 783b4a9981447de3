package daemon

import (
	"context"
	"encoding/json"
	"slices"
	"strings"
	"time"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
	outside "muster/internal/input"
	"muster/internal/report"
	"muster/internal/store"
	"muster/internal/trend"
)

// Keys of the store.
const (
	silencesKey = "silences"
	aboutKey    = "about"
	alertPrefix = "alert/"
)

// keeping is what the model's goroutine remembers of what it put into the store.
type keeping struct {
	keeper   *keeper      // nil in a replay, which keeps nothing
	away     []alert.Kept // silent devices of before the start that were not received since
	past     map[string]keptDevice
	changes  []noted    // since the last keep
	at       event.Time // the last moment of the run before
	moved    bool       // event time was moved, and that of alerts with it
	silenced bool       // a silence was set or ended
}

// keptDevice is the past of a device as the store holds it.
type keptDevice struct {
	boat.Past
	Address  *uint8     `json:"address,omitempty"`
	LastSeen event.Time `json:"last_seen,omitzero"` // to the day
}

// restore takes up what the store holds. What cannot be read is left out and reported.
func (m *model) restore() {
	g := &m.keeping
	g.keeper.logSetAside()
	g.past = map[string]keptDevice{}
	unreadable := func(what string, err error) {
		if err != nil {
			m.log.Error().Err(err).Str("what", what).Msg("cannot take up what was kept; going on without it")
		}
	}
	past := g.restoreDevices(unreadable)
	unreadable("alerts", g.restoreAlerts(m.watch.Book()))
	m.boat.Remember(past, g.at)
	var err error
	m.manual, err = restoreManual(g.keeper.store)
	unreadable("devices entered by hand", err)
	m.boat.SetManual(m.entered())
	m.boat.SetDecisions(m.decisions())
	m.trends = trend.Restore(g.keeper.store.All(store.Trends))
	m.working = true // by the run before, until a job shows otherwise
}

// keep puts what is new in the state and around it into the store; it writes nothing itself.
func (m *model) keep(s *boat.State) {
	g := &m.keeping
	if g.keeper == nil {
		return
	}
	urgent := len(g.changes) > 0 || g.moved || g.silenced
	g.keeper.store.Together(func() {
		for i := range g.changes {
			m.notifiers.queue(&g.changes[i])
		}
		if urgent {
			g.keepAlerts(m.watch.Book().State())
		}
		g.keepPast(s)
	})
	g.changes, g.moved, g.silenced = nil, false, false
	if urgent {
		g.keeper.wake()
	}
}

// keepTrends keeps the points of the trends that are complete now: one each minute, so that a power cut costs no more.
func (m *model) keepTrends(r *report.Report) {
	if m.keeping.keeper == nil {
		return
	}
	minute, hour := m.trends.Observe(r)
	for of, row := range map[trend.Resolution]*trend.Row{trend.Minute: minute, trend.Hour: hour} {
		if row != nil {
			m.keeping.keeper.store.Put(store.Trends, trend.Key(of, row), row.Encode())
		}
	}
	if minute != nil {
		key, text := m.trends.Columns()
		m.keeping.keeper.store.Put(store.Trends, key, text)
		m.keeping.keeper.wake()
	}
}

// keepAll puts everything into the store, as at the end of the program.
func (m *model) keepAll() {
	if g := &m.keeping; g.keeper != nil {
		g.keeper.store.Together(func() { g.keepAlerts(m.watch.Book().State()) })
		m.manual.keep(g.keeper.store)
	}
}

// alertsAbout is what is kept of the alerts besides each of them.
type alertsAbout struct {
	Version int        `json:"version"`
	At      event.Time `json:"at,omitzero"`
}

// shift notes that what is kept was moved onto another clock.
func (g *keeping) shift(by time.Duration) {
	if g.keeper != nil {
		g.keeper.shift(by)
		g.moved = true
	}
}

// forget lets go of the silent devices of networks.
func (g *keeping) forget(networks []string) {
	away := g.away[:0:0]
	for _, k := range g.away {
		if !slices.Contains(networks, k.Network) {
			away = append(away, k)
		}
	}
	g.away = away
}

// lastKnown is the latest moment in the store, unset for none.
func (g *keeping) lastKnown() event.Time {
	last := g.at
	for _, k := range g.past {
		last = max(last, k.LastSeen, k.FirstSeen)
	}
	return last
}

// restoreDevices gives the past of devices. What cannot be read is left out and reported.
func (g *keeping) restoreDevices(unreadable func(what string, err error)) []boat.Past {
	var past []boat.Past
	for key, text := range g.keeper.store.All(store.Devices) {
		var k keptDevice
		if err := outside.OpenJSON(context.Background(), "", text, &k); err != nil {
			unreadable("device "+key, err)
			continue
		}
		g.past[key] = k
		past = append(past, k.Past)
	}
	return past
}

func (g *keeping) restoreAlerts(book *alert.Book) error {
	text := g.keeper.store.Get(store.Alerts, aboutKey)
	if text == nil {
		return nil
	}
	var about alertsAbout
	if err := outside.OpenJSON(context.Background(), "", text, &about); err != nil {
		return err
	}
	s := alert.State{Version: about.Version, At: about.At}
	g.at = about.At
	if text := g.keeper.store.Get(store.Alerts, silencesKey); text != nil {
		if err := outside.OpenJSON(context.Background(), "", text, &s.Silences); err != nil {
			return err
		}
	}
	all := g.keeper.store.All(store.Alerts)
	for key, text := range all {
		if len(key) <= len(alertPrefix) || !strings.HasPrefix(key, alertPrefix) {
			continue
		}
		var k alert.Kept
		if err := outside.OpenJSON(context.Background(), "", text, &k); err != nil {
			return err
		}
		s.Entries = append(s.Entries, k)
		if k.Check == "silent" && !k.Cleared && len(k.Devices) == 1 && k.Devices[0] == k.Subject {
			g.away = append(g.away, k)
		}
	}
	slices.SortFunc(g.away, func(a, b alert.Kept) int { return strings.Compare(a.Subject, b.Subject) })
	return book.Restore(s)
}

func (g *keeping) put(kind store.Kind, key string, v any) {
	text, err := json.Marshal(v)
	if err != nil {
		g.keeper.log.Error().Err(err).Str("kind", string(kind)).Str("key", key).Msg("cannot be kept")
		return
	}
	g.keeper.store.Put(kind, key, text)
}

func (g *keeping) keepAlerts(s alert.State) {
	values := map[string][]byte{}
	add := func(key string, v any) {
		text, err := json.Marshal(v)
		if err != nil {
			g.keeper.log.Error().Err(err).Str("alert", key).Msg("cannot be kept")
			return
		}
		values[key] = text
	}
	add(aboutKey, alertsAbout{s.Version, s.At})
	add(silencesKey, s.Silences)
	for i := range s.Entries {
		add(alertPrefix+s.Entries[i].Check+":"+s.Entries[i].Subject, &s.Entries[i])
	}
	g.keeper.store.Replace(store.Alerts, values)
}

const nanosADay = int64(24 * time.Hour)

// keepPast keeps the past of devices and talkers: when each was last received only to the day, so that a quiet boat
// costs the card one small write a day.
func (g *keeping) keepPast(s *boat.State) {
	for i := range s.Devices {
		if d := &s.Devices[i]; d.Name != nil && !d.Own {
			g.putPast(keptDevice{Past: d.Past(), Address: d.Address, LastSeen: d.LastSeen}, d.Unmet)
		}
	}
	for _, p := range s.Unmet {
		g.putPast(keptDevice{Past: p}, true)
	}
	for i := range s.Talkers {
		t := &s.Talkers[i]
		g.putPast(keptDevice{Past: t.Past(s.TakenAt), LastSeen: t.Last}, false)
	}
}

// putPast puts the past of a device or talker. One that was not received in this run keeps where and when it was last.
func (g *keeping) putPast(k keptDevice, unmet bool) {
	key := k.Network + "/" + k.ID
	old := g.past[key]
	switch {
	case unmet:
		k.Address, k.LastSeen = old.Address, old.LastSeen
	case k.LastSeen < event.ClockSet:
		k.LastSeen = 0
	default:
		k.LastSeen = event.Time(int64(k.LastSeen) / nanosADay * nanosADay)
	}
	if k.FirstSeen < event.ClockSet {
		// By a clock that was not set: the earlier times hold, and a new device counts from next time.
		k.FirstSeen, k.Heard, k.On, k.Addresses = old.FirstSeen, old.Heard, old.On, old.Addresses
		k.Restarted, k.Before, k.Commands = old.Restarted, old.Before, old.Commands
		k.Software = dated(k.Software)
	}
	if k.BoxSince < event.ClockSet {
		k.BoxSince = 0
	}
	g.put(store.Devices, key, k)
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

// stillSilent keeps open the alert of a device that was silent before the start and has not been received since: the
// device list begins empty, so the common rule cannot find it.
func (g *keeping) stillSilent() []check.Rule {
	if len(g.away) == 0 {
		return nil
	}
	return []check.Rule{{ID: "silent", Severity: check.Warning,
		Check: func(p *check.Pass) {
			for i := range g.away {
				k := &g.away[i]
				if p.State.Device(k.Subject) != nil || g.mayHaveSent(p.State, k.Subject) {
					continue
				}
				p.Find(check.Finding{Subject: k.Subject, Severity: k.Severity, Devices: k.Devices, Network: k.Network,
					Since: k.Since, Summary: k.Summary, Evidence: k.Evidence, Steps: check.StepsOr(k.Steps, k.Remedy)})
			}
		}}}
}

// mayHaveSent reports whether a device without a NAME sends from the address that the device had.
func (g *keeping) mayHaveSent(s *boat.State, id string) bool {
	return slices.ContainsFunc(s.Devices, func(o boat.Device) bool {
		k := g.past[o.Network+"/"+id]
		return k.Address != nil && o.Network == k.Network && o.State == boat.Provisional &&
			o.Address != nil && *o.Address == *k.Address
	})
}
