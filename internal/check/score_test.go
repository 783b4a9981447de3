package check_test

import (
	"cmp"
	"flag"
	"fmt"
	"maps"
	"math"
	"math/rand/v2"
	"runtime"
	"runtime/debug"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"gonum.org/v1/gonum/stat/distuv"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
)

var (
	scoreFull  = flag.Bool("full", false, "TestScore: a full run, of as many hours and boats as given; without it, one of seconds")
	scoreFault = flag.String("fault", "", "TestScore: only the faults of this check")
	scoreHours = flag.Int("hours", 2000, "TestScore: boat-hours without a fault of a full run")
	scoreBoats = flag.Int("boats", 500, "TestScore: boats for each fault of a full run")
)

// A trial is one boat that lived, and what was raised of it.
type trial struct {
	raised []alert.Change
	names  map[string]string // by check: what its report has to say
}

// by is what raised an alert of the check after a moment, saying what it has to; nil when nothing did.
func (t *trial) by(id string, after event.Time) *alert.Change {
	for i := range t.raised {
		if c := &t.raised[i]; c.Alert.Check == id && c.At > after && strings.Contains(c.Alert.Summary, t.names[id]) {
			return c
		}
	}
	return nil
}

// live lets a boat live for the span, with faults from breakAt on, and watches over it as the daemon does. It ends when all are found.
func live(seed uint64, span, breakAt time.Duration, faults ...fault) trial {
	c := newCraft(seed)
	t := trial{names: c.names}
	c.begin = func() {
		c.watch = alert.NewWatch(boat.New(boat.Options{Clock: boat.ClockCapture}), check.DefaultSettings(), alert.DefaultSettings())
		c.watch.SetExtra(c.extra)
		c.watch.OnChange = func(c alert.Change) {
			if c.Kind == alert.Raised || c.Kind == alert.Regraded {
				t.raised = append(t.raised, c)
			}
		}
		c.watch.Feed(event.Event{Kind: event.KindNetwork, Time: c.now, Info: &event.Network{ID: "can0", Kind: event.NMEA2000, BitRate: 250_000}},
			event.Event{Kind: event.KindNetwork, Time: c.now, Network: 1, Info: &event.Network{ID: "line", Kind: event.NMEA0183, BitRate: 4800}})
		c.batch = c.batch[:0]
		for _, u := range c.units {
			if u.name != 0 && !u.off {
				u.appear()
			}
		}
		c.flush()
	}
	c.equip()
	var breaks []func()
	for _, f := range faults {
		breaks = append(breaks, f.prepare(c))
	}
	c.begin()
	if len(faults) == 0 && seed%onPaperOf == 0 {
		c.onPaper()
	}
	found := func() bool {
		return len(faults) > 0 && !slices.ContainsFunc(faults, func(f fault) bool { return t.by(f.check, c.start.Add(breakAt)) == nil })
	}
	c.run(c.start.Add(breakAt))
	c.watch.Advance(c.now) // what is due before the fault is judged before it
	for _, b := range breaks {
		b()
	}
	c.flush()
	for c.now < c.start.Add(span) && !found() {
		c.run(c.now.Add(10 * time.Second))
		c.watch.Advance(c.now)
	}
	return t
}

// breakAt is when the faults of a boat begin, at no fixed moment between two runs of the checks.
func breakAt(seed uint64) time.Duration {
	return 75*time.Second + time.Duration(rand.New(rand.NewPCG(seed, 3)).Int64N(int64(10*time.Second)))
}

// A score is what was counted of one fault.
type score struct {
	boats, found int
	took         []time.Duration
}

// row is a line of the table: how many were found, how soon, and how often the check reports what is not so.
func (s *score) row(f *fault, wrong string) string {
	low, high := interval(s.found, s.boats)
	return fmt.Sprintf("| %s | %s | %.3f (%.3f–%.3f) | %s | %s |", f.check, f.size, share(s.found, s.boats), low, high, middling(s.took), wrong)
}

// middling is the median of times with its 95 % interval, which lies between two of them (binomial ranks).
func middling(took []time.Duration) string {
	n := len(took)
	if n == 0 {
		return "–"
	}
	slices.Sort(took)
	half := 0.98 * math.Sqrt(float64(n))
	at := func(rank float64) float64 { return took[min(n-1, max(0, int(rank)))].Seconds() }
	mid := float64(n-1) / 2
	return fmt.Sprintf("%.0f s (%.0f–%.0f)", at(mid), at(mid-half), at(math.Ceil(mid+half)))
}

// TestScore lets random boats live, sound ones and ones with each fault, and holds the checks to how often they are right. With -full it
// prints the table of the README.
func TestScore(t *testing.T) {
	defer debug.SetGCPercent(debug.SetGCPercent(800))
	sound, hour, boats := 8, 10*time.Minute, 4
	switch {
	case *scoreFull:
		sound, hour, boats = *scoreHours, time.Hour, *scoreBoats
	case testing.Short():
		sound, boats = 2, 2
	}
	wrong := func(string) string { return "–" }
	if *scoreFault == "" {
		wrong = scoreSound(t, sound, hour)
	}
	var table []string
	before := ""
	for _, f := range faultsAboard() {
		if *scoreFault != "" && f.check != *scoreFault {
			continue
		}
		s, others := scoreOne(&f, boats)
		rate := ""
		if f.check != before {
			rate = wrong(f.check)
		}
		before = f.check
		table = append(table, s.row(&f, rate))
		t.Log(table[len(table)-1])
		if share(s.found, s.boats) < 0.98 {
			t.Errorf("%s, %s: %d of %d found", f.check, f.size, s.found, s.boats)
		}
		others.hold(t, boats, fmt.Sprintf("%s, %s: another report", f.check, f.size))
	}
	if *scoreFault == "" {
		scoreSeveral(t, 2*boats)
	}
	t.Logf("\n| check | fault | found (95 %%) | after, median (95 %%) | wrong in 100 h (95 %%) |\n| --- | --- | --- | --- | --- |\n%s", strings.Join(table, "\n"))
}

// TestScoreCoversEveryCheck: there is a fault for each check that a boat can have one for.
func TestScoreCoversEveryCheck(t *testing.T) {
	covered := map[string]bool{}
	for _, f := range faultsAboard() {
		covered[f.check] = true
	}
	for _, id := range check.IDs() {
		if covered[id] == slices.Contains(notAboard, id) {
			t.Errorf("%s: it needs a fault, or a reason to have none", id)
		}
	}
}

// hold reports what was counted. A full run may have one in fifty, a short one none.
func (w wrongs) hold(t *testing.T, boats int, what string) {
	for _, id := range slices.Sorted(maps.Keys(w)) {
		line := fmt.Sprintf("%s: %s, in %d of %d: %s", what, id, w[id].n, boats, w[id].first)
		if w[id].n*50 > boats {
			t.Error(line)
		} else {
			t.Log(line)
		}
	}
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
	for i := range t.raised {
		c := &t.raised[i]
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

func (w wrongs) total() (n int) {
	for _, of := range w {
		n += of.n
	}
	return n
}

// scoreOne lets boats have a fault two minutes into their lives.
func scoreOne(f *fault, boats int) (s score, others wrongs) {
	others = wrongs{}
	one := func(i int) trial {
		seed := uint64(1_000_000 + i)
		at := breakAt(seed)
		return live(seed, at+cmp.Or(f.within, 5*time.Minute), at, *f)
	}
	for i, got := range atOnce(boats, one) {
		seed := uint64(1_000_000 + i)
		broke := event.Time(1_780_000_000e9).Add(breakAt(seed))
		s.boats++
		if c := got.by(f.check, broke); c != nil {
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
	const span = 8 * time.Minute
	pick := func(seed uint64) []fault {
		all := faultsAboard()
		r := rand.New(rand.NewPCG(seed, 21))
		r.Shuffle(len(all), func(i, j int) { all[i], all[j] = all[j], all[i] })
		return slices.DeleteFunc(all[:3], func(f fault) bool { return slices.Contains(alone, f.check) })
	}
	missed, wanted := wrongs{}, 0
	for i, got := range atOnce(boats, func(i int) trial { return live(uint64(2_000_000+i), span, breakAt(uint64(i)), pick(uint64(i))...) }) {
		broke := event.Time(1_780_000_000e9).Add(breakAt(uint64(i)))
		for _, f := range pick(uint64(i)) {
			wanted++
			if got.by(f.check, broke) == nil {
				missed.count(f.check, fmt.Sprintf("seed %d: %s", 2_000_000+i, f.size))
			}
		}
	}
	missed.hold(t, boats, "hidden by other faults")
	t.Logf("of %d faults, several aboard one boat, %d were missed", wanted, missed.total())
}

// alone are faults that leave little else to see, whose boats have fewer units, that another bit rate contradicts, or at which muster starts anew.
var alone = []string{"bus-off", "low-voltage", "missing", "multiple-sources", "new-device", "replaced", "wrong-bit-rate"}

// scoreSound lets boats without a fault live, and gives how often each check reports what is not so. That several units measure the same
// is no fault, and reported as info.
func scoreSound(t *testing.T, boats int, span time.Duration) func(id string) string {
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
	infos.hold(t, boats, "false info")
	t.Logf("%d false warnings in %.0f boat-hours without a fault, in 100: %s", total, hours, rate(total, hours))
	if float64(total)/hours*100 > 1 {
		t.Errorf("more than one false warning in 100 boat-hours")
	}
	return func(id string) string {
		n, of := 0, hours
		for _, w := range []*wrong{warnings[id], infos[id]} {
			if w != nil {
				n += w.n
			}
		}
		if slices.ContainsFunc(faultsOnPaper(), func(f fault) bool { return f.check == id }) {
			of /= onPaperOf
		}
		return rate(n, of)
	}
}

// rate is how many there were in 100 hours, with its 95 % interval by Garwood (1936).
func rate(n int, hours float64) string {
	low := 0.0
	if n > 0 {
		low = distuv.ChiSquared{K: float64(2 * n)}.Quantile(0.025) / 2
	}
	high := distuv.ChiSquared{K: float64(2*n + 2)}.Quantile(0.975) / 2
	return fmt.Sprintf("%.2f (%.2f–%.2f)", float64(n)/hours*100, low/hours*100, high/hours*100)
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
