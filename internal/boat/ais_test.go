package boat

import (
	"fmt"
	"testing"

	"github.com/google/go-cmp/cmp"

	"muster/internal/event"
	"muster/internal/nmea0183"
)

// armoured packs fields of a value and a width in bits as an AIS payload.
func armoured(fields ...[2]int) (payload string, fill int) {
	var bits []int
	for _, f := range fields {
		for i := f[1] - 1; i >= 0; i-- {
			bits = append(bits, f[0]>>i&1)
		}
	}
	for len(bits)%6 != 0 {
		bits, fill = append(bits, 0), fill+1
	}
	for i := 0; i < len(bits); i += 6 {
		six := 0
		for _, b := range bits[i : i+6] {
			six = six<<1 | b
		}
		if six += 48; six > 87 {
			six += 8
		}
		payload += string(rune(six))
	}
	return payload, fill
}

// sixBits is a text of n characters.
func sixBits(text string, n int) [][2]int {
	var fields [][2]int
	for i := range n {
		c := 0
		if i < len(text) {
			c = int(text[i]) & 0x3F
		}
		fields = append(fields, [2]int{c, 6})
	}
	return fields
}

func aisLines(l *lineWriter, address string, fields [][2]int) {
	payload, fill := armoured(fields...)
	const part = 60
	total := (len(payload) + part - 1) / part
	for i := range total {
		id, last := "", 0
		if total > 1 {
			id = "3"
		}
		if i == total-1 {
			last = fill
		}
		l.add(string(nmea0183.Append(nil, '!', fmt.Sprintf("%s,%d,%d,%s,A,%s,%d", address, total, i+1, id, payload[i*part:min((i+1)*part, len(payload))], last))))
	}
}

// lineWriter feeds lines of one NMEA 0183 line to a boat.
type lineWriter struct {
	b   *Boat
	now event.Time
}

func (l *lineWriter) add(line string) {
	l.now += 1e9
	l.b.Feed(event.Event{Kind: event.KindLine, Time: l.now, Line: []byte(line)})
}

func newLineWriter() *lineWriter {
	l := &lineWriter{b: New(Options{}), now: epoch}
	l.b.Feed(event.Event{Kind: event.KindNetwork, Info: &event.Network{ID: "ais", Kind: event.NMEA0183, BitRate: 38400}})
	return l
}

func report1(mmsi int) [][2]int {
	return [][2]int{{1, 6}, {0, 2}, {mmsi, 30}, {0, 60}, {0, 60}, {0, 10}}
}

func TestAISUnit(t *testing.T) {
	l := newLineWriter()
	for i := range 1500 { // more than are counted apart
		aisLines(l, "AIVDM", report1(200000000+i))
	}
	aisLines(l, "AIVDO", report1(200999001))
	static := append([][2]int{{5, 6}, {0, 2}, {200999001, 30}, {0, 2}, {0, 30}}, sixBits("QWAGT", 7)...)
	static = append(append(static, sixBits("WAGTAIL", 20)...), [2]int{36, 8}, [2]int{0, 60}, [2]int{0, 60}, [2]int{0, 62})
	aisLines(l, "AIVDO", static)
	l.add(string(nmea0183.Append(nil, '!', "AIVDM,2,2,7,A,00000000,0"))) // its first part never came

	r := l.b.State()
	want := &AIS{Targets: maxTargets, Messages: []AISCount{{Type: 1, Count: 1500}},
		Own: &AISVessel{MMSI: 200999001, Static: true, Name: "WAGTAIL", CallSign: "QWAGT", ShipType: 36}}
	if len(r.Talkers) != 1 {
		t.Fatalf("%d talkers", len(r.Talkers))
	}
	if diff := cmp.Diff(want, r.Talkers[0].AIS); diff != "" {
		t.Error(diff)
	}
}

func TestAISUnitWithoutSettings(t *testing.T) {
	l := newLineWriter()
	aisLines(l, "AIVDO", append([][2]int{{24, 6}, {0, 2}, {0, 30}, {0, 2}}, sixBits("", 20)...))
	want := &AIS{Own: &AISVessel{Static: true}}
	if diff := cmp.Diff(want, l.b.State().Talkers[0].AIS); diff != "" {
		t.Error(diff)
	}
}

func TestAISAllocatesNothingOnceWarm(t *testing.T) {
	l := newLineWriter()
	var events []event.Event
	l2 := func(address string, fields [][2]int) {
		payload, fill := armoured(fields...)
		line := nmea0183.Append(nil, '!', fmt.Sprintf("%s,1,1,,A,%s,%d", address, payload, fill))
		events = append(events, event.Event{Kind: event.KindLine, Line: line})
	}
	l2("AIVDM", report1(200000001))
	l2("AIVDO", append([][2]int{{24, 6}, {0, 2}, {200999001, 30}, {0, 2}}, sixBits("WAGTAIL", 20)...))
	feed := func() {
		for i := range events {
			l.now += 1e9
			events[i].Time = l.now
			l.b.Feed(events[i : i+1]...)
		}
	}
	feed()
	if n := testing.AllocsPerRun(100, feed); n != 0 {
		t.Errorf("%v allocations", n)
	}
}

func TestCountedTargets(t *testing.T) {
	for n, want := range map[int]string{0: "no AIS targets", 1: "1 AIS target", 12: "12 AIS targets", maxTargets: "1000 AIS targets or more (the count ends there)"} {
		if got := (&AIS{Targets: n}).CountedTargets(); got != want {
			t.Errorf("%q, want %q", got, want)
		}
	}
}
