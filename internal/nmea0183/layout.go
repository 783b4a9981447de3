package nmea0183

import (
	"slices"
	"strconv"
	"strings"
)

// layout is what is in the fields of a sentence type.
type layout struct {
	fields  []field
	repeats bool // over and over
}

type field struct {
	kind    string // "letter" for one of letters
	letters string
	open    bool // a letter that is none of letters is no fault
	tied    bool // to the value in the field before, which has no meaning with another letter
}

// layoutOf reads a layout written as one word a field: num is a decimal number, int a whole one, time is hhmmss with
// or without a fraction, date ddmmyy, lat and lon are degrees and minutes, status is A or V, modes are letters of
// modes, text is text, and - is not read. Other words are the letters of which the field may hold one, in either
// case; with a ? behind them another is let pass and not read. A comma instead of the space ties a letter to the
// value before it.
func layoutOf(words string) (l layout) {
	words, l.repeats = strings.CutSuffix(words, " ...")
	for item := range strings.FieldsSeq(words) {
		for i, word := range strings.Split(item, ",") {
			f := field{kind: word, tied: i > 0}
			if checks[word] == nil {
				f.kind = "letter"
				f.letters, f.open = strings.CutSuffix(word, "?")
			}
			l.fields = append(l.fields, f)
		}
	}
	return l
}

// checks report whether a field's text is of the kind, and give it as go-nmea takes it. Read-only.
var checks = map[string]func(string) (string, bool){
	"num":    func(s string) (string, bool) { return s, isDecimal(s) },
	"int":    func(s string) (string, bool) { _, ok := integer([]byte(s)); return s, ok },
	"time":   func(s string) (string, bool) { return s, isClock(s) },
	"date":   func(s string) (string, bool) { return s, len(s) == 6 && isDigits(s) },
	"lat":    func(s string) (string, bool) { return s, isCoordinate(s, 90) },
	"lon":    func(s string) (string, bool) { return s, isCoordinate(s, 180) },
	"status": status,
	"modes":  modes,
	"text":   func(s string) (string, bool) { return reserved.Replace(strings.ToUpper(s)), true },
	"-":      func(string) (string, bool) { return "", true },
}

// reserved takes from a text what would end it for go-nmea.
var reserved = strings.NewReplacer(`\`, "_", "*", "_")

// clean gives the fields of s as the layout requires, each of its fields one: what is missing, not read or not of its
// kind is empty. It is bad when a field held something that is not of its kind.
func (l layout) clean(s *Sentence) (fields []string, bad bool) {
	list := l.fields
	if l.repeats {
		bad = s.NumFields()%len(list) != 0
		list = slices.Repeat(list, s.NumFields()/len(list))
	}
	fields = make([]string, len(list))
	for i, f := range list {
		raw := string(s.Field(i))
		if f.tied && fields[i-1] == "" {
			continue
		}
		place := f.tied && (list[i-1].kind == "lat" || list[i-1].kind == "lon") // means nothing without its half of the globe
		ok := !place
		if raw != "" {
			fields[i], ok = f.check(raw)
		}
		if ok {
			continue
		}
		bad = true
		if f.kind != "modes" { // of which the known ones are kept
			fields[i] = ""
		}
		if f.tied {
			fields[i-1] = ""
		}
	}
	return fields, bad
}

// check gives the text as go-nmea takes it, and whether it is of the field's kind.
func (f *field) check(text string) (string, bool) {
	if f.kind != "letter" {
		return checks[f.kind](text)
	}
	for _, letter := range f.letters {
		if strings.EqualFold(text, string(letter)) {
			return string(letter), true
		}
	}
	return "", f.open
}

// status takes D for A: some old receivers write it for differential (from memory).
func status(s string) (string, bool) {
	switch s = strings.ToUpper(s); s {
	case "A", "V":
		return s, true
	case "D":
		return "A", true
	}
	return "", false
}

// modes keeps the letters that are modes.
func modes(s string) (string, bool) {
	known := strings.Map(func(letter rune) rune {
		if letter < 0x80 && modeOf(string(letter)) != ModeUnknown {
			return letter
		}
		return -1
	}, strings.ToUpper(s))
	return known, len(known) == len(s)
}

// isDecimal reports whether the text is digits with at most one point and a sign: no exponent, no hexadecimal, no
// words.
func isDecimal(s string) bool {
	s = strings.TrimLeft(s[:min(1, len(s))], "+-") + s[min(1, len(s)):]
	whole, fraction, _ := strings.Cut(s, ".")
	return len(s) < 32 && len(whole)+len(fraction) > 0 && isDigits(whole) && isDigits(fraction)
}

func isDigits(s string) bool {
	return !slices.ContainsFunc([]byte(s), func(c byte) bool { return !isDigit(c) })
}

// isClock reports whether the text is a time of day. A leap second is one.
func isClock(s string) bool {
	whole, fraction, _ := strings.Cut(s, ".")
	return len(s) < 32 && len(whole) == 6 && isDigits(whole) && isDigits(fraction) &&
		whole[:2] < "24" && whole[2:4] < "60" && whole[4:] < "61"
}

// isCoordinate reports whether the text is degrees and minutes as dddmm.mmmm, up to limit degrees.
func isCoordinate(s string, limit float64) bool {
	if !isDecimal(s) || s[0] == '-' || s[0] == '+' {
		return false
	}
	x, err := strconv.ParseFloat(s, 64)
	degrees := float64(int(min(x, 1e6)) / 100)
	minutes := x - degrees*100
	return err == nil && minutes < 60 && degrees+minutes/60 <= limit
}
