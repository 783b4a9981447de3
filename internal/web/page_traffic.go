package web

import (
	"cmp"
	"fmt"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"

	"muster/internal/boat"
	"muster/pgn"
)

type trafficPage struct {
	Filter   Filter
	Devices  []link
	PGNs     []link
	Messages []*Message // latest first
	Names    map[string]string
	Stream   string
	Problem  string
}

// trafficRows is how many messages the page shows.
const trafficRows = 40

func (s *Server) trafficData(req *http.Request, r *boat.Report) (string, content, error) {
	q := req.URL.Query()
	p := trafficPage{Filter: Filter{Device: q.Get("device")}, Names: map[string]string{}}
	if text := q.Get("pgn"); text != "" {
		n, err := strconv.ParseUint(text, 10, 17)
		if err != nil {
			p.Problem = fmt.Sprintf("%s is no message number: give one from 0 to 131071.", boat.Printable(strconv.Quote(text)))
		}
		p.Filter.PGN = uint32(n)
	}
	numbers := map[uint32]string{}
	for i := range r.Devices {
		d := &r.Devices[i]
		text := titleAt(d)
		p.Devices = append(p.Devices, link{d.ID, text})
		p.Names[d.ID] = text
		for _, t := range d.Transmits {
			numbers[t.PGN] = t.Title
		}
	}
	for n, title := range numbers {
		if title == "" {
			if def := pgn.Lookup(n); def != nil {
				title = def.Title
			}
		}
		p.PGNs = append(p.PGNs, link{strconv.Itoa(int(n)), strings.TrimSpace(strconv.Itoa(int(n)) + " " + title)})
	}
	slices.SortFunc(p.PGNs, func(a, b link) int { return cmp.Or(cmp.Compare(len(a.ID), len(b.ID)), cmp.Compare(a.ID, b.ID)) })
	list, _, _ := s.opt.Traffic.Since(0, p.Filter)
	list = list[max(0, len(list)-trafficRows):]
	slices.Reverse(list)
	p.Messages = list
	stream := url.Values{"latest": {"true"}}
	if p.Filter.Device != "" {
		stream.Set("device", p.Filter.Device)
	}
	if p.Filter.PGN != 0 {
		stream.Set("pgn", strconv.Itoa(int(p.Filter.PGN)))
	}
	p.Stream = prefix + "/messages/stream?" + stream.Encode()
	return "Traffic", templated{"traffic", p}, nil
}
