package locate

import (
	"errors"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"muster/internal/backbone"
	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/report"
)

// Outcome is how one unit of the layout is heard.
type Outcome uint8

// The outcomes, from what is as it should be.
const (
	Unknown    Outcome = iota // nothing tells which unit it would be
	Steady                    // heard all the time
	Lossy                     // messages are missing by their counters
	Gaps                      // away for a while, and back
	Restarting                // claims its address again
	Silent                    // heard before, now not
	Absent                    // never heard
	Floods                    // most of the traffic is its own
	Disputed                  // another unit has its address
	outcomes
)

// logOutcome is how probable each outcome is under each effect, as logarithm (common practice, no source; the score of the package's
// tests holds them to what simulated boats do). A unit that sends no counted messages does not show losses; one that restarts may look
// away; a unit that does not answer is silent, or absent if it was so from the start.
var logOutcome = func() (t [effects][outcomes]float64) {
	for x, row := range [effects][outcomes]float64{
		//           steady lossy gaps restart silent absent floods disputed
		unharmed:  {1, .992, .002, .0008, .0008, .001, .002, .0006, .0008},
		grazed:    {1, .92, .06, .003, .003, .006, .005, .001, .002},
		marred:    {1, .56, .40, .01, .01, .01, .005, .002, .003},
		noisy:     {1, .28, .62, .05, .02, .02, .005, .002, .003},
		contested: {1, .08, .03, .05, .05, .15, .04, .005, .595},
		flooding:  {1, .03, .02, .01, .01, .01, .01, .90, .01},
		fades:     {1, .12, .25, .44, .01, .16, .01, .005, .005},
		flickers:  {1, .04, .03, .05, .75, .11, .01, .005, .005},
		weak:      {1, .06, .03, .07, .72, .10, .01, .005, .005},
		cut:       {1, .005, .002, .004, .006, .62, .36, .001, .001},
	} {
		for o, p := range row {
			t[x][o] = math.Log(p)
		}
	}
	return t
}()

// logErrors is how probable a level of error frames is (second) under each that a cause makes (first), as logarithm. Many sources do not show error
// frames, and a receiver marks no errors when it is error-passive: none is no proof.
var logErrors = func() (t [levels][levels]float64) {
	for x, row := range [levels][levels]float64{
		quiet: {.95, .04, .01},
		some:  {.40, .45, .15},
		many:  {.20, .25, .55},
	} {
		for o, p := range row {
			t[x][o] = math.Log(p)
		}
	}
	return t
}()

// otherOutcome is the outcome of a unit under a cause that is not in the table, and otherError and otherReading likewise.
var otherOutcome = [outcomes]float64{1, .76, .04, .04, .04, .05, .04, .01, .02}

const (
	otherError   = 1.0 / 3
	otherReading = 0.05
	logApart     = -2.3 // for each further moment at which units fall silent, beyond one for each cause
)

// Error frames a second at which there are some, and many (own choice).
const (
	someErrors = 0.02
	manyErrors = 2
)

// Sight is how one unit is heard.
type Sight struct {
	Outcome Outcome
	Since   event.Time // when it was last heard, or restarted
	usual   time.Duration
}

// Evidence is what is known of a network: from the wire, and from a person.
type Evidence struct {
	Network  string
	Boat     string
	TakenAt  event.Time
	Units    []Sight // of each drop of the layout, in its order
	Errors   level
	Onsets   int // different moments at which units fell silent
	Voltages []Reading
	Readings []Reading
	Misfit   []string   // where the layout does not fit
	Groups   [][]string // units that failed together
}

// Key is the same for evidence that says the same of where the fault is.
func (ev *Evidence) Key() string {
	s := fmt.Sprint(ev.Network, ev.Errors, ev.Onsets, ev.Misfit, ev.Groups)
	for _, u := range ev.Units {
		s += fmt.Sprint(" ", u.Outcome)
	}
	for _, r := range slices.Concat(ev.Voltages, ev.Readings) {
		s += "\n" + r.Text
	}
	return s
}

// Hear takes from a report what it shows of a layout's network. A network on which nothing is received is evidence too.
func Hear(l *backbone.Layout, r *report.Report, readings ...Reading) (*Evidence, error) {
	id, err := l.On(r)
	if err != nil {
		k := slices.IndexFunc(r.Networks, func(n report.Network) bool {
			return n.Kind == event.NMEA2000 && (l.Network == "" || n.ID == l.Network)
		})
		if k < 0 || !r.Networks[k].Silent() {
			return nil, fmt.Errorf("locate: %w", err)
		}
		id = r.Networks[k].ID
	}
	if l.Boat != "" && r.Boat.ID+r.Boat.Name != "" && !strings.EqualFold(l.Boat, r.Boat.ID) && !strings.EqualFold(l.Boat, r.Boat.Name) {
		return nil, errors.New("locate: the layout is of another boat: use that of this one")
	}
	ev := &Evidence{Network: id, Boat: r.Boat.Name, TakenAt: r.TakenAt, Readings: readings}
	k := slices.IndexFunc(r.Networks, func(n report.Network) bool { return n.ID == id })
	net := &r.Networks[k]
	ev.Errors = errorsOf(net, r.Window)
	a := l.Answers(r, id)
	drops := l.Drops()
	for i, x := range a.Devices {
		ev.Units = append(ev.Units, sight(net, r, drops[i], x, len(a.Unidentified) > 0))
	}
	settle(net, ev.Units, a.Devices)
	ev.Onsets = onsets(ev.Units)
	ev.voltages(l, drops, a.Devices)
	ev.Misfit = misfit(a)
	ev.Groups = groups(r, id)
	return ev, nil
}

// errorsOf is the level of error frames.
func errorsOf(n *report.Network, w boat.Window) level {
	span := w.To.Sub(w.From).Seconds()
	rate := float64(n.Recent().ErrorFrames) / 60
	if span > 0 {
		rate = max(rate, float64(n.Faults.ErrorFrames)/span)
	}
	switch {
	case n.State == "passive" || n.State == "bus-off" || n.Faults.ErrorFrames > 2 && rate >= manyErrors:
		return many
	case n.State == "warning" || n.Faults.ErrorFrames > 2 && rate >= someErrors:
		return some
	}
	return quiet
}

// Shares that count as a flood and as losses (own choice).
const (
	floodShare = 0.3
	lossShare  = 0.002
	holeShare  = 0.06
)

// A unit that was not received for so many of its usual intervals is away, though it may be too early for an alert (own choice).
const (
	missedAway = 2.2
	leastAway  = 10 * time.Second
)

// sight is how the unit x of a drop is heard; nil for none.
func sight(n *report.Network, r *report.Report, d backbone.Drop, x *report.Device, unidentified bool) Sight {
	if x == nil {
		if unidentified || d.Name == "" && d.Model == "" && d.Role == "" {
			return Sight{}
		}
		return Sight{Outcome: Absent}
	}
	s := Sight{Outcome: Steady, Since: x.LastSeen}
	for _, t := range x.Transmits {
		if t.Interval != nil && (s.usual == 0 || t.Interval.Mean < s.usual.Seconds()*1000) {
			s.usual = time.Duration(t.Interval.Mean * float64(time.Millisecond))
		}
	}
	missed := s.usual > 0 && r.TakenAt.Sub(x.LastSeen) > max(leastAway, time.Duration(missedAway*float64(s.usual)))
	away := x.State == boat.Silent || x.State == boat.Gone || missed
	switch restarts := recent(x, r.Window); {
	case x.State == boat.NoAddress || disputed(n, x):
		s.Outcome = Disputed
	case x.Load > floodShare && !away:
		s.Outcome = Floods
	case len(restarts) > 1 || len(restarts) == 1 && !away:
		s.Outcome, s.Since = Restarting, restarts[len(restarts)-1]
	case x.Live != nil && len(x.Live.Heard) > 1:
		s.Outcome = Gaps
	case away:
		s.Outcome = Silent
	case lost(x):
		s.Outcome = Lossy
	}
	return s
}

// settle takes back what cannot be known yet. A unit that sends rarely and was not received since others fell silent may be silent too. Of
// units that dispute an address, the one that had another before took it.
func settle(n *report.Network, units []Sight, devices []*report.Device) {
	var fell event.Time
	took := make([]bool, len(units))
	for i, u := range units {
		if u.Outcome == Silent {
			fell = max(fell, u.Since)
		}
		took[i] = u.Outcome == Disputed && tookAddress(n, devices[i])
	}
	for i := range units {
		switch u := &units[i]; {
		case u.Outcome == Steady && u.Since <= fell.Add(time.Second) && fell != 0:
			u.Outcome = Unknown
		case u.Outcome == Disputed && slices.Contains(took, true) && !took[i]:
			u.Outcome = Unknown
		}
	}
}

// tookAddress reports whether a unit had another address before the one that it disputes.
func tookAddress(n *report.Network, x *report.Device) bool {
	return n.Live != nil && x.Live != nil && len(x.Addresses) > 1 && slices.ContainsFunc(n.Live.Contests,
		func(c boat.Contest) bool {
			return slices.Contains(c.Names, x.Live.ID) && c.Address != x.Addresses[0].Address
		})
}

// recent are the restarts within the window.
func recent(x *report.Device, w boat.Window) []event.Time {
	return slices.DeleteFunc(slices.Clone(x.LastRestarts()), func(t event.Time) bool { return t < w.From })
}

// lost reports whether so many of its messages never came that it is no accident: by their counters, or by holes in what comes by the clock.
func lost(x *report.Device) bool {
	sent := uint64(0)
	for i := range x.Transmits {
		t := &x.Transmits[i]
		if sent += t.Count; holed(t) {
			return true
		}
	}
	return x.Live != nil && x.Live.LostMessages >= 3 && float64(x.Live.LostMessages) > lossShare*float64(sent)
}

// holed reports whether a message comes by the clock, with holes: the mean interval is then longer than the shortest, and the longest is a
// multiple of it.
func holed(t *report.Transmit) bool {
	if t.Interval == nil || t.Count < 50 || t.Interval.Min <= 0 {
		return false
	}
	share, periods := 1-t.Interval.Min/t.Interval.Mean, t.Interval.Max/t.Interval.Min
	return share > holeShare && share < .75 && periods > 1.8 && math.Abs(periods-math.Round(periods)) < .02*periods
}

// disputed reports whether another unit uses the address of x, or claims its NAME.
func disputed(n *report.Network, x *report.Device) bool {
	if x.Live != nil && x.Live.Sharing != nil {
		return true
	}
	return n.Live != nil && slices.ContainsFunc(n.Live.Contests, func(c boat.Contest) bool {
		return x.Live != nil && slices.Contains(c.Names, x.Live.ID)
	})
}

// slack is how much later than another a unit may have been last heard though both stopped together.
const slack = 5 * time.Second

// onsets counts the moments at which units fell silent.
func onsets(units []Sight) int {
	var gone []Sight
	for _, u := range units {
		if u.Outcome == Silent {
			gone = append(gone, u)
		}
	}
	slices.SortFunc(gone, func(a, b Sight) int { return int(a.Since.Sub(b.Since) / time.Millisecond) })
	k := 0
	for i, u := range gone {
		if i == 0 || u.Since.Sub(gone[i-1].Since) > slack+2*gone[i-1].usual {
			k++
		}
	}
	return k
}

// voltages are what units report of the network power.
func (ev *Evidence) voltages(l *backbone.Layout, drops []backbone.Drop, devices []*report.Device) {
	points := l.Line()
	for i, d := range drops {
		v := d.Voltage(devices[i])
		if v == nil {
			continue
		}
		r := Reading{Text: fmt.Sprintf("%s reports %.1f V", d.Label(), *v), point: slices.Index(points, d.At), drop: i, value: *v}
		if !d.OwnConnection() {
			r.point, r.drop, r.side = slices.Index(points, d.Measures), -1, fromSource
		}
		ev.Voltages = append(ev.Voltages, r)
	}
}

// misfit says where the layout does not fit what is received. A planned unit that is not received may be what is at fault; one that is
// received and not planned shows that the layout is not of this network, or is old.
func misfit(a backbone.Answering) (lines []string) {
	var extra []string
	for _, x := range a.Extra {
		extra = append(extra, x.Label())
	}
	if len(extra) > 0 {
		lines = append(lines, "Received, but not in the layout: "+strings.Join(extra, ", ")+".")
	}
	found := 0
	for _, x := range a.Devices {
		if x != nil {
			found++
		}
	}
	if found == 0 && len(extra) > 0 {
		lines = append(lines, "No unit of the layout is received: it is probably the layout of another network.")
	}
	return lines
}

// groups are the units that fell silent or restarted at one moment, two or more. network is "" for all.
func groups(r *report.Report, network string) [][]string {
	type moment struct {
		at   event.Time
		name string
		slow time.Duration
	}
	var all []moment
	for i := range r.Networks {
		n := &r.Networks[i]
		if n.Kind != event.NMEA2000 || network != "" && n.ID != network {
			continue
		}
		for _, x := range r.On(n.ID) {
			s := sight(n, r, backbone.Drop{}, x, false)
			if s.Outcome == Silent || s.Outcome == Restarting || s.Outcome == Gaps {
				all = append(all, moment{s.Since, x.Label(), 2 * s.usual})
			}
		}
	}
	slices.SortStableFunc(all, func(a, b moment) int { return int(a.at.Sub(b.at) / time.Millisecond) })
	out := [][]string{}
	for i := 0; i < len(all); {
		k, names := i+1, []string{all[i].name}
		for k < len(all) && all[k].at.Sub(all[k-1].at) <= slack+all[k-1].slow {
			names = append(names, all[k].name)
			k++
		}
		if len(names) > 1 {
			out = append(out, names)
		}
		i = k
	}
	return out
}
