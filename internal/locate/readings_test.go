package locate

import (
	"math"
	"strings"
	"testing"
)

func TestReadings(t *testing.T) {
	l := line(5, 2)
	for _, c := range []struct {
		in   string
		want Reading // without its text
		bad  string
	}{
		{in: "tee 4: 11.2 V", want: Reading{kind: readsVolts, point: 3, drop: -1, value: 11.2}},
		{in: "u4b: 0 v", want: Reading{kind: readsVolts, point: 3, drop: 7, value: 0}},
		{in: "2: -12.1V", want: Reading{kind: readsVolts, point: 1, drop: -1, value: -12.1}},
		{in: "signal wires at 5: 118 ohm", want: Reading{kind: readsOhm, point: 4, drop: -1, value: 118}},
		{in: "data pair at tee 5: 1.2 kohm", want: Reading{kind: readsOhm, point: 4, drop: -1, value: 1200}},
		{in: "signal wires at 2 towards 5: open", want: Reading{kind: readsOhm, point: 1, drop: -1, side: 1, value: math.Inf(1)}},
		{in: "unplugged u3: errors gone", want: Reading{kind: readsUnplugged, point: 2, drop: 4, value: 1}},
		{in: "Unplugged tee 3 towards tee 1: errors stay", want: Reading{kind: readsUnplugged, point: 2, drop: -1, side: -1}},
		{in: "checked cable 2 - 3: OK", want: Reading{kind: readsChecked, drop: -1, part: Part{kindCable, "cable 2 – 3", 1, "2"}}},
		{in: "checked fuse 3: faulty", want: Reading{kind: readsChecked, drop: -1, part: Part{kindFuse, "fuse 3", 0, "3"}, value: 1}},
		{in: "tee 4 11.2 V", bad: "it has no colon"},
		{in: "tee 4: 11.2", bad: "is no voltage between"},
		{in: "tee 4: 400 V", bad: "is no voltage between"},
		{in: "tee 9: 11.2 V", bad: `the layout has no place "tee 9": write one of "1", "2"`},
		{in: "signal wires at 1: 12 V", bad: "is no resistance: write 60 ohm"},
		{in: "signal wires at 1: -5 ohm", bad: "is no resistance"},
		{in: "signal wires at 1 towards 1: 60 ohm", bad: "has no side towards"},
		{in: "unplugged u3: better", bad: `write "errors gone" or "errors stay"`},
		{in: "checked u3: OK", bad: `the layout has no part "u3": write one such as "tee 1"`},
		{in: "", bad: "it has no colon"},
	} {
		got, err := ParseReading(l, c.in)
		switch {
		case c.bad != "":
			if err == nil || !strings.Contains(err.Error(), c.bad) || strings.Contains(err.Error(), "\n") {
				t.Errorf("%q: %v, want one line with %q", c.in, err, c.bad)
			}
		case err != nil:
			t.Error(err)
		default:
			got.Text = ""
			if got != c.want {
				t.Errorf("%q: %+v, want %+v", c.in, got, c.want)
			}
		}
	}
}

func FuzzReading(f *testing.F) {
	for _, s := range []string{"tee 4: 11.2 V", "signal wires at 1 towards 5: 1.2 kohm", "unplugged u2: errors gone", "checked cable 1 - 2: OK",
		":::", "tee 4: NaN V", "tee 4: 1e999 V", "signal wires at : ohm", "checked : faulty", "tee \x00: 1 V"} {
		f.Add(s)
	}
	l := line(5, 2)
	f.Fuzz(func(t *testing.T, s string) {
		r, err := ParseReading(l, s)
		if err != nil {
			return
		}
		ev := quietEvidence(l)
		ev.Readings = []Reading{r}
		for _, p := range Locate(l, ev, Options{}).Places {
			if !(p.Probability >= 0 && p.Probability <= 1) {
				t.Errorf("%q: %+v", s, p)
			}
		}
	})
}
