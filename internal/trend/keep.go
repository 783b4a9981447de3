package trend

import (
	"encoding/binary"
	"fmt"
	"math"
	"slices"
	"strings"
	"time"

	"muster/internal/event"
)

// columnsKey is where the names of the columns are kept.
const columnsKey = "columns"

// Key is where a row of minutes or hours is kept: a later one comes to the place of the oldest, so that what is kept never grows.
func Key(of Resolution, row *Row) string {
	return fmt.Sprintf("%s/%05d", of, int(row.At.UTC().Unix()/int64(of.Step().Seconds()))%of.points())
}

// Columns is where the names of the columns are kept, and these: they are kept with each row.
func (t *Trends) Columns() (key string, text []byte) {
	t.mu.Lock()
	defer t.mu.Unlock()
	return columnsKey, []byte(strings.Join(t.columns, "\n"))
}

// Encode writes a row: its time, and each value with its column, to the hundredth.
func (r *Row) Encode() []byte {
	text := binary.AppendVarint(nil, r.At.UTC().Unix())
	for i := range r.Values {
		if v, ok := r.Value(i); ok {
			text = binary.AppendUvarint(text, uint64(i))
			text = binary.AppendVarint(text, int64(math.Round(v*100)))
		}
	}
	return text
}

// decode reads what Encode wrote; ok is false for anything else.
func decode(text []byte, columns int) (row Row, ok bool) {
	unix, n := binary.Varint(text)
	if n <= 0 || unix < 0 || unix > math.MaxInt64/int64(time.Second) {
		return row, false
	}
	row.At = event.At(time.Unix(unix, 0))
	for text = text[n:]; len(text) > 0; text = text[n:] {
		i, m := binary.Uvarint(text)
		if m <= 0 || i >= uint64(columns) {
			return row, false
		}
		v, k := binary.Varint(text[m:])
		if k <= 0 {
			return row, false
		}
		for uint64(len(row.Values)) <= i {
			row.Values = append(row.Values, nan)
		}
		row.Values[i] = float32(float64(v) / 100)
		n = m + k
	}
	return row, true
}

// Restore is Trends with what was kept, by key. The hour under way is collected again from its minutes, so that a power cut costs no
// more than the minute under way. What cannot be read is left out.
func Restore(kept map[string][]byte) *Trends {
	t := New()
	columns := strings.Split(string(kept[columnsKey]), "\n")
	if len(columns) > maxColumns {
		return t
	}
	for i, name := range columns {
		if t.column(name) != i {
			return New() // a name stands twice
		}
	}
	for key, text := range kept {
		of, _, _ := strings.Cut(key, "/")
		for _, r := range []*ring{&t.minutes, &t.hrs} {
			if row, ok := decode(text, len(columns)); of == string(r.of) && ok && key == Key(r.of, &row) {
				r.rows = append(r.rows, row)
			}
		}
	}
	for _, r := range []*ring{&t.minutes, &t.hrs} {
		slices.SortFunc(r.rows, func(a, b Row) int { return int(min(max(a.At-b.At, -1), 1)) })
	}
	for i := range t.minutes.rows {
		row := &t.minutes.rows[i]
		done := t.hrs.rows
		if hour := floor(row.At, time.Hour); len(done) == 0 || done[len(done)-1].At < hour {
			t.collect(&t.hour, &t.hrs, hour)
			t.hour.add(*row)
		}
	}
	return t
}
