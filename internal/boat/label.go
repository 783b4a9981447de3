package boat

import (
	"strconv"
	"strings"
	"unicode"
)

// Device finds a device by its id, nil when it is not aboard.
func (s *State) Device(id string) *Device {
	for i := range s.Devices {
		if s.Devices[i].ID == id {
			return &s.Devices[i]
		}
	}
	return nil
}

// TalkerByID finds a talker by its id, nil when there is none.
func (s *State) TalkerByID(id string) *Talker {
	for i := range s.Talkers {
		if t := &s.Talkers[i]; t.ID() == id {
			return t
		}
	}
	return nil
}

// Counted is a number with its noun: "1 boat", "2 boats".
func Counted(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}

// Printable shows foreign text harmlessly: control and formatting characters, which could steer a terminal, appear escaped.
func Printable(s string) string {
	clean := func(r rune) bool { return !unicode.IsPrint(r) && r != ' ' }
	if strings.IndexFunc(s, clean) < 0 {
		return s
	}
	var b strings.Builder
	for _, r := range s {
		if clean(r) {
			b.WriteString(strings.Trim(strconv.QuoteRuneToASCII(r), "'"))
		} else {
			b.WriteRune(r)
		}
	}
	return b.String()
}

// PrintableText is Printable for a text of several lines.
func PrintableText(s string) string {
	lines := strings.Split(s, "\n")
	for i, line := range lines {
		lines[i] = Printable(line)
	}
	return strings.Join(lines, "\n")
}
