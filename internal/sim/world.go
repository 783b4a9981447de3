package sim

import (
	"math"
	"math/rand/v2"
	"time"

	"muster/internal/event"
)

const (
	knot  = 1852.0 / 3600 // m/s
	step  = 100 * time.Millisecond
	degM  = 1852.0 * 60 // metres in a degree of latitude
	rad   = math.Pi / 180
	kelv  = 273.15
	twoPi = 2 * math.Pi
)

// view is what the boat is doing at one moment. Angles are radians, speeds m/s, depths m, temperatures K, pressures Pa; latitude
// and longitude are degrees. Every device and every 0183 sentence draws on the same view, so they agree with each other.
type view struct {
	now      event.Time
	lat, lon float64
	heading  float64 // true
	rot      float64 // rad/s, positive to starboard
	stw      float64
	cog, sog float64
	set      float64 // direction the current runs to
	drift    float64
	varia    float64 // magnetic variation, positive east
	devia    float64
	depth    float64 // below the transducer
	pitch    float64
	roll     float64
	heave    float64
	rudder   float64
	tws, twd float64 // wind over the ground, from
	aws, awa float64 // apparent, angle from the bow
	rpm      float64
	load     float64 // engine load, 0..1
	boost    float64
	oil      float64 // pressure of the engine's oil
	gearOil  float64
	gear     uint8   // as on the bus: 0 forward, 1 neutral
	charge   float64 // V of the alternator
	fuelRate float64 // L/h
	hours    float64 // engine seconds
	fuel     float64 // share of the tank, 0..1
	water    float64
	waste    float64
	volts    float64 // house bank
	amps     float64
	soc      float64 // 0..1
	seaT     float64
	airT     float64
	engineT  float64
	cabinT   float64
	pressure float64
	humidity float64 // 0..1
	log      float64 // m
	trip     float64
	sats     int
	hdop     float64
	wpLat    float64
	wpLon    float64
	xte      float64
	own      target
	targets  [4]target
}

// target is another ship.
type target struct {
	mmsi      uint32
	name      string
	callsign  string
	kind      uint8 // type of ship and cargo
	classB    bool
	length    float64
	beam      float64
	draught   float64
	dest      string
	lat, lon  float64
	cog, sog  float64
	crossTurn float64 // rad/s
}

// world moves the boat along.
type world struct {
	view
	t   float64 // seconds since the start
	at  Boat    // where it began
	rng *rand.Rand
	sag float64 // V taken from the supply
}

func newWorld(b Boat, start event.Time, rng *rand.Rand) *world {
	w := &world{rng: rng, at: b}
	w.now, w.lat, w.lon = start, b.Latitude, b.Longitude
	w.varia = b.Variation * rad
	w.fuel, w.water, w.waste, w.soc = 0.82, 0.64, 0.21, 0.93
	w.hours = 1284.6 * 3600
	w.log, w.trip = 4211.3*1852, 0
	w.wpLat, w.wpLon = b.Latitude+0.12, b.Longitude+0.09
	w.targets = [4]target{
		{mmsi: 200000001, name: "SEA THRIFT", callsign: "QZ1AA", kind: 70, length: 89, beam: 13.6, draught: 5.2, dest: "NORTH QUAY", cog: 1.1, sog: 5.9},
		{mmsi: 200000002, name: "RAZORBILL", callsign: "QZ2BB", kind: 60, length: 34, beam: 8.2, draught: 1.9, dest: "OUTER ROCKS", cog: 3.6, sog: 9.8, crossTurn: 0.002},
		{mmsi: 200000003, name: "LITTLE AUK", callsign: "QZ3CC", kind: 36, classB: true, length: 11, beam: 3.6, cog: 5.2, sog: 2.7, crossTurn: -0.004},
		{mmsi: 200000004, name: "DUNLIN", callsign: "QZ4DD", kind: 37, classB: true, length: 9, beam: 3.1, cog: 2.4, sog: 0.1},
	}
	w.own = target{mmsi: 200000000, name: b.Name, callsign: "QZ0ZZ", kind: 37, classB: true, length: 12, beam: 3.9}
	for i := range w.targets {
		w.targets[i].lat = w.lat + 0.02*float64(i-1)
		w.targets[i].lon = w.lon + 0.03*float64(2-i)
	}
	w.settle()
	return w
}

// advance moves the boat to now in equal steps, so that the result does not depend on how often it is called.
func (w *world) advance(now event.Time) {
	for now.Sub(w.now) >= step {
		w.now = w.now.Add(step)
		w.move(step.Seconds())
	}
}

func (w *world) move(dt float64) {
	w.t += dt
	w.settle()
	if w.at.Moored {
		w.advanceTargets(dt)
		return
	}
	north, east := w.sog*math.Cos(w.cog)*dt, w.sog*math.Sin(w.cog)*dt
	w.lat += north / degM
	w.lon += east / (degM * math.Cos(w.lat*rad))
	w.log += w.stw * dt
	w.trip += w.stw * dt
	w.hours += dt
	w.fuel = max(0.05, w.fuel-w.fuelRate/3600*dt/400)
	w.soc = min(1, w.soc+w.amps*dt/3600/400)
	w.advanceTargets(dt)
}

func (w *world) advanceTargets(dt float64) {
	for i := range w.targets {
		t := &w.targets[i]
		t.cog = wrap(t.cog + t.crossTurn*dt)
		t.lat += t.sog * math.Cos(t.cog) * dt / degM
		t.lon += t.sog * math.Sin(t.cog) * dt / (degM * math.Cos(t.lat*rad))
	}
}

// settle works out everything that depends on time and place alone.
func (w *world) settle() {
	if w.at.Moored {
		w.moor()
	} else {
		w.sail()
	}
	t := w.t
	w.devia = 1.5 * rad * math.Sin(w.heading)
	// The apparent wind is the true wind seen from a moving deck. Both winds blow from their direction.
	an := w.tws*math.Cos(w.twd) + w.sog*math.Cos(w.cog)
	ae := w.tws*math.Sin(w.twd) + w.sog*math.Sin(w.cog)
	w.aws, w.awa = math.Hypot(an, ae), wrap(math.Atan2(ae, an)-w.heading)
	w.amps = 18*(1.02-w.soc) + 3 + math.Sin(twoPi*t/33)
	w.volts = 13.72 + 0.05*math.Sin(twoPi*t/40) - w.sag
	w.seaT = 14.2 + kelv + 0.2*math.Sin(twoPi*t/300)
	w.airT = 16.8 + kelv + 0.4*math.Sin(twoPi*t/500)
	w.cabinT = 20.4 + kelv + 0.3*math.Sin(twoPi*t/700)
	w.pressure = 101640 - 0.05*t
	w.humidity = 0.71 + 0.02*math.Sin(twoPi*t/900)
	w.sats = 11 + int(math.Round(math.Sin(twoPi*t/180)))
	w.hdop = 0.9 + 0.1*math.Sin(twoPi*t/180)
	w.own.lat, w.own.lon, w.own.cog, w.own.sog = w.lat, w.lon, w.cog, w.sog
}

// sail is a boat under way by engine.
func (w *world) sail() {
	t := w.t
	// A slow wander about north-east: two swings that never quite repeat.
	w.heading = wrap(38*rad + 22*rad*math.Sin(twoPi*t/260) + 9*rad*math.Sin(twoPi*t/71))
	w.rot = 22*rad*twoPi/260*math.Cos(twoPi*t/260) + 9*rad*twoPi/71*math.Cos(twoPi*t/71)
	w.rudder = w.rot * 4
	w.stw = 7.2*knot + 0.35*math.Sin(twoPi*t/95)
	w.set, w.drift = 70*rad, 0.6*knot
	n := w.stw*math.Cos(w.heading) + w.drift*math.Cos(w.set)
	e := w.stw*math.Sin(w.heading) + w.drift*math.Sin(w.set)
	w.cog, w.sog = wrap(math.Atan2(e, n)), math.Hypot(n, e)
	w.depth = 17 + 6*math.Sin(w.lat*900) + 4*math.Sin(w.lon*700+1) + 0.1*math.Sin(twoPi*t/5)
	w.pitch = 2.1 * rad * math.Sin(twoPi*t/4.3)
	w.roll = 4.5*rad*math.Sin(twoPi*t/6.1) + 2*rad
	w.heave = 0.3 * math.Sin(twoPi*t/5.2)
	w.tws = 13*knot + 1.5*math.Sin(twoPi*t/47) + 0.6*math.Sin(twoPi*t/11)
	w.twd = wrap(255*rad + 8*rad*math.Sin(twoPi*t/83))
	w.rpm = 2150 + 90*math.Sin(twoPi*t/95)
	w.load = 0.52 + 0.06*math.Sin(twoPi*t/95)
	w.fuelRate = 11.4 + 1.2*math.Sin(twoPi*t/95)
	w.boost, w.oil, w.gear, w.gearOil, w.charge = 142000, 412000, 0, 1210000, 14.1
	w.engineT = 82.5 + kelv + 1.5*math.Sin(twoPi*t/120)
	w.xte = 14 * math.Sin(twoPi*t/260)
}

// moor is a boat at a quay: it moves a little in its lines, its engine is off with the ignition on, and the tide rises.
func (w *world) moor() {
	t := w.t
	w.heading = wrap(62*rad + 0.8*rad*math.Sin(twoPi*t/48) + 0.6*rad*math.Sin(twoPi*t/5.3))
	w.rot = 0.8*rad*twoPi/48*math.Cos(twoPi*t/48) + 0.6*rad*twoPi/5.3*math.Cos(twoPi*t/5.3)
	w.rudder = 1.5*rad + 0.05*rad*math.Sin(twoPi*t/48)
	w.lat = w.at.Latitude + 0.8/degM*math.Sin(twoPi*t/170)
	w.lon = w.at.Longitude + 0.8/degM/math.Cos(w.at.Latitude*rad)*math.Sin(twoPi*t/230)
	w.cog, w.sog = wrap(twoPi*t/90), 0.04+0.03*math.Sin(twoPi*t/29)
	w.depth = 3.4 + 0.00008*t + 0.03*math.Sin(twoPi*t/7)
	w.pitch = 0.2 * rad * math.Sin(twoPi*t/4.3)
	w.roll = 0.6*rad*math.Sin(twoPi*t/6.1) - 0.4*rad
	w.heave = 0.02 * math.Sin(twoPi*t/5.2)
	w.tws = 8*knot + 1.2*math.Sin(twoPi*t/47) + 0.6*math.Sin(twoPi*t/11)
	w.twd = wrap(255*rad + 12*rad*math.Sin(twoPi*t/83))
	w.boost, w.gear, w.charge = 101600, 1, 13.1
	w.engineT = 19.5 + kelv
}

// magnetic is the heading that a compass shows.
func (v *view) magnetic() float64 { return wrap(v.heading - v.varia - v.devia) }

// bearing is the direction and distance (m) to the waypoint.
func (v *view) bearing() (dir, dist float64) {
	n := (v.wpLat - v.lat) * degM
	e := (v.wpLon - v.lon) * degM * math.Cos(v.lat*rad)
	return wrap(math.Atan2(e, n)), math.Hypot(n, e)
}

// days and seconds give the date as days since 1970 and the UTC time of day.
func (v *view) days() float64    { return math.Floor(float64(v.now) / 86400e9) }
func (v *view) seconds() float64 { return math.Mod(float64(v.now)/1e9, 86400) }

func wrap(a float64) float64 {
	a = math.Mod(a, twoPi)
	if a < 0 {
		a += twoPi
	}
	return a
}
