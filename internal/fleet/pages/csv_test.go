package pages

import (
	"encoding/csv"
	"strings"
	"testing"
)

// TestCSV: the tables hold what the pages show, and no text of a boat is a formula.
func TestCSV(t *testing.T) {
	f := fakeBoats(t)
	f.Boat("dunlin").Devices[0].Serial = "=HYPERLINK(1)"
	s := serve(t, f, nil)
	for path, lines := range map[string]int{"/search.csv?q=LF9": 7, "/week.csv": 4} {
		resp, body := get(t, s.URL()+path)
		rows, err := csv.NewReader(strings.NewReader(body)).ReadAll()
		if err != nil || len(rows) != lines || !strings.HasPrefix(resp.Header.Get("Content-Type"), "text/csv") {
			t.Errorf("%s: %d rows, want %d: %v\n%s", path, len(rows), lines, err, body)
		}
		for _, row := range rows {
			for _, cell := range row {
				if strings.HasPrefix(cell, "=") {
					t.Errorf("%s: %q is a formula", path, cell)
				}
			}
		}
	}
}
