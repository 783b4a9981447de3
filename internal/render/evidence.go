package render

import (
	"fmt"
	"maps"
	"math"
	"reflect"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
	"muster/internal/report"
	"muster/pgn"
)

// Detail is one part of the evidence of an alert in words: what it is, and its value with its unit.
type Detail struct{ Key, Name, Text string }

// Mention is a unit or talker that an alert is about, by its id and its title.
type Mention struct{ ID, Title string }

// Evidence is what an alert is about, and its evidence in words, by key: units by their titles, values with their units.
func Evidence(r *report.Report, a *alert.Alert) (about []Mention, facts []Detail) {
	for _, id := range a.Devices {
		if d := r.Device(id); d != nil {
			about = append(about, Mention{d.ID, TitleAt(d)})
		}
	}
	for _, key := range slices.Sorted(maps.Keys(a.Evidence)) {
		if key == "unit" || key == check.SeriesKey { // it is written behind the values; a picture
			continue
		}
		name, unit := splitUnit(check.EvidenceLabel(key))
		text := boat.Printable(measured(a.Evidence[key], unitOf(key, unit, a.Evidence)))
		if key == "messages" || key == "message" {
			text = titled(text)
		}
		facts = append(facts, Detail{key, boat.Printable(name), text})
	}
	for i := range r.Talkers {
		t := &r.Talkers[i]
		if slices.Contains(a.Devices, t.ID()) || slices.ContainsFunc(facts, func(f Detail) bool { return strings.Contains(f.Text, t.ID()) }) {
			about = append(about, Mention{t.ID(), TalkerTitle(t)})
		}
	}
	var names []string
	for _, m := range about {
		names = append(names, m.ID, m.Title)
	}
	named := strings.NewReplacer(names...)
	for i := range facts {
		facts[i].Text = named.Replace(facts[i].Text)
	}
	return about, facts
}

// messageNumber is a PGN in a list of messages, with or without instance and kind behind it.
var messageNumber = regexp.MustCompile(`(^|, )(\d{5,6})(?:/(\d+))?(?::(\d+))?\b`)

// titled puts the title before the number of each message in a list.
func titled(text string) string {
	return messageNumber.ReplaceAllStringFunc(text, func(s string) string {
		m := messageNumber.FindStringSubmatch(s)
		number, _ := strconv.ParseUint(m[2], 10, 32)
		def := pgn.Lookup(uint32(number))
		if def == nil {
			return s
		}
		words := m[1] + def.Title + " (PGN " + m[2] + ")"
		if m[3] != "" {
			words += " instance " + m[3]
		}
		if m[4] != "" {
			words += " kind " + m[4]
		}
		return words
	})
}

// share is the unit of a part of a whole, 0..1.
const share = "%"

// splitUnit takes the unit from the end of a label such as "delay (ms)".
func splitUnit(label string) (name, unit string) {
	name, unit, _ = strings.Cut(strings.TrimSuffix(label, ")"), " (")
	if slices.Contains([]string{"s", "ms", "V", "A", "m", "ohm", "bit/s"}, unit) {
		return name, unit
	}
	return label, ""
}

// unitOf is the unit of a value that depends on the evidence beside it; otherwise that of its label.
func unitOf(key, own string, e map[string]any) string {
	_, load := e["load"]
	_, volts := e["volts"]
	switch key {
	case "load", "mean", "peak":
		return share
	case "difference", "tolerance", "others_within", "values":
		unit, _ := e["unit"].(string)
		return strings.Replace(unit, "deg", "°", 1)
	case "limit":
		switch {
		case load:
			return share
		case volts:
			return "V"
		}
	}
	return own
}

// measured writes a value for people, numbers with their unit.
func measured(v any, unit string) string {
	r := reflect.ValueOf(v)
	switch {
	case v == nil || unit == "":
		return EvidenceValue(v)
	case r.CanFloat() && unit == share:
		return Percent(r.Float())
	case (r.CanFloat() || r.CanInt() || r.CanUint()) && unit == "°":
		return EvidenceValue(v) + unit
	case r.CanFloat() || r.CanInt() || r.CanUint():
		return EvidenceValue(v) + " " + unit
	case r.Kind() == reflect.Map:
		return each(r, func(x any) string { return measured(x, unit) })
	case (r.Kind() == reflect.Slice || r.Kind() == reflect.Array) && r.Len() == 2 && unit == "m":
		if at, ok := floats(r); ok {
			return Latitude(at[0]) + ", " + Longitude(at[1])
		}
	}
	return EvidenceValue(v)
}

// floats are the two numbers of a position.
func floats(r reflect.Value) (at [2]float64, ok bool) {
	for i := range at {
		if at[i], ok = r.Index(i).Interface().(float64); !ok {
			return at, false
		}
	}
	return at, true
}

// EvidenceValue writes one value of an alert's evidence for people.
func EvidenceValue(v any) string {
	switch v := v.(type) {
	case nil:
		return "unknown"
	case bool:
		if v {
			return "yes"
		}
		return "no"
	case string:
		if t, err := time.Parse(time.RFC3339Nano, v); err == nil { // of a list, or read from a report's text
			return Stamp(event.At(t))
		}
		return v
	case float64:
		return strconv.FormatFloat(math.Round(v*1e6)/1e6, 'f', -1, 64) // a millionth of a degree is 0.1 m
	case event.Time:
		return Stamp(v)
	case fmt.Stringer:
		return v.String()
	}
	switch r := reflect.ValueOf(v); r.Kind() {
	case reflect.Slice, reflect.Array:
		words := make([]string, r.Len())
		for i := range words {
			words[i] = EvidenceValue(r.Index(i).Interface())
		}
		return Enumerate(words)
	case reflect.Map:
		return each(r, func(x any) string {
			if of, ok := x.(map[string]any); ok {
				return factWords(of)
			}
			return EvidenceValue(x)
		})
	}
	return fmt.Sprint(v)
}

// each writes a map by subject: "subject (value), subject (value)".
func each(r reflect.Value, value func(any) string) string {
	var words []string
	for _, k := range r.MapKeys() {
		words = append(words, fmt.Sprintf("%v (%s)", k, value(r.MapIndex(k).Interface())))
	}
	slices.Sort(words)
	return Enumerate(words)
}

// factWords writes the evidence of one subject.
func factWords(e map[string]any) string {
	var words []string
	for _, key := range slices.Sorted(maps.Keys(e)) {
		name, unit := splitUnit(check.EvidenceLabel(key))
		words = append(words, name+" "+measured(e[key], unitOf(key, unit, e)))
	}
	return strings.Join(words, ", ")
}
