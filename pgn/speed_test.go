package pgn

import (
	"fmt"
	"testing"
)

// half is a setter that allocates nothing.
func half(f *Field, repeat int) (float64, string, bool) {
	if f.Group != 0 && repeat > 1 && f.Width != 2 {
		return 0, "", false
	}
	switch f.Type {
	case Text, String, Raw, Parameter:
		return 0, "A", true
	}
	if f.Role == RoleCount || f.part != partNone || f.index == 0 {
		return 0, "", false
	}
	return f.Origin + f.Resolution, "", true
}

func TestNoAllocations(t *testing.T) {
	values := make([]Value, 0, 256)
	buffer := make([]byte, 0, 2048)
	for _, d := range layouts() {
		for _, code := range codes(d) {
			p := sample(t, d, code)
			n := testing.AllocsPerRun(10, func() {
				values, _ = d.Decode(p, values)
				d.Instance(p)
				d.Selector(p)
				d.Available(p)
				_ = TransportOf(d.PGN)
				buffer, _ = d.Build(buffer[:0], half)
			})
			if n != 0 {
				t.Errorf("%d (%s): %g allocations", d.PGN, d.Title, n)
			}
		}
	}
}

func BenchmarkDecode(b *testing.B) {
	each(b, func(b *testing.B, d *Definition, p []byte) {
		values := make([]Value, 0, 256)
		for b.Loop() {
			values, _ = d.Decode(p, values)
		}
	})
}

func BenchmarkAvailable(b *testing.B) {
	each(b, func(b *testing.B, d *Definition, p []byte) {
		for b.Loop() {
			_ = d.Available(p)
		}
	})
}

// each runs a benchmark for every layout.
func each(b *testing.B, run func(b *testing.B, d *Definition, p []byte)) {
	for _, d := range layouts() {
		for _, code := range codes(d) {
			name := fmt.Sprint(d.PGN)
			if len(d.variants) > 0 {
				name = fmt.Sprintf("%d-%g", d.PGN, code)
			}
			p := sample(b, d, code)
			b.Run(name, func(b *testing.B) {
				b.ReportAllocs()
				run(b, d, p)
			})
		}
	}
}

func BenchmarkInstance(b *testing.B) {
	b.ReportAllocs()
	d, p := Lookup(130312), []byte{1, 5, 0, 0, 0, 0, 0, 0xFF}
	for b.Loop() {
		_, _ = d.Instance(p)
	}
}

func BenchmarkTransportOf(b *testing.B) {
	b.ReportAllocs()
	pgns := [...]uint32{129029, 130306, 65300, 127488, 129025, 131000, 60928, 126720}
	i := 0
	for b.Loop() {
		_ = TransportOf(pgns[i&7])
		i++
	}
}

// BenchmarkLoad is what the table costs at start.
func BenchmarkLoad(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		if _, err := load(messagesText, fieldsText); err != nil {
			b.Fatal(err)
		}
	}
}

// BenchmarkCodeTables is what the first use of a code table costs.
func BenchmarkCodeTables(b *testing.B) {
	b.ReportAllocs()
	for b.Loop() {
		readCSV(manufacturersText)
		readCSV(enumerationsText)
	}
}
