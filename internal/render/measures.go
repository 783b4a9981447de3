package render

import (
	"slices"
	"strconv"
	"strings"
	"time"

	"muster/internal/event"
)

// Measures are the units of measure that a reader chose, by the keys of their options, and whether times are in UTC. Where nothing is
// chosen, values stay in m, kn, °C, bar and hPa, and times are the boat's.
type Measures struct {
	chosen string // keys of options, each with a comma behind it, in the order of the table
	UTC    bool
}

// Measure is something that can be read in several units of measure.
type Measure struct {
	Name, Key string
	Options   []MeasureOption
}

// MeasureOption is a unit of measure; the first of a measure has no key.
type MeasureOption struct {
	Key, Words string
	from       []Conversion
}

// Conversion is how a value is written in another unit of measure. Scripts of pages use it too.
type Conversion struct {
	From   string  `json:"from"`
	To     string  `json:"to"`
	Scale  float64 `json:"scale"`
	Offset float64 `json:"offset,omitempty"`
	Digits int     `json:"digits"` // at least so many after the point
}

// MeasureTable lists what a reader can choose. Read-only. The factors are exact by definition: NIST SP 811, appendix B.8.
var MeasureTable = []Measure{
	{"Length and depth", "length", []MeasureOption{{"", "metres", nil}, {"ft", "feet", []Conversion{{"m", "ft", 1 / 0.3048, 0, 1}}}}},
	{"Speed", "speed", []MeasureOption{{"", "knots", nil}, {"kmh", "km/h", []Conversion{{"kn", "km/h", 1.852, 0, 1}}},
		{"ms", "m/s", []Conversion{{"kn", "m/s", 1852.0 / 3600, 0, 1}}}, {"mph", "mph", []Conversion{{"kn", "mph", 1852 / 1609.344, 0, 1}}}}},
	{"Temperature", "temperature", []MeasureOption{{"", "°C", nil}, {"f", "°F", []Conversion{{"°C", "°F", 1.8, 32, 0}}}}},
	{"Pressure", "pressure", []MeasureOption{{"", "bar and hPa", nil},
		{"psi", "psi and inHg", []Conversion{{"bar", "psi", 1e5 / 6894.757293168, 0, 1}, {"hPa", "inHg", 100 / 3386.389, 0, 2}}}}},
	{"Times", "time", []MeasureOption{{"", "of the boat", nil}, {"utc", "UTC", nil}}},
}

// ChooseMeasures is what a reader chose: of each measure the option whose key has says. Keys that do not exist are passed over.
func ChooseMeasures(has func(measure, option string) bool) (m Measures) {
	for _, of := range MeasureTable {
		for _, o := range of.Options {
			if o.Key != "" && has(of.Key, o.Key) {
				m.chosen += o.Key + ","
				m.UTC = m.UTC || o.Key == "utc"
				break
			}
		}
	}
	return m
}

// String lists the keys of the options that were chosen: it fits into a cookie.
func (m Measures) String() string { return strings.TrimSuffix(m.chosen, ",") }

// Chosen reports whether an option was chosen.
func (m Measures) Chosen(of *Measure, o *MeasureOption) bool {
	has := func(o MeasureOption) bool { return o.Key != "" && slices.Contains(strings.Split(m.chosen, ","), o.Key) }
	return has(*o) || o.Key == "" && !slices.ContainsFunc(of.Options, has)
}

// Conversions are those from what a page has to what was chosen.
func (m Measures) Conversions() (list []Conversion) {
	if m.chosen == "" {
		return nil
	}
	for i := range MeasureTable {
		of := &MeasureTable[i]
		for k := range of.Options {
			if m.Chosen(of, &of.Options[k]) {
				list = append(list, of.Options[k].from...)
			}
		}
	}
	return list
}

// Of is the conversion from a unit of measure; from one that stays as it is, the conversion to itself.
func (m Measures) Of(unit string) Conversion {
	for _, c := range m.Conversions() {
		if c.From == unit {
			return c
		}
	}
	return Conversion{From: unit, To: unit, Scale: 1}
}

// apartWords come before a difference, whose zero is no point of a scale.
var apartWords = []string{"by ", "limit ", "within ", "most ", "than "}

// Convert writes the values of a text in other units of measure. A value is a number, a space and its unit. Where all of the text is a
// difference, apart says so.
func Convert(text string, list []Conversion, apart bool) string {
	if len(list) == 0 {
		return text
	}
	var out strings.Builder
	done := 0 // of text
	for i := 0; i < len(text); i++ {
		negative := i > 0 && text[i-1] == '-'
		if !digit(text[i]) || i > 0 && joins(text[i-1]) || negative && i > 1 && joins(text[i-2]) {
			continue
		}
		start := i
		for i < len(text) && (digit(text[i]) || text[i] == '.') {
			i++
		}
		number := strings.TrimRight(text[start:i], ".")
		if c, ok := conversion(text[i:], list); ok && start+len(number) == i {
			if negative {
				start--
			}
			if v, err := strconv.ParseFloat(text[start:i], 64); err == nil {
				_, after, _ := strings.Cut(number, ".")
				if !apart && !slices.ContainsFunc(apartWords, func(w string) bool { return strings.HasSuffix(text[:start], w) }) {
					v += c.Offset / c.Scale
				}
				out.WriteString(text[done:start])
				out.WriteString(strconv.FormatFloat(v*c.Scale, 'f', max(len(after), c.Digits), 64) + " " + c.To)
				done = i + 1 + len(c.From)
			}
		}
		i = max(i-1, done-1)
	}
	if done == 0 {
		return text
	}
	out.WriteString(text[done:])
	return out.String()
}

func digit(c byte) bool { return c >= '0' && c <= '9' }

// joins reports whether a number behind it is a part of something else, such as of a version or a name.
func joins(c byte) bool {
	return digit(c) || c == '.' || c == '_' || c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' || c >= 0x80
}

// conversion is that of the unit with which the rest of a text begins, behind a space.
func conversion(rest string, list []Conversion) (Conversion, bool) {
	for _, c := range list {
		after, ok := strings.CutPrefix(rest, " "+c.From)
		if ok && (after == "" || !joins(after[0]) && after[0] != '/' || after[0] == '.' && (len(after) == 1 || !digit(after[1]))) {
			return c, true
		}
	}
	return Conversion{}, false
}

// stampForms are how a text has moments in UTC, without the zone.
var stampForms = []string{"2006-01-02 15:04:05", "2006-01-02 15:04"}

// Localise writes the moments of a text, which it has in UTC, as the clock of the boat showed them.
func Localise(text string, zone *time.Location) string {
	const utc = " UTC"
	if zone == nil || zone == time.UTC || !strings.Contains(text, utc) {
		return text
	}
	var out strings.Builder
	for {
		at := strings.Index(text, utc)
		if at < 0 {
			out.WriteString(text)
			return out.String()
		}
		words := text[:at] + utc
		for _, form := range stampForms {
			start := at - len(form)
			if start < 0 {
				continue
			}
			if t, err := time.ParseInLocation(form, text[start:at], time.UTC); err == nil {
				words = text[:start] + Local(event.At(t), zone)
				break
			}
		}
		out.WriteString(words)
		text = text[at+len(utc):]
	}
}
