package check_test

import (
	"cmp"
	"flag"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"runtime"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
)

var (
	scoreFull  = flag.Bool("full", false, "TestScore: 2,000 boat-hours without a fault and 500 boats for each fault; without it, a run of seconds")
	scoreFault = flag.String("fault", "", "TestScore: only the faults of this check")
)

// A trial is one boat that lived, and what was raised of it.
type trial []alert.Change

// by is what raised an alert of the check after a moment, naming what it has to; nil when nothing did.
func (t trial) by(id, names string, after event.Time) *alert.Change {
	for i := range t {
		if c := &t[i]; c.Alert.Check == id && c.At > after && strings.Contains(c.Alert.Summary, names) {
			return c
		}
	}
	return nil
}

// live lets a boat live for the span, with faults from breakAt on, and watches over it as the daemon does. It ends when all are found.
func live(seed uint64, span, breakAt time.Duration, faults ...fault) trial {
	var t trial
	model := boat.New(boat.Options{Clock: boat.ClockCapture})
	w := alert.NewWatch(model, check.DefaultSettings(), alert.DefaultSettings())
	w.OnChange = func(c alert.Change) {
		if c.Kind == alert.Raised || c.Kind == alert.Regraded {
			t = append(t, c)
		}
	}
	c := newCraft(seed, func(e event.Event) { w.Feed(e) })
	c.equip()
	var breaks []func()
	for _, f := range faults {
		breaks = append(breaks, f.prepare(c))
	}
	found := func() bool {
		return len(faults) > 0 && !slices.ContainsFunc(faults, func(f fault) bool { return t.by(f.check, f.names, c.start.Add(breakAt)) == nil })
	}
	w.Feed(event.Event{Kind: event.KindNetwork, Time: c.now, Info: &event.Network{ID: "can0", Kind: event.NMEA2000, BitRate: 250_000}},
		event.Event{Kind: event.KindNetwork, Time: c.now, Network: 1, Info: &event.Network{ID: "line", Kind: event.NMEA0183, BitRate: 4800}})
	for _, u := range c.units {
		if u.name != 0 && !u.off {
			u.appear()
		}
	}
	c.run(c.start.Add(breakAt))
	for _, b := range breaks {
		b()
	}
	for c.now < c.start.Add(span) && !found() {
		c.run(c.now.Add(10 * time.Second))
		w.Advance(c.now)
	}
	return t
}

// A score is what was counted of one fault.
type score struct {
	boats, found int
	took         []time.Duration
}

// TestScore lets random boats live, sound ones and ones with each fault, and holds the checks to how often they are right. With -full it
// prints the table of the README.
func TestScore(t *testing.T) {
	sound, hour, boats := 8, 10*time.Minute, 4
	switch {
	case *scoreFull:
		sound, hour, boats = 2000, time.Hour, 500
	case testing.Short():
		sound, boats = 2, 2
	}
	if *scoreFault == "" {
		scoreSound(t, sound, hour)
	}
	var table []string
	for _, f := range faultsAboard() {
		if *scoreFault != "" && f.check != *scoreFault {
			continue
		}
		s, others := scoreOne(&f, boats)
		low, high := interval(s.found, s.boats)
		took := "–"
		if len(s.took) > 0 {
			slices.Sort(s.took)
			took = strings.NewReplacer("m0s", " min", "m", " min ", "s", " s").Replace(s.took[len(s.took)/2].Round(time.Second).String())
		}
		table = append(table, fmt.Sprintf("| %s | %s | %.3f (%.3f–%.3f) | %s |", f.check, f.size, share(s.found, s.boats), low, high, took))
		if share(s.found, s.boats) < 0.98 {
			t.Errorf("%s, %s: %d of %d found", f.check, f.size, s.found, s.boats)
		}
		for _, id := range slices.Sorted(maps.Keys(others)) {
			t.Errorf("%s, %s: %s says something too, in %d of %d: %s", f.check, f.size, id, others[id].n, s.boats, others[id].first)
		}
	}
	if *scoreFault == "" {
		scoreSeveral(t, 4*boats)
	}
	t.Logf("\n| check | fault | found (95 %%) | after |\n| --- | --- | --- | --- |\n%s", strings.Join(table, "\n"))
}

// wrongs counts the boats of which a check reported what is not so, with its first report.
type wrongs map[string]*wrong

type wrong struct {
	n     int
	first string
}

// add takes what a trial raised beside what it may.
func (w wrongs) add(seed uint64, t trial, may func(*alert.Change) bool) {
	said := map[string]bool{}
	for i := range t {
		c := &t[i]
		if id := c.Alert.Check; !said[id] && !may(c) {
			said[id] = true
			w.count(id, fmt.Sprintf("seed %d: %s", seed, c.Alert.Summary))
		}
	}
}

func (w wrongs) count(id, what string) {
	if w[id] == nil {
		w[id] = &wrong{first: what}
	}
	w[id].n++
}

// scoreOne lets boats have a fault two minutes into their lives.
func scoreOne(f *fault, boats int) (s score, others wrongs) {
	const breakAt = 2 * time.Minute
	broke := event.Time(1_780_000_000e9).Add(breakAt)
	others = wrongs{}
	span := breakAt + cmp.Or(f.within, 5*time.Minute)
	for i, got := range atOnce(boats, func(i int) trial { return live(uint64(1_000_000+i), span, breakAt, *f) }) {
		seed := uint64(1_000_000 + i)
		s.boats++
		if c := got.by(f.check, f.names, broke); c != nil {
			s.found++
			s.took = append(s.took, c.At.Sub(broke))
		}
		others.add(seed, got, func(c *alert.Change) bool {
			return c.Alert.Severity == check.Info || c.At > broke && (c.Alert.Check == f.check || slices.Contains(f.also, c.Alert.Check))
		})
	}
	return s, others
}

// scoreSeveral lets boats have three faults at a time: one must not hide another.
func scoreSeveral(t *testing.T, boats int) {
	const breakAt, span = 2 * time.Minute, 8 * time.Minute
	broke := event.Time(1_780_000_000e9).Add(breakAt)
	pick := func(seed uint64) []fault {
		all := faultsAboard()
		r := rand.New(rand.NewPCG(seed, 21))
		r.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
		return slices.DeleteFunc(all[:3], func(f fault) bool { return slices.Contains(alone, f.check) })
	}
	missed, wanted := wrongs{}, 0
	for i, got := range atOnce(boats, func(i int) trial { return live(uint64(2_000_000+i), span, breakAt, pick(uint64(i))...) }) {
		for _, f := range pick(uint64(i)) {
			wanted++
			if got.by(f.check, f.names, broke) == nil {
				missed.count(f.check, fmt.Sprintf("seed %d: %s", 2_000_000+i, f.size))
			}
		}
	}
	for _, id := range slices.Sorted(maps.Keys(missed)) {
		t.Errorf("%s is hidden by other faults, %d times: %s", id, missed[id].n, missed[id].first)
	}
	t.Logf("of %d faults, several aboard one boat, %d checks missed theirs", wanted, len(missed))
}

// alone are faults that leave little else to see, whose boats have fewer units, or that another bit rate contradicts.
var alone = []string{"bus-off", "low-voltage", "multiple-sources", "wrong-bit-rate"}

// scoreSound lets boats without a fault live. That several units measure the same is no fault, and reported as info.
func scoreSound(t *testing.T, boats int, span time.Duration) {
	warnings, infos := wrongs{}, wrongs{}
	for i, got := range atOnce(boats, func(i int) trial { return live(uint64(i), span, 0) }) {
		warnings.add(uint64(i), got, func(c *alert.Change) bool { return c.Alert.Severity == check.Info })
		infos.add(uint64(i), got, func(c *alert.Change) bool {
			return c.Alert.Severity != check.Info || c.Alert.Check == "multiple-sources"
		})
	}
	hours := float64(boats) * span.Hours()
	total := 0
	for _, id := range slices.Sorted(maps.Keys(warnings)) {
		total += warnings[id].n
		t.Logf("false warnings of %s: %d of %d boats: %s", id, warnings[id].n, boats, warnings[id].first)
	}
	for _, id := range slices.Sorted(maps.Keys(infos)) {
		t.Errorf("false infos of %s: %d of %d boats: %s", id, infos[id].n, boats, infos[id].first)
	}
	t.Logf("%d false warnings in %.0f boat-hours without a fault: %.2f in 100", total, hours, float64(total)/hours*100)
	if float64(total)/hours*100 > 1 {
		t.Errorf("more than one false warning in 100 boat-hours")
	}
}

// atOnce lets n boats live, as many at a time as there are processors.
func atOnce(n int, live func(i int) trial) []trial {
	all := make([]trial, n)
	var next atomic.Int64
	var wg sync.WaitGroup
	for range runtime.GOMAXPROCS(0) {
		wg.Go(func() {
			for i := int(next.Add(1)) - 1; i < n; i = int(next.Add(1)) - 1 {
				all[i] = live(i)
			}
		})
	}
	wg.Wait()
	return all
}

func share(n, of int) float64 { return float64(n) / float64(max(of, 1)) }

// interval is the 95 % interval of a share by Wilson (1927).
func interval(n, of int) (low, high float64) {
	const z = 1.959964
	k, p := float64(of), share(n, of)
	mid := (p + z*z/(2*k)) / (1 + z*z/k)
	half := z / (1 + z*z/k) * math.Sqrt(p*(1-p)/k+z*z/(4*k*k))
	return max(0, mid-half), min(1, mid+half)
}
