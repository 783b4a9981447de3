package fleet

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
	"muster/internal/report"
	"muster/internal/store"
)

// items makes a queue of the classes, each of ten bytes, numbered from 1.
func items(classes string) (list []store.Item) {
	for i, c := range []byte(classes) {
		list = append(list, store.Item{ID: uint64(i + 1), Body: append([]byte{c}, "123456789"...)})
	}
	return list
}

func TestShed(t *testing.T) {
	for _, tt := range []struct {
		name, queue, want string
		n, size           int
	}{
		{"room", "iiaci", "iiaci", 5, 50},
		{"every second of the oldest", "iiiiiiii", "i.i.iiii", 6, 1000},
		{"again", "iiiiiiii", "i...i.i.", 3, 1000},
		{"all intervals before a change", "icicicic", ".c.c.c.c", 4, 1000},
		{"changes before documents", "ccccsrsr", "....srsr", 4, 1000},
		{"alerts last, oldest first", "aicsraaa", ".....aaa", 3, 1000},
		{"by size", "iiiiiiaa", "i.....aa", 1000, 35},
		{"unreadable first", "?iii", "?iii", 4, 1000},
	} {
		t.Run(tt.name, func(t *testing.T) {
			list := items(tt.queue)
			gone := shed(list, tt.n, tt.size)
			got := ""
			for i, it := range list {
				if slices.Contains(gone, it.ID) {
					got += "."
				} else {
					got += tt.queue[i : i+1]
				}
			}
			if got != tt.want {
				t.Errorf("left %s, want %s", got, tt.want)
			}
		})
	}
}

// TestBounded: offline for months, the queue stays within its bounds, keeps every alert, and what it keeps of the
// reports spans the time; what was given up is counted and logged once.
func TestBounded(t *testing.T) {
	a := newAboard(t, t.TempDir(), Options{URLs: []string{"nats://127.0.0.1:1"}, MaxWaiting: 200})
	for i := range 1000 {
		c := classInterval
		if i%10 == 9 {
			c = classAlert
		}
		a.put(c, fmt.Appendf(nil, "%d", i))
		if err := a.store.Sync(); err != nil {
			t.Fatal(err)
		}
		a.bound()
		if n := a.store.Unsent(Target); n > 200 {
			t.Fatalf("%d wait", n)
		}
	}
	waiting := a.store.Waiting(Target, 1000)
	alerts, oldest := 0, ""
	for _, it := range waiting {
		switch class(it.Body[0]) {
		case classAlert:
			alerts++
		case classInterval:
			if oldest == "" {
				oldest = string(it.Body[1:])
			}
		}
	}
	if alerts != 100 || oldest != "0" || a.Stats().Shed != uint64(1000-len(waiting)) {
		t.Errorf("%d alerts, oldest report %s, %+v, %d wait", alerts, oldest, a.Stats(), len(waiting))
	}
	if n := strings.Count(a.log.String(), "thinned out"); n != 1 {
		t.Errorf("said %d times", n)
	}
}

func TestPace(t *testing.T) {
	const s = time.Second
	type look struct {
		at     time.Duration
		digest uint64
	}
	steadily := func(from, to, step time.Duration, n func(i int) uint64) (list []look) {
		for i, at := 0, from; at <= to; i, at = i+1, at+step {
			list = append(list, look{at, n(i)})
		}
		return list
	}
	same := func(n uint64) func(int) uint64 { return func(int) uint64 { return n } }
	count := func(i int) uint64 { return uint64(i + 1) }
	for _, tt := range []struct {
		name   string
		digest []look
		want   string
	}{
		{"first report once it is quiet", steadily(s, 30*s, s, same(7)), "11s c"},
		{"never quiet: within a minute", steadily(s, 70*s, s, count), "1m1s c"},
		{"interval", steadily(s, 1820*s, s, same(7)), "11s c, 15m11s i, 30m11s i"},
		{"a change, and back before it is told", append(append(steadily(s, 20*s, s, same(7)), steadily(21*s, 25*s, s, same(8))...),
			steadily(26*s, 60*s, s, same(7))...), "11s c"},
		{"a change", append(steadily(s, 20*s, s, same(7)), steadily(21*s, 60*s, s, same(8))...), "11s c, 31s c"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			p := newPace(15 * time.Minute)
			var got []string
			for _, l := range tt.digest {
				if c := p.due(l.at, l.digest); c != 0 {
					got = append(got, fmt.Sprintf("%v %c", l.at, c))
					p.made(l.at)
				}
			}
			if d := cmp.Diff(tt.want, strings.Join(got, ", ")); d != "" {
				t.Error(d)
			}
		})
	}
	t.Run("a device that comes and goes for a day", func(t *testing.T) {
		p := newPace(15 * time.Minute)
		reports := 0
		for i, at := 0, time.Duration(0); at < 24*time.Hour; i, at = i+1, at+s {
			if p.due(at, uint64(i/15%2)) != 0 {
				reports++
				p.made(at)
			}
		}
		if reports < 96 || reports > 320 {
			t.Errorf("%d reports", reports)
		}
	})
}

// report is one of a boat with n devices, as a day of traffic leaves it.
func reportOf(n int) *report.Report {
	r := &report.Report{Schema: report.V1, Boat: boat.Identity{ID: "plover"}, TakenAt: 1_777_000_000_000_000_000, Clock: boat.ClockSystem,
		Networks: []report.Network{{ID: "can0", Kind: event.NMEA2000, BitRate: 250_000, Frames: 1e8, Load: &boat.Load{Mean: 0.31, Peak: 0.52}}}}
	for i := range n {
		address, code := uint8(i), uint16(1000+i)
		d := report.Device{ID: fmt.Sprintf("c0788c0fa2%06x", i), Network: "can0", Address: &address, State: boat.Present, Role: boat.RoleDepth,
			Name:      &boat.Name{UniqueNumber: uint32(i), Manufacturer: boat.Coded{Code: 2002, Name: "Gannet Instruments"}},
			Product:   &boat.Product{Code: &code, Model: "Gannet SD2 sounder", Serial: fmt.Sprintf("G2-%06d", i*7919%1000000), Software: "2.3.1"},
			Software:  []boat.Software{{Version: "2.3.1", Since: r.TakenAt}},
			FirstSeen: r.TakenAt, LastSeen: r.TakenAt}
		for k := range 8 {
			d.Transmits = append(d.Transmits, report.Transmit{PGN: uint32(127250 + 7*k), Title: "Water Depth", Count: uint64(90000*(i+1) + 13*k), Nominal: 1000,
				Interval: &boat.Interval{Mean: 1000.3 + float64(i*k)/7, Min: 912.1, Max: 1100.8 + float64(i)/3, SD: 12.345 + float64(k)/9}})
		}
		r.Devices = append(r.Devices, d)
	}
	r.Alerts = []alert.Alert{{ID: "silent:x", Check: "silent", Severity: check.Warning, State: alert.StatusOpen, Since: r.TakenAt, Summary: "Gannet SD2 sounder has not spoken"}}
	r.Complete()
	return r
}

// TestLooks: what changes the digest of a report, and what does not.
func TestLooks(t *testing.T) {
	base := digest(reportOf(3))
	for _, tt := range []struct {
		name   string
		change func(*report.Report)
		differ bool
	}{
		{"nothing", func(*report.Report) {}, false},
		{"counter", func(r *report.Report) { r.Devices[0].Transmits[0].Count++ }, false},
		{"interval", func(r *report.Report) { r.Devices[0].Transmits[0].Interval.SD++ }, false},
		{"time", func(r *report.Report) { r.TakenAt++; r.Devices[1].LastSeen++ }, false},
		{"load", func(r *report.Report) { r.Networks[0].Load.Mean = 0.4 }, false},
		{"software", func(r *report.Report) { r.Devices[2].Product.Software = "2.4.0" }, true},
		{"serial", func(r *report.Report) { r.Devices[2].Product.Serial = "X" }, true},
		{"product code", func(r *report.Report) { r.Devices[2].Product.Code = nil }, true},
		{"state", func(r *report.Report) { r.Devices[0].State = boat.Silent }, true},
		{"device gone", func(r *report.Report) { r.Devices = r.Devices[1:] }, true},
		{"alert acknowledged", func(r *report.Report) { r.Alerts[0].State = alert.StatusAcknowledged }, true},
		{"entered by hand", func(r *report.Report) { r.Manual = []boat.Manual{{ID: "m1", Model: "Sanderling Tavrik 7"}} }, true},
		{"talker", func(r *report.Report) { r.Talkers = []report.Talker{{Network: "wind", Talker: "WI"}} }, true},
	} {
		t.Run(tt.name, func(t *testing.T) {
			r := reportOf(3)
			tt.change(r)
			if differ := digest(r) != base; differ != tt.differ {
				t.Errorf("differs: %v", differ)
			}
		})
	}
}

// TestReports: the reporter sends the first report once it is quiet.
func TestReports(t *testing.T) {
	a := newAboard(t, t.TempDir(), Options{URLs: []string{"nats://127.0.0.1:1"}})
	a.queueReport(classChange, reportOf(20))
	if err := a.store.Sync(); err != nil {
		t.Fatal(err)
	}
	items := a.store.Waiting(Target, 5)
	if len(items) != 1 {
		t.Fatalf("%d wait: %s", len(items), a.log)
	}
	kind, data, err := a.open(items[0].Body)
	if err != nil || kind != KindReport {
		t.Fatal(kind, err)
	}
	e, err := a.codec.Decode(data)
	if err != nil || e.Boat.Name != "Plover" || !strings.Contains(string(e.Body), "Gannet SD2") {
		t.Errorf("%+v: %v", e.Boat, err)
	}
	t.Logf("20 devices: %d bytes of JSON, %d on the wire", len(e.Body), len(data))
	for _, bad := range []string{"", "?", "a{"} {
		if _, _, err := a.open([]byte(bad)); err == nil {
			t.Errorf("%q was taken", bad)
		}
	}
}

// BenchmarkReport is what a report of 20 devices costs the uplink's goroutine, BenchmarkLooks what each second costs it.
func BenchmarkReport(b *testing.B) {
	c, err := NewCodec()
	if err != nil {
		b.Fatal(err)
	}
	st, err := store.Open("", store.Options{})
	if err != nil {
		b.Fatal(err)
	}
	u := &Uplink{codec: c, opt: Options{Store: st, Sync: func() {}, Now: time.Now, Report: func() *report.Report { return nil }}}
	r := reportOf(20)
	b.ReportAllocs()
	for b.Loop() {
		u.queueReport(classChange, r)
		st.Forget()
	}
}

func BenchmarkLooks(b *testing.B) {
	r := reportOf(20)
	b.ReportAllocs()
	for b.Loop() {
		digest(r)
	}
}

// BenchmarkAlert is what a change of an alert costs the model's goroutine. A report costs it nothing: the uplink takes the one
// that everybody sees.
func BenchmarkAlert(b *testing.B) {
	st, err := store.Open("", store.Options{})
	if err != nil {
		b.Fatal(err)
	}
	u := &Uplink{opt: Options{Store: st, Now: time.Now, Report: func() *report.Report { return nil }}}
	change := []byte(`{"schema":"muster.alert-change/v1","kind":"raised","alert":{"id":"silent:x","check":"silent","severity":"warning","summary":"Gannet SD2 sounder has not spoken"}}`)
	b.ReportAllocs()
	for b.Loop() {
		u.Alert(change)
		st.Forget()
	}
}
