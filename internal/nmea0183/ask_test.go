package nmea0183

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"muster/internal/event"
)

func TestAsker(t *testing.T) {
	var a Asker
	var s Sentence
	start := event.Time(1_780_000_000e9)
	hear := func(body string, at event.Time) {
		if _, err := Parse(Append(nil, '$', body), &s); err != nil {
			t.Fatal(err)
		}
		a.Hear(&s, at)
	}
	var got []string
	for i := range 300 { // seconds
		now := start.Add(time.Duration(i) * time.Second)
		hear("GPRMC,,V,,,,,,,,,,N", now)
		hear("SDDPT,10.0,0.5,", now)
		hear("PGRME,1,M", now)
		if i < 20 {
			hear("WIMWV,10,R,5,N,A", now)
		}
		if q := a.Append(nil, now); len(q) > 0 {
			got = append(got, fmt.Sprintf("%d %s", i, strings.TrimSpace(string(q))))
			if strings.Contains(string(q), "GPQ") {
				hear("GPVER,1,1,GP,GAN,1,42,Gannet GP1,3.14,B,0", now)
			}
		}
	}
	want := []string{"5 $IIGPQ,VER*20", "10 $IISDQ,VER*30", "15 $IIWIQ,VER*39", "70 $IISDQ,VER*30", "130 $IISDQ,VER*30"}
	for i := range want { // the checksums are tried elsewhere
		want[i], _, _ = strings.Cut(want[i], "*")
	}
	for i := range got {
		got[i], _, _ = strings.Cut(got[i], "*")
	}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
}

func TestAsksVersion(t *testing.T) {
	var s Sentence
	for _, tt := range []struct{ line, want string }{
		{"$IIGPQ,VER*2B", "GP"},
		{"$IIGPQ,VER*2A", ""},
		{"$IIGPQ,VER", ""},
		{"$IIGPQ,GGA*2B", ""},
		{"$GPVER,1,1,GP,GAN,1,42,Gannet GP1,3.14,B,0", ""},
		{"$PGRMQ,VER*34", ""},
	} {
		if _, err := Parse([]byte(tt.line), &s); err != nil {
			t.Fatal(err)
		}
		if letters, ok := AsksVersion(&s); string(letters) != tt.want || ok != (tt.want != "") {
			t.Errorf("%s: %q %v", tt.line, letters, ok)
		}
	}
}

func TestAskerIsBounded(t *testing.T) {
	var a Asker
	var s Sentence
	for i := range 26 * 26 {
		if _, err := Parse(Append(nil, '$', fmt.Sprintf("%c%cDPT,1,,", 'A'+i/26, 'A'+i%26)), &s); err == nil {
			a.Hear(&s, event.Time(1e18+i))
		}
	}
	if len(a.talkers) != maxAsked {
		t.Error(len(a.talkers))
	}
}
