package release

import (
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strings"
	"time"
)

// Numbering is how a manufacturer numbers the releases of a model, as a sheet gives it.
type Numbering struct {
	Scheme  string   `yaml:"scheme" json:"scheme"`                       // decimal, dotted, date or list
	Pattern string   `yaml:"pattern,omitempty" json:"pattern,omitempty"` // RE2 expression whose one group is the version within the wire's string
	Order   []string `yaml:"order,omitempty" json:"order,omitempty"`     // for list: every version, oldest first
}

// The numbering schemes.
const (
	Decimal = "decimal" // 4.5 is 4.50 and newer than 4.47
	Dotted  = "dotted"  // 4.5 is older than 4.47; after "-" a pre-release, after "+" a build tag, as semver.org has them
	Date    = "date"    // year, month, day
	List    = "list"    // the order that the sheet spells out
)

// Why two versions cannot be put in order; test with errors.Is.
var (
	ErrEmpty    = errors.New("the version is empty")
	ErrPattern  = errors.New("the sheet's pattern does not fit the version")
	ErrForm     = errors.New("the version does not have the form of the sheet's numbering")
	ErrUnlisted = errors.New("the sheet's list does not hold the version")
	ErrPrefix   = errors.New("the versions begin with different letters")
)

// Scheme puts versions in order. It is read-only and safe for use from many goroutines.
type Scheme struct {
	name    string
	pattern *regexp.Regexp
	order   []string
}

// Compile checks a numbering and makes it ready for use.
func (n Numbering) Compile() (*Scheme, error) {
	s := &Scheme{name: n.Scheme}
	switch n.Scheme {
	case Decimal, Dotted, Date:
		if len(n.Order) > 0 {
			return nil, fmt.Errorf("numbering %s takes no order; leave it out or write scheme: list", n.Scheme)
		}
	case List:
		if len(n.Order) == 0 {
			return nil, errors.New("numbering list needs its order: every version, oldest first")
		}
		for i, v := range n.Order {
			v = trim(v)
			if v == "" {
				return nil, fmt.Errorf("numbering order: entry %d is empty", i+1)
			}
			if slices.Contains(s.order, v) {
				return nil, fmt.Errorf("numbering order: %q is listed twice", v)
			}
			s.order = append(s.order, v)
		}
	default:
		return nil, fmt.Errorf("numbering scheme %q is not known; use decimal, dotted, date or list", n.Scheme)
	}
	if n.Pattern != "" {
		re, err := regexp.Compile(n.Pattern)
		if err != nil {
			return nil, fmt.Errorf("numbering pattern %q: %w", n.Pattern, err)
		}
		if re.NumSubexp() != 1 {
			return nil, fmt.Errorf("numbering pattern %q has %d groups; put exactly the version in ( )", n.Pattern, re.NumSubexp())
		}
		s.pattern = re
	}
	return s, nil
}

// Version is one version in a form that can be compared.
type Version struct {
	Text   string   // what the pattern cut out
	prefix string   // leading letters in lower case, without "v"
	parts  []string // digits without leading zeros; of a decimal the second is the fraction without trailing zeros
	pre    []string // pre-release identifiers of a dotted version
	index  int      // place in a list
}

// trim takes off what devices pad text with: spaces, NUL, 0xFF (which reads as the replacement character)
// and the "@" of 6-bit text.
func trim(s string) string { return strings.Trim(s, " \t\r\n\x00@\ufffd") }

// Parse cuts the version out of a device's string and reads it.
func (s *Scheme) Parse(raw string) (Version, error) {
	text := trim(raw)
	if text == "" {
		return Version{}, ErrEmpty
	}
	if s.pattern != nil {
		m := s.pattern.FindStringSubmatch(text)
		if m == nil {
			return Version{}, fmt.Errorf("%q against %q: %w", text, s.pattern, ErrPattern)
		}
		if text = trim(m[1]); text == "" {
			return Version{}, fmt.Errorf("%q against %q: %w", raw, s.pattern, ErrEmpty)
		}
	}
	return s.ParseListed(text)
}

// ParseListed reads a version from a sheet, where no pattern applies.
func (s *Scheme) ParseListed(text string) (Version, error) {
	text = trim(text)
	if text == "" {
		return Version{}, ErrEmpty
	}
	v := Version{Text: text}
	var ok bool
	switch s.name {
	case Decimal:
		ok = v.decimal()
	case Dotted:
		ok = v.dotted()
	case Date:
		ok = v.date()
	default:
		if v.index = slices.Index(s.order, text); v.index < 0 {
			return Version{}, fmt.Errorf("%q: %w", text, ErrUnlisted)
		}
		ok = true
	}
	if !ok {
		return Version{}, fmt.Errorf("%q is not %s: %w", text, s.name, ErrForm)
	}
	return v, nil
}

// Compare puts two versions of one scheme in order: -1 when a is older, 0 when they are the same release, 1 when a is newer.
func Compare(a, b Version) (int, error) {
	if a.prefix != b.prefix {
		return 0, fmt.Errorf("%q and %q: %w", a.Text, b.Text, ErrPrefix)
	}
	if a.index != b.index {
		return sign(a.index - b.index), nil
	}
	for i := range max(len(a.parts), len(b.parts)) {
		if c := comparePart(part(a.parts, i), part(b.parts, i)); c != 0 {
			return c, nil
		}
	}
	return comparePre(a.pre, b.pre), nil
}

func sign(n int) int { return min(1, max(-1, n)) }

// part is the i-th number; a missing one counts as 0, so 4.5 and 4.5.0 are the same release.
func part(p []string, i int) string {
	if i < len(p) {
		return p[i]
	}
	return ""
}

// comparePart compares digits without leading zeros as numbers of any size. The fraction of a decimal has a leading dot and
// compares as text.
func comparePart(a, b string) int {
	if strings.HasPrefix(a, ".") || strings.HasPrefix(b, ".") {
		return strings.Compare(a, b)
	}
	if len(a) != len(b) {
		return sign(len(a) - len(b))
	}
	return strings.Compare(a, b)
}

// comparePre follows semver.org 2.0.0 §11.3 and §11.4.
func comparePre(a, b []string) int {
	switch {
	case len(a) == 0 && len(b) == 0:
		return 0
	case len(a) == 0:
		return 1
	case len(b) == 0:
		return -1
	}
	for i := range min(len(a), len(b)) {
		x, y := a[i], b[i]
		nx, ny := digits(x), digits(y)
		var c int
		switch {
		case nx && ny:
			c = comparePart(strings.TrimLeft(x, "0"), strings.TrimLeft(y, "0"))
		case nx:
			c = -1
		case ny:
			c = 1
		default:
			c = strings.Compare(x, y)
		}
		if c != 0 {
			return c
		}
	}
	return sign(len(a) - len(b))
}

// letters takes the leading letters off: "v4.5", "SW 4.5", "Rev.4.5". A plain v has no meaning and is dropped.
func (v *Version) letters(s string) string {
	i := 0
	for i < len(s) && (s[i]|0x20 >= 'a' && s[i]|0x20 <= 'z') {
		i++
	}
	if v.prefix = strings.ToLower(s[:i]); v.prefix == "v" {
		v.prefix = ""
	}
	if i == 0 {
		return s
	}
	return strings.TrimLeft(s[i:], " ._-")
}

func (v *Version) decimal() bool {
	s, _, _ := strings.Cut(v.letters(v.Text), "+")
	whole, frac, dot := strings.Cut(s, ".")
	if !digits(whole) || dot && !digits(frac) {
		return false
	}
	v.parts = []string{strings.TrimLeft(whole, "0"), "." + strings.TrimRight(frac, "0")}
	return true
}

func (v *Version) dotted() bool {
	s, build, tagged := strings.Cut(v.letters(v.Text), "+")
	if tagged && !identifiers(build) {
		return false
	}
	s, pre, hyphen := strings.Cut(s, "-")
	if hyphen {
		if !identifiers(pre) {
			return false
		}
		v.pre = strings.Split(pre, ".")
	}
	for p := range strings.SplitSeq(s, ".") {
		if !digits(p) {
			return false
		}
		v.parts = append(v.parts, strings.TrimLeft(p, "0"))
	}
	return true
}

// identifiers reports whether s is a row of semver identifiers between dots.
func identifiers(s string) bool {
	for id := range strings.SplitSeq(s, ".") {
		if id == "" || strings.ContainsFunc(id, func(r rune) bool {
			return r != '-' && (r < '0' || r > '9') && (r|0x20 < 'a' || r|0x20 > 'z')
		}) {
			return false
		}
	}
	return true
}

// date reads year, month and day, with "-", "." or "/" between or nothing; the year has four digits.
func (v *Version) date() bool {
	s := v.letters(v.Text)
	for _, layout := range []string{"20060102", "2006-01-02", "2006.01.02", "2006/01/02"} {
		if len(s) != len(layout) {
			continue
		}
		if t, err := time.Parse(layout, s); err == nil {
			v.parts = []string{t.Format("20060102")}
			return true
		}
	}
	return false
}

func digits(s string) bool {
	return s != "" && !strings.ContainsFunc(s, func(r rune) bool { return r < '0' || r > '9' })
}
