package pages

import (
	"encoding/csv"
	"net/http"
	"strconv"
	"strings"
)

// searchCSV gives the hits of a search as a table for other programs: all of them, with what the page shows.
func (s *Server) searchCSV(w http.ResponseWriter, r *http.Request) {
	hits, err := s.opt.Fleet.Search(readQuery(r))
	if err != nil {
		s.failed(w, err)
		return
	}
	rows := [][]string{{"boat", "name", "unit", "manufacturer", "model", "serial", "software", "role", "away", "order unknown"}}
	for _, x := range hits {
		d := x.Device
		rows = append(rows, []string{x.Boat, x.Name, d.ID, d.Manufacturer, d.Model, d.Serial, d.Software, d.Role, string(x.Away), x.Unknown})
	}
	writeCSV(w, "units.csv", rows)
}

// weekCSV gives the updates of the week's list.
func (s *Server) weekCSV(w http.ResponseWriter, _ *http.Request) {
	rows := [][]string{{"boat", "name", "marina", "model", "serial", "from", "to", "medium", "minutes"}}
	for _, v := range visits(s.boats()) {
		for _, u := range v.Updates {
			rows = append(rows, []string{v.ID, v.Name, v.Marina, u.Device.Model, u.Device.Serial, u.From, u.To, u.Medium, strconv.Itoa(u.Minutes)})
		}
	}
	writeCSV(w, "week.csv", rows)
}

// writeCSV answers with a table. A text that a spreadsheet would take for a formula is marked as a text: boats wrote it.
func writeCSV(w http.ResponseWriter, name string, rows [][]string) {
	w.Header().Set("Content-Type", "text/csv; charset=utf-8")
	w.Header().Set("Content-Disposition", `attachment; filename="`+name+`"`)
	w.Header().Set("Cache-Control", "no-store")
	out := csv.NewWriter(w)
	for _, row := range rows {
		for i, cell := range row {
			if strings.HasPrefix(strings.TrimSpace(cell), "=") || cell != "" && strings.ContainsRune("+-@\t\r", rune(cell[0])) {
				row[i] = "'" + cell
			}
		}
		_ = out.Write(row) // the client may be gone
	}
	out.Flush()
}
