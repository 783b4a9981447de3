// Package trend keeps how the load, the faults and the supply of a boat went over time, in rings that never grow.
package trend

import (
	"cmp"
	"math"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/report"
)

// Resolution is how far apart the points of a ring are.
type Resolution string

// The resolutions.
const (
	Second Resolution = "second" // the last hour
	Minute Resolution = "minute" // the last two days
	Hour   Resolution = "hour"   // the last year
)

// Step is the time from one point to the next.
func (r Resolution) Step() time.Duration {
	return map[Resolution]time.Duration{Second: time.Second, Minute: time.Minute, Hour: time.Hour}[r]
}

// points is how many a ring holds.
func (r Resolution) points() int {
	return map[Resolution]int{Second: 3600, Minute: 2 * 24 * 60, Hour: 366 * 24}[r]
}

// maxColumns bounds what is kept side by side: the loads of all units of a full backbone, its faults, and its banks.
const maxColumns = 96

// What a column holds is the beginning of its name.
const (
	LoadOf   = "load/"   // and a unit's id: share of the bit rate in percent, mean
	FaultsOf = "faults/" // and errors or lost: how many
	VoltsOf  = "volts/"  // and a unit's id, and the instance: mean
)

// Row is one point: the values by column; a column without one is NaN or beyond the end.
type Row struct {
	At     event.Time // its beginning
	Values []float32
}

// ring holds the latest rows, oldest first.
type ring struct {
	of   Resolution
	rows []Row // at most twice as many as it shows
}

func (r *ring) add(row Row) {
	if len(r.rows) >= 2*r.of.points() {
		r.rows = slices.Delete(r.rows, 0, len(r.rows)-r.of.points())
	}
	r.rows = append(r.rows, row)
}

func (r *ring) shown() []Row { return r.rows[max(0, len(r.rows)-r.of.points()):] }

// sum collects the rows of a longer step.
type sum struct {
	at     event.Time
	values []float64
	counts []int
}

func (s *sum) add(row Row) {
	for i, v := range row.Values {
		for len(s.values) <= i {
			s.values, s.counts = append(s.values, 0), append(s.counts, 0)
		}
		if v == v {
			s.values[i] += float64(v)
			s.counts[i]++
		}
	}
}

// row is what was collected: numbers of faults are added, all else is the mean.
func (s *sum) row(columns []string) Row {
	row := Row{At: s.at, Values: make([]float32, len(s.values))}
	for i, v := range s.values {
		switch {
		case s.counts[i] == 0:
			row.Values[i] = nan
		case strings.HasPrefix(columns[i], FaultsOf):
			row.Values[i] = float32(v)
		default:
			row.Values[i] = float32(v / float64(s.counts[i]))
		}
	}
	return row
}

var nan = float32(math.NaN())

// Trends are the rings of one boat, safe for several goroutines.
type Trends struct {
	mu                    sync.Mutex
	columns               []string
	places                map[string]int
	seconds, minutes, hrs ring
	minute, hour          sum
	faults                map[string]uint64 // counters at the latest point
}

// New has no points yet.
func New() *Trends {
	return &Trends{places: map[string]int{}, seconds: ring{of: Second}, minutes: ring{of: Minute}, hrs: ring{of: Hour}}
}

// column is the place of a column, -1 when there is no room for it.
func (t *Trends) column(name string) int {
	i, ok := t.places[name]
	if !ok {
		if len(t.columns) >= maxColumns || strings.Contains(name, "\n") { // they are kept one a line
			return -1
		}
		i = len(t.columns)
		t.columns, t.places[name] = append(t.columns, name), i
	}
	return i
}

// Observe takes what a report shows, at most once a second of its time. It returns the rows of a minute and an hour that are complete
// now, for keeping. After a step of the clock back, later points are dropped.
func (t *Trends) Observe(r *report.Report) (minute, hour *Row) {
	t.mu.Lock()
	defer t.mu.Unlock()
	at := floor(r.TakenAt, time.Second)
	if r.TakenAt < event.ClockSet {
		return nil, nil
	}
	t.rewind(at)
	if n := len(t.seconds.rows); n > 0 && t.seconds.rows[n-1].At == at {
		return nil, nil
	}
	row := Row{At: at, Values: t.measure(r)}
	minute = t.collect(&t.minute, &t.minutes, floor(at, time.Minute))
	if minute != nil {
		hour = t.collect(&t.hour, &t.hrs, floor(minute.At, time.Hour))
		t.hour.add(*minute)
	}
	t.minute.add(row)
	t.seconds.add(row)
	return minute, hour
}

// collect begins a step at a moment, and gives that before when it is over.
func (t *Trends) collect(s *sum, into *ring, at event.Time) *Row {
	if s.at == at {
		return nil
	}
	var done *Row
	if s.at != 0 && len(s.values) > 0 {
		row := s.row(t.columns)
		into.add(row)
		done = &row
	}
	*s = sum{at: at}
	return done
}

// rewind drops what is later than a moment.
func (t *Trends) rewind(at event.Time) {
	for _, r := range []*ring{&t.seconds, &t.minutes, &t.hrs} {
		for n := len(r.rows); n > 0 && r.rows[n-1].At > at; n = len(r.rows) {
			r.rows = r.rows[:n-1]
		}
	}
	if t.minute.at > at {
		t.minute = sum{}
	}
	if t.hour.at > at {
		t.hour = sum{}
	}
}

func floor(t event.Time, step time.Duration) event.Time { return t - t%event.Time(step) }

// measure reads the values of one moment.
func (t *Trends) measure(r *report.Report) []float32 {
	var values []float32
	set := func(name string, v float64) {
		if i := t.column(name); i >= 0 {
			for len(values) <= i {
				values = append(values, nan)
			}
			values[i] = float32(v)
		}
	}
	now := map[string]uint64{}
	for i := range r.Networks {
		f := &r.Networks[i].Faults
		now["errors"] += f.ErrorFrames
		now["lost"] += f.Dropped + f.BrokenSequences + f.LostMessages
	}
	for name, n := range now {
		if was, ok := t.faults[name]; ok && n >= was { // else the counter began again
			set(FaultsOf+name, float64(n-was))
		}
	}
	t.faults = now
	for _, u := range r.Aboard() {
		if d := &u.Device; d.State == boat.Present && d.Talker == "" {
			set(LoadOf+u.ID, 100*d.Load)
		}
		for i := range u.Device.Transmits {
			m := &u.Device.Transmits[i]
			if m.Volts == nil || r.TakenAt.Sub(m.VoltsAt) > 10*time.Second {
				continue
			}
			instance := "-"
			if m.Instance != nil {
				instance = strconv.Itoa(int(*m.Instance))
			}
			set(VoltsOf+u.ID+"/"+instance, *m.Volts)
		}
	}
	return values
}

// View is what a resolution shows; all of it is shared and read-only.
type View struct {
	Columns []string
	Rows    []Row // oldest first
}

// View is what is kept of a resolution.
func (t *Trends) View(of Resolution) View {
	t.mu.Lock()
	defer t.mu.Unlock()
	return View{slices.Clone(t.columns), slices.Clone(map[Resolution]*ring{Second: &t.seconds, Minute: &t.minutes, Hour: &t.hrs}[of].shown())}
}

// Since leaves out the rows before a moment.
func (v View) Since(at event.Time) View {
	i, _ := slices.BinarySearchFunc(v.Rows, at, func(r Row, at event.Time) int { return cmp.Compare(r.At, at) })
	return View{v.Columns, v.Rows[i:]}
}

// Value is the value of a column in a row, and whether it has one.
func (r *Row) Value(column int) (float64, bool) {
	if column >= len(r.Values) || r.Values[column] != r.Values[column] {
		return 0, false
	}
	return float64(r.Values[column]), true
}
