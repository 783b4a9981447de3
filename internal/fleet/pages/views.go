package pages

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"html/template"
	"mime"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"muster/internal/boat"
	"muster/internal/fleet"
	"muster/internal/fleet/hub"
	"muster/internal/snapshot"
	"muster/internal/web"
)

// perPage is how many boats, or hits, one page shows.
const perPage = 100

type fleetPage struct {
	Summary
	Mark          string
	Chosen        hub.Verdict
	Text          string
	Kinds         []hub.Verdict
	Total, First  int
	Rows          []*row
	Earlier, More string // addresses of the pages beside; empty for none
}

func (s *Server) fleetData(r *http.Request) (string, any, error) {
	q := r.URL.Query()
	rows := s.boats()
	p := fleetPage{Summary: s.summarize(rows), Chosen: hub.Verdict(q.Get("verdict")), Text: q.Get("q"), Kinds: verdicts, First: 1}
	p.Mark = p.mark
	if p.Chosen != "" && !slices.Contains(verdicts, p.Chosen) {
		return "", nil, fmt.Errorf("verdict %q is none: choose one of the list", p.Chosen)
	}
	rows = choose(rows, p.Chosen, p.Text)
	p.Total = len(rows)
	p.First, p.Earlier, p.More = turn(r, len(rows))
	p.Rows = rows[p.First-1 : min(p.First-1+perPage, len(rows))]
	return "", p, nil
}

// turn reads which page of a list is asked for: its first entry, from 1, and the addresses of those beside it.
func turn(r *http.Request, total int) (first int, earlier, more string) {
	q := r.URL.Query()
	n, err := strconv.Atoi(q.Get("page"))
	last := max(1, (total+perPage-1)/perPage)
	if err != nil || n < 1 {
		n = 1
	}
	n = min(n, last)
	at := func(n int) string {
		q.Set("page", strconv.Itoa(n))
		return r.URL.Path + "?" + q.Encode()
	}
	if n > 1 {
		earlier = at(n - 1)
	}
	if n < last {
		more = at(n + 1)
	}
	return (n-1)*perPage + 1, earlier, more
}

type boatPage struct {
	*row
	At            uint64
	Report        template.HTML
	History       []hub.Past
	Documents     []hub.Past
	Before, After uint64
	Comparison    *snapshot.Comparison
	Problem       string
	Refusals      []hub.Refusal
}

func (s *Server) boatData(r *http.Request) (string, any, error) {
	id := r.PathValue("id")
	b := s.boat(id)
	if b == nil {
		return "", nil, fmt.Errorf("boat %q: %w: see how it is written on the page of the fleet", id, hub.ErrNotFound)
	}
	q := r.URL.Query()
	number := func(key string) uint64 { n, _ := strconv.ParseUint(q.Get(key), 10, 64); return n }
	p := boatPage{row: b, At: number("at"), Before: number("before"), After: number("after")}
	ctx := r.Context()
	note := func(err error) {
		if err != nil && p.Problem == "" {
			p.Problem = boat.Printable(err.Error())
		}
	}
	if !b.LastWord.IsZero() {
		report, err := s.opt.Fleet.Report(ctx, id, p.At)
		if err == nil {
			p.Report, err = web.ReportHTML(report)
		}
		if !errors.Is(err, hub.ErrNotFound) || p.At != 0 {
			note(err)
		}
		past, err := s.opt.Fleet.History(ctx, id, 400)
		note(err)
		for _, h := range past {
			switch fleet.Kind(h.Kind) {
			case fleet.KindReport:
				if len(p.History) < 24 || h.Stream == p.Before || h.Stream == p.After {
					p.History = append(p.History, h)
				}
			case fleet.KindSnapshot, fleet.KindRecord:
				p.Documents = append(p.Documents, h)
			}
		}
	}
	if p.Before != 0 && p.After != 0 {
		c, err := s.compare(ctx, id, p.Before, p.After)
		p.Comparison = c
		note(err)
	} else if n := len(p.History); n > 1 {
		p.Before, p.After = p.History[n-1].Stream, p.History[0].Stream
	}
	if b.Refused > 0 {
		refused, err := s.opt.Fleet.Refusals(ctx, 1000)
		note(err)
		for _, x := range refused {
			if x.Boat == id && len(p.Refusals) < 20 {
				p.Refusals = append(p.Refusals, x)
			}
		}
	}
	return boat.Printable(cmp.Or(b.Name, b.ID)), p, nil
}

func (s *Server) compare(ctx context.Context, id string, before, after uint64) (*snapshot.Comparison, error) {
	a, err := s.opt.Fleet.Report(ctx, id, before)
	if err != nil {
		return nil, err
	}
	b, err := s.opt.Fleet.Report(ctx, id, after)
	if err != nil {
		return nil, err
	}
	var o snapshot.Options
	if sheets := s.opt.Sheets(); sheets != nil {
		o.Order = sheets.Order
	}
	return snapshot.Compare(snapshot.New(a), snapshot.New(b), o)
}

// document gives a snapshot or a service record to keep. It is never shown in the place of a page: a boat wrote it.
func (s *Server) document(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("id")
	n, err := strconv.ParseUint(r.PathValue("number"), 10, 64)
	var e *fleet.Envelope
	var k fleet.Kind
	if err != nil {
		err = fmt.Errorf("message %q of boat %q: %w", r.PathValue("number"), id, hub.ErrNotFound)
	} else {
		e, k, err = s.opt.Fleet.Document(r.Context(), id, n)
	}
	if err != nil {
		s.failed(w, r, err)
		return
	}
	name, media, data := fmt.Sprintf("%s-%s-%d.json", id, k, n), "application/json", []byte(e.Body)
	if k == fleet.KindRecord {
		var d fleet.Document
		if err := json.Unmarshal(e.Body, &d); err != nil {
			s.failed(w, r, fmt.Errorf("message %d of boat %q is no document: %w", n, id, err))
			return
		}
		data, media = d.Data, "application/octet-stream"
		switch d.Media {
		case "application/pdf":
			name, media = fmt.Sprintf("%s-record-%d.pdf", id, n), d.Media
		case "text/html":
			name, media = fmt.Sprintf("%s-record-%d.html", id, n), d.Media
		default:
			name = fmt.Sprintf("%s-record-%d.bin", id, n)
		}
	}
	w.Header().Set("Content-Type", media)
	w.Header().Set("Content-Disposition", mime.FormatMediaType("attachment", map[string]string{"filename": name}))
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(data)
}

type searchPage struct {
	hub.Query
	Asked         bool
	Problem       string
	Hits, Apart   []hub.Hit
	Found, Unsure int // on all pages
	First         int
	Earlier, More string
	Roles         []boat.Role
}

func (s *Server) searchData(r *http.Request) (string, any, error) {
	get := func(key string) string { return strings.TrimSpace(r.URL.Query().Get(key)) }
	p := searchPage{Query: hub.Query{Text: get("q"), Maker: get("maker"), Model: get("model"), Serial: get("serial"), Role: get("role"),
		Version: get("version"), Below: get("below")}, Roles: boat.Roles()}
	p.Asked = p.Query != hub.Query{}
	if !p.Asked {
		return "Search", p, nil
	}
	hits, err := s.opt.Fleet.Search(p.Query)
	if err != nil {
		p.Problem = boat.Printable(err.Error())
		return "Search", p, nil
	}
	for _, h := range hits {
		if h.Unknown == "" {
			p.Found++
		}
	}
	p.Unsure = len(hits) - p.Found
	p.First, p.Earlier, p.More = turn(r, len(hits))
	for i, h := range hits[p.First-1 : min(p.First-1+perPage, len(hits))] {
		if p.First-1+i < p.Found {
			p.Hits = append(p.Hits, h)
		} else {
			p.Apart = append(p.Apart, h)
		}
	}
	return "Search", p, nil
}

func (s *Server) campaignsData(*http.Request) (string, any, error) {
	return "Campaigns", struct {
		Sheets    bool
		Campaigns []Campaign
	}{s.opt.Sheets() != nil, s.campaigns(s.boats())}, nil
}

// shownDevices bounds the devices that a campaign's page lists.
const shownDevices = 500

func (s *Server) campaignData(r *http.Request) (string, any, error) {
	c := s.campaign(s.boats(), r.PathValue("model"))
	if c == nil {
		return "", nil, fmt.Errorf("campaign %q: %w: no sheet is of this model, or no boat has it aboard", r.PathValue("model"), hub.ErrNotFound)
	}
	today := s.opt.Now().UTC().Format(time.DateOnly)
	c.Days = slices.DeleteFunc(s.days(r.Context(), c.Model), func(d CampaignDay) bool { return d.Day == today })
	c.Days = append(c.Days, CampaignDay{today, c.Counts})
	left := max(0, len(c.Devices)-shownDevices)
	c.Devices = c.Devices[:len(c.Devices)-left]
	plot, progress := progressPlot(c.Days)
	return boat.Printable(c.Model), struct {
		*CampaignDetail
		Plot     template.HTML
		Progress string
		Left     int
	}{c, plot, progress, left}, nil
}

type weekPage struct {
	Visits  []visit
	Left    int
	Minutes int
	Bring   []string
	Unheard []*row
	Day     string
}

// mostVisits bounds the list for the week.
const mostVisits = 40

func (s *Server) weekData(*http.Request) (string, any, error) {
	rows := s.boats()
	p := weekPage{Visits: visits(rows), Day: s.opt.Now().UTC().Format("2 January 2006")}
	if len(p.Visits) > mostVisits {
		p.Left = len(p.Visits) - mostVisits
		p.Visits = p.Visits[:mostVisits]
	}
	for _, v := range p.Visits {
		p.Minutes += v.Minutes
		for _, b := range v.Bring {
			if !slices.Contains(p.Bring, b) {
				p.Bring = append(p.Bring, b)
			}
		}
	}
	slices.Sort(p.Bring)
	for _, r := range rows {
		if r.Verdict == hub.Unheard && r.Revoked.IsZero() && len(p.Unheard) < 100 {
			p.Unheard = append(p.Unheard, r)
		}
	}
	return "Week", p, nil
}

func (s *Server) alertsData(*http.Request) (string, any, error) {
	return "Alerts", alertGroups(s.boats()), nil
}

func (s *Server) refusalsData(r *http.Request) (string, any, error) {
	list, err := s.opt.Fleet.Refusals(r.Context(), 200)
	p := struct {
		Refusals []hub.Refusal
		Two      []*row
		Problem  string
	}{Refusals: list}
	if err != nil {
		p.Problem = boat.Printable(err.Error())
	}
	for _, b := range s.boats() {
		if b.Turns > 0 {
			p.Two = append(p.Two, b)
		}
	}
	return "Kept aside", p, nil
}

// query writes the address of a search.
func query(pairs ...string) string {
	q := url.Values{}
	for i := 0; i+1 < len(pairs); i += 2 {
		q.Set(pairs[i], pairs[i+1])
	}
	return "/search?" + q.Encode()
}
