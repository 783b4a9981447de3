package pgn

import (
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"
)

// The figures are those of the reference: 170 standard messages and 4 proprietary ranges, 74 layouts with 587 fields. The group function's
// repeating pair of number and value, which the reference describes in words, adds 2.
func TestTableIsComplete(t *testing.T) {
	layouts, fields := 0, 0
	for _, d := range All() {
		if len(d.Fields) > 0 {
			layouts++
			fields += len(d.Fields)
		}
	}
	if len(All()) != 174 || layouts != 74 || fields != 589 {
		t.Errorf("%d messages, %d layouts, %d fields", len(All()), layouts, fields)
	}
}

func TestTableRows(t *testing.T) {
	all := All()
	if !slices.IsSortedFunc(all, func(a, b *Definition) int { return int(a.PGN) - int(b.PGN) }) {
		t.Error("the messages are not sorted")
	}
	for i, d := range all {
		if i > 0 && all[i-1].Last >= d.PGN {
			t.Errorf("%d overlaps with the message before it", d.PGN)
		}
		if Lookup(d.PGN) != d || Lookup(d.Last) != d || TransportOf(d.PGN) != d.Transport {
			t.Errorf("%d: Lookup does not find it", d.PGN)
		}
		if d.Title == "" || d.Source == "" || d.When == "" || d.Priority > 7 || d.Length > d.Transport.MaxLength() {
			t.Errorf("%d: incomplete or impossible: %+v", d.PGN, *d)
		}
		if (d.When == "cyclic") != (d.Interval > 0) {
			t.Errorf("%d: interval %s but %q", d.PGN, d.Interval, d.When)
		}
		if len(d.Fields) > 0 {
			t.Run(d.Title, func(t *testing.T) {
				checkFields(t, d)
				for _, v := range d.variants[min(1, len(d.variants)):] {
					checkFields(t, v)
				}
			})
		}
	}
}

// checkFields holds the fields of a layout against what decoding relies on.
func checkFields(t *testing.T, d *Definition) {
	keys := make(map[string]bool)
	next := 0 // where a field must start, -1 once that varies
	for i := range d.Fields {
		f := &d.Fields[i]
		if f.Number != i+1 || f.index != i || f.Name == "" || f.Source == "" || keys[f.Key] {
			t.Errorf("field %d (%s): number, name, source or key", i+1, f.Key)
		}
		keys[f.Key] = true
		if !regexp.MustCompile(`^[a-z][a-z0-9_]*$`).MatchString(f.Key) {
			t.Errorf("key %q", f.Key)
		}
		if f.Bit >= 0 && f.Bit != next {
			t.Errorf("%s starts at bit %d, the field before it ends at %d", f.Key, f.Bit, next)
		}
		if f.Bit >= 0 && (f.Width == 0 || f.Type == Raw) {
			next = -1
		} else if next >= 0 {
			next += f.Width
		}
		switch {
		case f.Type == Text && (f.Width%8 != 0 || f.Bit%8 != 0), f.Type == String && f.Width != 0, f.Type == Raw && f.Width != 0,
			f.Type < Text && (f.Width < 1 || f.Width > 64 || f.Bit >= 0 && f.Width > 57 && f.Bit%8 != 0):
			t.Errorf("%s: %s of %d bits at %d", f.Key, f.Type, f.Width, f.Bit)
		}
		if f.Table != "" && f.Table != "device_function" && Table(f.Table) == nil {
			t.Errorf("%s: no table %q", f.Key, f.Table)
		}
		if (f.Type == Reserved || f.Type == Spare) != (f.Role == RoleReserved) {
			t.Errorf("%s: %s with role %s", f.Key, f.Type, f.Role)
		}
		if f.Type == Text && f.Width/8 > len(filling) {
			t.Errorf("%s: more text than filling", f.Key)
		}
		if f.Type == Raw && (len(d.checks) > 0 || d.slow || f.Bit < 8) {
			t.Errorf("%s: is not the only data", f.Key)
		}
		if f.Type == Enum {
			checkSpecials(t, f)
		}
		if f.Role == RoleCount && f.Width%8 != 0 {
			t.Errorf("%s: counts in %d bits", f.Key, f.Width)
		}
	}
	bits := 0
	for i := range d.Fields {
		bits += d.Fields[i].Width
	}
	if len(d.groups) == 0 && d.Length > 0 && bits > d.Length*8 {
		t.Errorf("%d bits of fields in %d bytes", bits, d.Length)
	}
}

// checkSpecials makes sure that no code of a table is taken for "not available" and the like unless the table marks
// it.
func checkSpecials(t *testing.T, f *Field) {
	for _, c := range Table(f.Table) {
		if uint64(c.Code) > f.mask {
			continue
		}
		is := f.max-uint64(c.Code) < f.special
		says := strings.Contains("Not available Error Reserved Unknown Out of range Not defined Undefined Unsafe or not available", c.Name)
		if is && !says {
			t.Errorf("%s: code %d (%s) counts as no value", f.Key, c.Code, c.Name)
		}
	}
}

func TestLookup(t *testing.T) {
	tests := []struct {
		pgn          uint32
		transport    Transport
		title        string
		manufacturer bool
	}{
		{0, Single, "", false},
		{59904, Single, "ISO Request", false},
		{59905, Single, "", false},
		{61184, Single, "Manufacturer proprietary, single frame, addressed", true},
		{65240, ISO, "ISO Commanded Address", false},
		{65279, Single, "", false},
		{65280, Single, "Manufacturer proprietary, single frame, broadcast", true},
		{65535, Single, "Manufacturer proprietary, single frame, broadcast", true},
		{126208, Fast, "NMEA Request/Command/Acknowledge group function", false},
		{126720, Fast, "Manufacturer proprietary, fast packet, addressed", true},
		{126996, Fast, "Product Information", false},
		{130306, Single, "Wind Data", false},
		{130815, Single, "", false},
		{130816, Fast, "Manufacturer proprietary, fast packet, broadcast", true},
		{131071, Fast, "Manufacturer proprietary, fast packet, broadcast", true},
		{131072, Single, "", false},
		{1<<32 - 1, Single, "", false},
	}
	for _, tt := range tests {
		title := ""
		if d := Lookup(tt.pgn); d != nil {
			title = d.Title
		}
		if title != tt.title || TransportOf(tt.pgn) != tt.transport || Proprietary(tt.pgn) != tt.manufacturer {
			t.Errorf("%d: %q %s, proprietary %t", tt.pgn, title, TransportOf(tt.pgn), Proprietary(tt.pgn))
		}
	}
}

func TestNilDefinition(t *testing.T) {
	var d *Definition
	if vs, err := d.Decode([]byte{1}, nil); len(vs) != 0 || err != nil {
		t.Error("Decode", vs, err)
	}
	if _, ok := d.Instance([]byte{1}); ok || d.Field("x") != nil || d.ByNumber(1) != nil {
		t.Error("Instance, Field or ByNumber found something")
	}
	if d.Available([]byte{0xFF, 0xFF}) || !d.Available([]byte{0xFF, 0}) {
		t.Error("Available")
	}
}

func TestLoadRefusesDamage(t *testing.T) {
	const head = "title\n"
	message := "1\t1\tS\t8\t6\t0\ton event\t-1\t0\t-1\t0\tTitle\t\tsource\n"
	field := "1\t\t1\tsid\tSID\t0\t8\tunsigned\t1\t0\t\t3\t\t\t\tsid\t\t\tsource\n"
	tests := []struct{ name, messages, fields, want string }{
		{"cells", head + "1\t2\n", head, "pgn: messages: line 2: 2 cells, want 14"},
		{"number", head + strings.Replace(message, "\t8\t", "\teight\t", 1), head, `pgn: messages: line 2: column 4: "eight" is not a number`},
		{"transport", head + strings.Replace(message, "\tS\t", "\tX\t", 1), head, `pgn: messages: line 2: column 3: "X" is no transport`},
		{"stranger", head + message, head + "2" + field[1:], "pgn: fields: line 2: no message 2, or out of order"},
		{"type", head + message, head + strings.Replace(field, "unsigned", "number", 1), `pgn: fields: line 2: column 8: "number" is no type`},
		{"group", head + message, head + strings.Replace(field, "\tsid\t\t\tsource", "\tdata\t1:nothing\t\tsource", 1), `pgn: fields: line 2: group "1:nothing": no such counting field`},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if _, err := load(tt.messages, tt.fields); err == nil || err.Error() != tt.want {
				t.Errorf("%v, want %s", err, tt.want)
			}
		})
	}
	if _, err := load(head+message, head+field); err != nil {
		t.Error(err)
	}
}

// Sources are named in words that a reader can follow.
func TestDataNamesItsSources(t *testing.T) {
	files, err := filepath.Glob("data/*")
	if err != nil || len(files) == 0 {
		t.Fatal(files, err)
	}
	key := regexp.MustCompile(`\b[A-Z]{3,}[0-9]\b|\b(CAP|KERN|GPSD|AGI|PUB)\b`)
	for _, name := range files {
		text, err := os.ReadFile(name)
		if err != nil {
			t.Fatal(err)
		}
		for i, line := range strings.Split(string(text), "\n") {
			if s := key.FindString(line); s != "" && !strings.Contains(line, "WMM") && s != "SAE1" && !strings.Contains(name, "manufacturer") {
				t.Errorf("%s:%d: %q", name, i+1, s)
			}
		}
	}
}

func TestCodeTables(t *testing.T) {
	for _, tt := range []struct{ name, got, want string }{
		{"manufacturer", ManufacturerName(137), "Maretron"},
		{"manufacturer in conflict", ManufacturerName(116), "BEP Marine / Beeline Technologies"},
		{"unknown manufacturer", ManufacturerName(2001), ""},
		{"class", ClassName(60), "Navigation"},
		{"unknown class", ClassName(1), ""},
		{"function", FunctionName(25, 130), "PC Gateway"},
		{"same function of another class", FunctionName(20, 130), "EPIRB"},
		{"unknown function", FunctionName(1, 1), ""},
		{"industry", IndustryGroupName(4), "Marine"},
		{"fluid", codeName("fluid_type", 6), "Gasoline fuel"},
		{"no table", codeName("nothing", 0), ""},
	} {
		if tt.got != tt.want {
			t.Errorf("%s: %q, want %q", tt.name, tt.got, tt.want)
		}
	}
	for name, codes := range tables() {
		for i, c := range codes {
			if c.Name == "" || i > 0 && codes[i-1].Code >= c.Code {
				t.Errorf("%s: code %d: no name, or twice", name, c.Code)
			}
		}
	}
	if n := len(Table("manufacturer")); n != 283 {
		t.Errorf("%d manufacturers, want 283", n)
	}
	if c, ok := codeOf("fluid_type", "fresh WATER"); !ok || c != 1 {
		t.Errorf("fresh water = %d, %t", c, ok)
	}
}
