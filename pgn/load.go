package pgn

import (
	_ "embed"
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"
)

// The message set: one line per message and one line per field, sorted. Tabs separate, so nothing needs quoting. The columns of messages
// are those of Definition; a place is first bit and width, -1 and 0 for none. The columns of fields are those of Field, and:
//
//	variant  group function: the first byte of the payload that selects the layout, the last one for all others
//	bit      empty behind a part of variable length
//	bits     0 for variable length
//	scale    resolution as k or 1/k
//	special  how many codes from the highest downwards mean: not available, out of range, reserved
//	absent   one more raw value that means not available
//	fill     what to send when no value is given, if not the highest code
//	group    number of the group and how often it repeats: a number, the key of the counting field, "end", "proprietary"
var (
	//go:embed data/messages.tsv
	messagesText string
	//go:embed data/fields.tsv
	fieldsText string
)

// set is the message set, built once and read-only afterwards.
var set = mustLoad(messagesText, fieldsText)

type messageSet struct {
	all   []Definition
	page  [0x200]uint8 // by PGN>>8: index into entry; 0 is the empty page
	entry [][256]*Definition
}

// mustLoad panics on a damaged table: that is a mistake in the program, and the tests read the same table.
func mustLoad(messages, fields string) *messageSet {
	s, err := load(messages, fields)
	if err != nil {
		panic(err)
	}
	return s
}

func load(messages, fields string) (*messageSet, error) {
	s := &messageSet{all: make([]Definition, 0, 180)}
	r := rows{text: messages, columns: 14}
	for r.next() {
		s.all = append(s.all, Definition{
			PGN: uint32(r.int(0)), Last: uint32(r.int(1)), Transport: r.transport(2), Length: r.int(3),
			Priority: uint8(r.int(4)),
			Interval: time.Duration(r.int(5)) * time.Millisecond, When: r.cell[6],
			instance: place{r.int(7), r.int(8)}, selector: place{r.int(9), r.int(10)},
			Title: r.cell[11], Note: r.cell[12], Source: r.cell[13],
		})
	}
	if r.err != nil {
		return nil, fmt.Errorf("pgn: messages: %w", r.err)
	}
	if err := s.readFields(fields); err != nil {
		return nil, fmt.Errorf("pgn: fields: %w", err)
	}
	s.index()
	return s, nil
}

// readFields adds the fields, which come in the order of the messages, the variants behind their message.
func (s *messageSet) readFields(text string) error {
	r := rows{text: text, columns: 19}
	at := -1
	var d *Definition
	variant := ""
	counts := make(map[string]int)
	pool := make([]Field, 0, 700) // one block for all fields; a definition's fields are neighbours
	finish := func(start int) {
		if d != nil {
			d.Fields = pool[start:len(pool):len(pool)]
			d.prepare()
		}
	}
	start := 0
	for r.next() {
		pgn := uint32(r.int(0))
		if d == nil || d.PGN != pgn || variant != r.cell[1] {
			finish(start)
			start, variant = len(pool), r.cell[1]
			clear(counts)
			if d == nil || d.PGN != pgn {
				for at++; at < len(s.all) && s.all[at].PGN != pgn; at++ {
				}
				if at == len(s.all) {
					return fmt.Errorf("line %d: no message %d, or out of order", r.line, pgn)
				}
				d = &s.all[at]
			} else {
				base := &s.all[at]
				if base.variants == nil {
					base.variants, base.quick = []*Definition{base}, quick{}
				}
				v := *base
				v.variants, v.groups, v.plan = nil, nil, plan{}
				d = &v
				base.variants = append(base.variants, d)
			}
		}
		if len(pool) == cap(pool) {
			return fmt.Errorf("line %d: more fields than room was made for", r.line)
		}
		f := Field{
			Number: r.int(2), Key: r.cell[3], Name: r.cell[4], Bit: -1, Width: r.int(6), Type: r.typ(7), Role: r.role(15),
			Origin: float64(r.int(9)), Unit: r.cell[10], special: uint64(r.int(11)), Table: r.cell[14], Note: r.cell[17], Source: r.cell[18],
			index: len(pool) - start,
		}
		if r.cell[5] != "" {
			f.Bit = r.int(5)
		}
		f.mul, f.div = r.scale(8)
		f.Resolution = f.mul / f.div
		f.prepare()
		if r.cell[12] != "" {
			f.absent = uint64(r.int(12)) & f.mask
			if f.special == 0 {
				f.fill = f.absent
			}
		}
		if r.cell[13] != "" {
			f.fill = uint64(r.int(13))
		}
		if f.Role == RoleCount {
			counts[f.Key] = f.index
		}
		if r.cell[16] != "" {
			if err := d.addToGroup(&f, r.cell[16], counts); err != nil {
				return fmt.Errorf("line %d: %w", r.line, err)
			}
		}
		pool = append(pool, f)
	}
	finish(start)
	return r.err
}

// prepare computes what decoding needs of a field.
func (f *Field) prepare() {
	f.byteAt, f.shift = f.Bit>>3, uint(f.Bit&7)
	f.mask = 1<<f.Width - 1 // a shift by 64 gives 0, and 0-1 is all ones
	f.max = f.mask
	if f.Type == Signed {
		f.max >>= 1
	}
	f.absent = 1 << 63 // no narrower field has such a value
	if f.Width == 64 {
		f.absent = f.max
	}
	switch {
	case f.special > 0, f.Type == Unsigned, f.Type == Reserved, f.Type == Spare:
		f.fill = f.max
	}
	switch f.Key {
	case "target_pgn":
		f.part = partTarget
	case "parameter", "selection_parameter":
		f.part = partNumber
	}
}

// addToGroup reads "number:repeats" and opens or extends the group.
func (d *Definition) addToGroup(f *Field, text string, counts map[string]int) error {
	number, repeats, _ := strings.Cut(text, ":")
	n, err := strconv.Atoi(number)
	if err != nil || n < 1 || n > len(d.groups)+1 {
		return fmt.Errorf("group %q", text)
	}
	f.Group = n
	if n <= len(d.groups) {
		d.groups[n-1].last = f.index
		return nil
	}
	g := group{first: f.index, last: f.index}
	switch repeats {
	case "end":
		g.kind = groupToEnd
	case "proprietary":
		g.kind = groupProprietary
	default:
		if i, ok := counts[repeats]; ok {
			g.kind, g.count = groupCounted, i
		} else if g.count, err = strconv.Atoi(repeats); err != nil {
			return fmt.Errorf("group %q: no such counting field", text)
		}
	}
	d.groups = append(d.groups, g)
	return nil
}

// prepare computes what decoding needs of a definition whose fields are complete.
func (d *Definition) prepare() {
	d.checks, d.slow, d.plan = nil, false, plan{}
	d.makePlan()
	for i := range d.Fields {
		f := &d.Fields[i]
		if f.Role != RoleData {
			continue
		}
		if f.Type == Raw {
			d.rest = f.Bit >> 3
		} else if f.Group != 0 || f.Bit < 0 || f.Width == 0 {
			d.slow = true
		} else {
			d.checks = append(d.checks, f)
		}
	}
	d.quick = d.makeQuick()
}

func (d *Definition) makeQuick() quick {
	switch {
	case len(d.checks) > 0:
		if f := d.checks[0]; f.Type != Text && f.Bit+f.Width <= 64 {
			return quick{mask: f.mask, max: f.max, special: f.special, absent: f.absent, shift: uint8(f.Bit)}
		}
	case d.rest > 0 && d.rest < 8: // any byte that is not FF
		mask := uint64(math.MaxUint64) >> (8 * d.rest)
		return quick{mask: mask, max: mask, special: 1, absent: mask, shift: uint8(8 * d.rest)}
	}
	return quick{}
}

// index builds the two-level table that Lookup reads.
func (s *messageSet) index() {
	s.entry = make([][256]*Definition, 1, 32)
	for i := range s.all {
		d := &s.all[i]
		for p := d.PGN; p <= d.Last; p++ {
			n := &s.page[p>>8]
			if *n == 0 {
				*n = uint8(len(s.entry))
				s.entry = append(s.entry, [256]*Definition{})
			}
			s.entry[*n][p&0xFF] = d
		}
	}
}

// rows reads the lines of a table without copying. The first line holds the titles.
type rows struct {
	text    string
	columns int
	line    int
	cell    [20]string
	err     error
}

func (r *rows) next() bool {
	for r.err == nil && r.text != "" {
		var line string
		line, r.text, _ = strings.Cut(r.text, "\n")
		r.line++
		if r.line == 1 || line == "" {
			continue
		}
		n := 0
		for rest, more := line, true; more; n++ {
			if n == r.columns {
				break
			}
			r.cell[n], rest, more = strings.Cut(rest, "\t")
		}
		if n != r.columns {
			r.fail("%d cells, want %d", n, r.columns)
			return false
		}
		return true
	}
	return false
}

func (r *rows) fail(format string, args ...any) {
	if r.err == nil {
		r.err = fmt.Errorf("line %d: %w", r.line, fmt.Errorf(format, args...))
	}
}

func (r *rows) int(i int) int {
	n, err := strconv.Atoi(r.cell[i])
	if err != nil {
		r.fail("column %d: %q is not a number", i+1, r.cell[i])
	}
	return n
}

// scale reads "k" or "1/k"; a quotient keeps 1/k exact where a decimal fraction would not.
func (r *rows) scale(i int) (mul, div float64) {
	text, inverse := strings.CutPrefix(r.cell[i], "1/")
	v, err := strconv.ParseFloat(text, 64)
	if err != nil || v < 1 {
		r.fail("column %d: %q is not a scale", i+1, r.cell[i])
		return 1, 1
	}
	if inverse {
		return 1, v
	}
	return v, 1
}

func (r *rows) transport(i int) Transport {
	switch r.cell[i] {
	case "S":
		return Single
	case "F":
		return Fast
	case "T":
		return ISO
	}
	r.fail("column %d: %q is no transport", i+1, r.cell[i])
	return Single
}

func (r *rows) typ(i int) Type {
	for t, name := range typeNames {
		if name == r.cell[i] {
			return Type(t)
		}
	}
	r.fail("column %d: %q is no type", i+1, r.cell[i])
	return Raw
}

func (r *rows) role(i int) Role {
	for t, name := range roleNames {
		if name == r.cell[i] {
			return Role(t)
		}
	}
	r.fail("column %d: %q is no role", i+1, r.cell[i])
	return RoleData
}
