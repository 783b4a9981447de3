package web

import (
	"cmp"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"time"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/record"
	"muster/internal/release"
	"muster/internal/snapshot"
	"muster/pgn"
)

// verdict is the boat in one sentence.
type verdict struct {
	Mark     string // symbol: well, info, warning, critical, quiet
	Sentence string
	More     string
}

func judge(r *boat.Report) verdict {
	counts := map[boat.Severity]int{}
	known, quiet, accepted := 0, 0, 0
	for i := range r.Alerts {
		if a := &r.Alerts[i]; a.State != boat.AlertCleared {
			if a.Accepted != "" {
				accepted++
				continue
			}
			counts[a.Severity]++
			if a.State == boat.AlertAcknowledged {
				known++
			}
			if a.SilencedUntil != 0 {
				quiet++
			}
		}
	}
	total, here := 0, 0
	for _, g := range Groups(r) {
		for _, d := range g.Devices {
			switch {
			case d.Own:
				continue
			case d.State == boat.Present:
				here++
			}
			total++
		}
	}
	v := verdict{More: fmt.Sprintf("%d of %s on the roll answer", here, plural(total, "device", "devices"))}
	if known > 0 {
		v.More += fmt.Sprintf("; %s acknowledged", plural(known, "alert", "alerts"))
	}
	if quiet > 0 {
		v.More += fmt.Sprintf("; %s silenced", plural(quiet, "alert", "alerts"))
	}
	if accepted > 0 {
		v.More += fmt.Sprintf("; %s accepted", plural(accepted, "alert", "alerts"))
	}
	v.More += "."
	switch {
	case r.TakenAt.IsZero():
		return verdict{Mark: "quiet", Sentence: "Nothing has been heard yet.", More: "As soon as a network speaks, its devices stand here."}
	case counts[boat.Critical] > 0:
		v.Mark, v.Sentence = "critical", fmt.Sprintf("Not fit: %s to see to now", plural(counts[boat.Critical], "critical alert", "critical alerts"))
		if n := counts[boat.Warning]; n > 0 {
			v.Sentence += ", and " + plural(n, "warning", "warnings")
		}
		v.Sentence += "."
	case counts[boat.Warning] > 0:
		v.Mark, v.Sentence = "warning", fmt.Sprintf("Usable, but look at %s.", plural(counts[boat.Warning], "warning", "warnings"))
	case counts[boat.Info] > 0:
		v.Mark, v.Sentence = "info", fmt.Sprintf("In order; %s to read.", plural(counts[boat.Info], "remark", "remarks"))
	case total == 0:
		v.Mark, v.Sentence = "info", "Traffic, but no device has made itself known."
	default:
		v.Mark, v.Sentence = "well", "All in order."
	}
	return v
}

func plural(n int, one, many string) string {
	if n == 1 {
		return "1 " + one
	}
	return strconv.Itoa(n) + " " + many
}

// shownAlert is an alert with links to what it is about, and its evidence in words.
type shownAlert struct {
	boat.Alert
	About []link
	Facts []fact
}

type fact struct{ Name, Text string }

type link struct{ ID, Text string }

func shown(r *boat.Report, alerts []boat.Alert) []shownAlert {
	var list []shownAlert
	for _, a := range alerts {
		s := shownAlert{Alert: a}
		for _, id := range a.Devices {
			if d := r.Device(id); d != nil {
				s.About = append(s.About, link{id, titleAt(d)})
			}
		}
		keys := slices.Sorted(maps.Keys(a.Evidence))
		texts := make([]string, len(keys))
		for i, key := range keys {
			texts[i] = boat.Printable(EvidenceValue(a.Evidence[key]))
		}
		for i := range r.Talkers {
			t := &r.Talkers[i]
			if slices.Contains(a.Devices, t.ID()) || slices.ContainsFunc(texts, func(text string) bool { return strings.Contains(text, t.ID()) }) {
				s.About = append(s.About, link{t.ID(), TalkerTitle(t)})
			}
		}
		var names, about []string
		for _, l := range s.About {
			names, about = append(names, l.ID, l.Text), append(about, l.Text)
		}
		named := strings.NewReplacer(names...)
		for i, text := range texts {
			if t, err := time.Parse(time.RFC3339Nano, text); err == nil {
				text = Stamp(event.At(t))
			}
			name := strings.NewReplacer("_", " ", "-", " ").Replace(boat.Printable(keys[i]))
			text = named.Replace(text)
			if keys[i] == "sources" && text == enumerate(about) { // told already
				continue
			}
			s.Facts = append(s.Facts, fact{name, text})
		}
		list = append(list, s)
	}
	return list
}

// titleAt is the device's title with its address, which tells two of one model apart.
func titleAt(d *boat.Device) string {
	if d.Address == nil {
		return DeviceTitle(d)
	}
	return fmt.Sprintf("%s (%d)", DeviceTitle(d), *d.Address)
}

// rollGroup is the devices of one role as the roll shows them.
type rollGroup struct {
	Role boat.Role
	Rows []rollRow
}

type rollRow struct {
	*boat.Device
	Open  int           // alerts that stand
	Worst boat.Severity // of them
}

// alertLists are alerts as a page shows them: the milder and the cleared ones folded away.
type alertLists struct {
	Open     []shownAlert // warnings and worse
	Remarks  []shownAlert // the milder ones that stand
	Accepted []shownAlert // stand, and the owner lives with them
	Cleared  []shownAlert
}

func (l *alertLists) add(a shownAlert) {
	switch {
	case a.State == boat.AlertCleared:
		l.Cleared = append(l.Cleared, a)
	case a.Accepted != "":
		l.Accepted = append(l.Accepted, a)
	case a.Severity.Rank() > boat.Info.Rank():
		l.Open = append(l.Open, a)
	default:
		l.Remarks = append(l.Remarks, a)
	}
}

type boatPage struct {
	Verdict verdict
	Alerts  alertLists
	Roll    []rollGroup
}

func boatView(r *boat.Report) boatPage {
	p := boatPage{Verdict: judge(r)}
	open, worst := map[string]int{}, map[string]boat.Severity{}
	for _, a := range shown(r, SortedAlerts(r)) {
		p.Alerts.add(a)
		if a.State == boat.AlertCleared || a.Accepted != "" {
			continue
		}
		for _, l := range a.About {
			open[l.ID]++
			if a.Severity.Rank() > worst[l.ID].Rank() {
				worst[l.ID] = a.Severity
			}
		}
	}
	for _, g := range Groups(r) {
		rows := rollGroup{Role: g.Role}
		for _, d := range g.Devices {
			rows.Rows = append(rows.Rows, rollRow{d, open[d.ID], worst[d.ID]})
		}
		p.Roll = append(p.Roll, rows)
	}
	return p
}

func (s *Server) boatData(_ *http.Request, r *boat.Report) (string, any, error) {
	return "", boatView(r), nil
}

type devicePage struct {
	*boat.Device
	Talker *shownTalker // it is an NMEA 0183 talker, and no device
	Alerts alertLists
}

func (s *Server) deviceData(req *http.Request, r *boat.Report) (string, any, error) {
	id := req.PathValue("id")
	p := devicePage{Device: r.Device(id)}
	t := r.TalkerByID(id)
	switch {
	case p.Device == nil && t == nil:
		return "", nil, fmt.Errorf("device %q: %w: it may have got another one since", id, ErrNoSuch)
	case p.Device == nil:
		st := showTalker(r, t)
		for i := range st.Lines {
			st.Lines[i].Values = sentenceValues(st.Lines[i].Latest)
		}
		p.Talker = &st
	}
	for _, a := range shown(r, SortedAlerts(r)) {
		about := slices.ContainsFunc(a.About, func(l link) bool { return l.ID == id })
		if about || p.Talker != nil && a.Network == t.Network {
			p.Alerts.add(a)
		}
	}
	if p.Talker != nil {
		return p.Talker.Title, p, nil
	}
	return DeviceTitle(p.Device), p, nil
}

type workPage struct {
	Work
	Groups    []workGroup
	Roles     []boat.Role
	DoneSteps int
	Steps     int
}

type workGroup struct {
	release.Group
	Steps []workStep
}

type workStep struct {
	*release.Step
	Status release.StepStatus
}

func (s *Server) workData(*http.Request, *boat.Report) (string, any, error) {
	p := workPage{Work: s.opt.Desk.Work(), Roles: boat.Roles()}
	if p.Order == nil {
		return "Work", p, nil
	}
	for _, g := range p.Order.Groups {
		wg := workGroup{Group: g}
		for i := range g.Steps {
			st := workStep{Step: &g.Steps[i], Status: release.StepStatus{State: release.StepWaiting}}
			for _, status := range p.Status {
				if status.Step == st.ID {
					st.Status = status
				}
			}
			p.Steps++
			if st.Status.State == release.StepVerified {
				p.DoneSteps++
			}
			wg.Steps = append(wg.Steps, st)
		}
		p.Groups = append(p.Groups, wg)
	}
	return "Work", p, nil
}

type proofPage struct {
	Kept          []Kept
	Baseline      *Baseline
	Before, After string
	Comparison    *snapshot.Comparison
	Problem       string
	Job           *record.Job // what the form begins with
	Order         bool        // there is a work order that the service record may tell of
	Remaining     []string    // checks whose findings remain, sorted
}

func (s *Server) proofData(r *http.Request, _ *boat.Report) (string, any, error) {
	q := r.URL.Query()
	p := proofPage{Kept: s.shelf.kept(), Baseline: s.baseline(), Before: q.Get("before"), After: q.Get("after")}
	if p.Before != "" || p.After != "" {
		_, _, c, err := s.compare(p.Before, p.After)
		if p.Comparison = c; err != nil {
			p.Problem = boat.Printable(err.Error())
		}
		order := s.opt.Desk.LastWork().Order
		if p.Order, p.Remaining = order != nil, remaining(c); c != nil {
			p.Job = s.firstJob(c, order)
		}
	} else if n := len(p.Kept); n > 1 {
		p.Before, p.After = p.Kept[n-1].ID, p.Kept[0].ID
	}
	return "Proof", p, nil
}

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

func (s *Server) trafficData(req *http.Request, r *boat.Report) (string, any, error) {
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
	return "Traffic", p, nil
}

// clockTime is the time of day in UTC, to the minute.
func clockTime(t event.Time) string {
	if t.IsZero() {
		return "–"
	}
	return t.UTC().Format("15:04")
}

// ago says how long before now t was.
func ago(now, t event.Time) string {
	if t.IsZero() || now.IsZero() {
		return "unknown"
	}
	switch d := now.Sub(t); {
	case d < 2*time.Second:
		return "just now"
	case d < 2*time.Minute:
		return fmt.Sprintf("%.0f s ago", d.Seconds())
	case d < 2*time.Hour:
		return fmt.Sprintf("%.0f min ago", d.Minutes())
	case d < 48*time.Hour:
		return fmt.Sprintf("%.0f h ago", d.Hours())
	default:
		return fmt.Sprintf("%.0f days ago", d.Hours()/24)
	}
}
