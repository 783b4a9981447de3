package release

import (
	"time"

	"muster/internal/event"
	"muster/pgn"
)

// Messages that hold the conditions; each fits one frame (published titles: Battery Status; Engine Parameters, Rapid
// Update; COG & SOG, Rapid Update).
const (
	batteryPGN = 127508
	enginePGN  = 127488
	speedPGN   = 129026
)

const (
	gaugeFresh   = 10 * time.Second // a value older than this is not known any more
	gaugeSources = 32               // sources and instances kept of one quantity; more are not looked at
	trendMinutes = 31               // minutes kept for the trend
	trendLeast   = 10               // minutes from which there is a trend
)

// Gauge reads Conditions off the traffic. The zero value is ready. It has no allocation per frame once warm, and one
// goroutine uses it. InWater, which no message holds, is for the caller to fill.
type Gauge struct {
	volts, rpm, speed []reading
	minutes           []minute // lowest voltages, oldest first
	values            []pgn.Value
}

// reading is the latest value of one source and instance.
type reading struct {
	key   uint32
	at    event.Time
	since event.Time // received from then on without a break
	value float64
	low   [2]float64 // lowest of this half-window and the one before
	half  event.Time // when this half-window began
}

type minute struct {
	start event.Time
	low   float64
}

// Feed takes one event; only data frames count.
func (g *Gauge) Feed(ev *event.Event) {
	switch ev.Frame.ID >> 8 & 0x3FFFF { // none of them is addressed
	case batteryPGN, enginePGN, speedPGN:
		g.frame(ev)
	}
}

func (g *Gauge) frame(ev *event.Event) {
	if ev.Kind != event.KindFrame || ev.Frame.IsRemote || !ev.Frame.IsExtended {
		return
	}
	id := pgn.ID(ev.Frame.ID)
	var into *[]reading
	var instance, value string
	switch id.PGN() {
	case batteryPGN:
		into, instance, value = &g.volts, "battery_instance", "voltage"
	case enginePGN:
		into, instance, value = &g.rpm, "engine_instance", "engine_speed"
	case speedPGN:
		into, instance, value = &g.speed, "", "sog"
	default:
		return
	}
	def := pgn.Lookup(id.PGN())
	if def == nil {
		return
	}
	var err error
	if g.values, err = def.Decode(ev.Frame.Data[:min(ev.Frame.Length, 8)], g.values); err != nil {
		return
	}
	key, number, known := uint32(id.Source())<<8|uint32(ev.Network)<<16, 0.0, false
	for i := range g.values {
		switch v := &g.values[i]; {
		case v.Field.Key == instance:
			key |= uint32(v.Raw) & 0xFF
		case v.Field.Key == value && v.State == pgn.Available:
			number, known = v.Number, true
		}
	}
	if !known {
		return
	}
	take(into, key, ev.Time, number)
	if into == &g.volts {
		g.trend(ev.Time, number)
	}
}

// Shift moves what was read so far by the given span, as when the clock that stamped it was set.
func (g *Gauge) Shift(by time.Duration) {
	for _, list := range [][]reading{g.volts, g.rpm, g.speed} {
		for i := range list {
			r := &list[i]
			r.at, r.since, r.half = r.at.Add(by), r.since.Add(by), r.half.Add(by)
		}
	}
	for i := range g.minutes {
		g.minutes[i].start = g.minutes[i].start.Add(by)
	}
}

// fresh reports whether the value counts now. One from the future is of before the clock went back.
func (r *reading) fresh(now event.Time) bool { return now.Sub(r.at).Abs() <= gaugeFresh }

// take keeps a value, instead of one that is too old when there is no room.
func take(list *[]reading, key uint32, at event.Time, value float64) {
	var r *reading
	for i := range *list {
		if o := &(*list)[i]; o.key == key || r == nil && len(*list) == gaugeSources && !o.fresh(at) {
			r = o
		}
	}
	if r == nil {
		if len(*list) == gaugeSources {
			return
		}
		*list = append(*list, reading{})
		r = &(*list)[len(*list)-1]
	}
	switch {
	case r.key != key || r.at == 0 || at.Sub(r.at) > gaugeFresh || at < r.at:
		*r = reading{key: key, since: at, half: at, low: [2]float64{value, value}}
	case at.Sub(r.half) > gaugeFresh/2:
		r.half, r.low = at, [2]float64{value, r.low[0]}
	}
	r.at, r.value, r.low[0] = at, value, min(r.low[0], value)
}

// trend keeps the lowest voltage of each minute.
func (g *Gauge) trend(at event.Time, volts float64) {
	n := len(g.minutes)
	if n > 0 && at < g.minutes[n-1].start {
		g.minutes, n = g.minutes[:0], 0 // time went back
	}
	if n > 0 && at.Sub(g.minutes[n-1].start) < time.Minute {
		g.minutes[n-1].low = min(g.minutes[n-1].low, volts)
		return
	}
	if n == trendMinutes {
		copy(g.minutes, g.minutes[1:])
		g.minutes = g.minutes[:n-1]
	}
	g.minutes = append(g.minutes, minute{at, volts})
}

// Conditions are those of the last ten seconds: the lowest voltage, the fastest engine and the highest speed. What
// was not received is nil. The trend needs ten minutes.
func (g *Gauge) Conditions(now event.Time) Conditions {
	var c Conditions
	for _, r := range g.volts {
		if low := min(r.low[0], r.low[1]); r.fresh(now) && (c.SupplyVolts == nil || low < *c.SupplyVolts) {
			c.SupplyVolts, c.SupplySince = &low, r.since
		}
	}
	c.EngineRPM, c.EngineSince = highest(g.rpm, now)
	c.SpeedMS, c.SpeedSince = highest(g.speed, now)
	// Means of the first and last three full minutes, so that one sag is no trend; the minute that runs is not full.
	if n := len(g.minutes) - 1; n >= trendLeast && c.SupplyVolts != nil {
		var first, last float64
		for i := range 3 {
			first += g.minutes[i].low / 3
			last += g.minutes[n-1-i].low / 3
		}
		perHour := (last - first) / g.minutes[n-2].start.Sub(g.minutes[1].start).Hours()
		c.SupplyTrend, c.TrendSince = &perHour, g.minutes[0].start
	}
	return c
}

func highest(list []reading, now event.Time) (out *float64, since event.Time) {
	for _, r := range list {
		if v := r.value; r.fresh(now) && (out == nil || v > *out) {
			out, since = &v, r.since
		}
	}
	return out, since
}
