package web

import (
	"cmp"
	"fmt"
	"math"
	"net/http"
	"slices"
	"strconv"
	"strings"
	"time"

	g "maragu.dev/gomponents"

	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
	"muster/internal/nmea0183"
)

type networkPage struct {
	Networks   []shownNetwork
	Plans      []*shownPlan // of networks that are not there
	Quantities []supplied
}

type shownNetwork struct {
	boat.Network
	Plot       g.Node
	Busy, Full float64        // load at which the network counts as busy and as overloaded, as shipped
	Faults     []string       // in words
	Devices    []*boat.Device // by address; what has none comes last
	LEN        int            // load equivalency that devices declare
	Unsaid     int            // devices that declare none
	Talkers    []shownTalker
	Legend     bool       // the first with talkers explains the plots
	Plan       *shownPlan // nil without a layout
}

// supplied is a quantity and who sends it.
type supplied struct {
	Name  string
	State string // none, one, two for more, silent when all have stopped
	Words string
	From  []supplier
}

type supplier struct {
	link
	Network string
	State   boat.State
	Sends   string
}

func (s *Server) networkData(_ *http.Request, r *boat.Report) (string, content, error) {
	var p networkPage
	explained := false
	limits := check.DefaultSettings()
	for _, n := range r.Networks {
		sn := shownNetwork{Network: n, Faults: faultsOfLate(&n), Busy: limits.BusBusy.Warning, Full: limits.BusBusy.Critical}
		if n.Kind == event.NMEA0183 {
			sn.Busy, sn.Full = limits.LineSaturated.Warning, limits.LineSaturated.Critical
		}
		sn.Plot = loadPlot(n.ID, s.history.of(n.ID), sn.Busy, sn.Full)
		sn.addDevices(r)
		for i := range r.Talkers {
			if t := &r.Talkers[i]; t.Network == n.ID {
				sn.Talkers = append(sn.Talkers, showTalker(r, t))
			}
		}
		sn.Legend = !explained
		explained = explained || len(sn.Talkers) > 0
		p.Networks = append(p.Networks, sn)
	}
	for _, q := range boat.Quantities() {
		p.Quantities = append(p.Quantities, supplies(r, q))
	}
	s.addPlans(&p, r)
	return "Network", templated{"network", p}, nil
}

func (n *shownNetwork) addDevices(r *boat.Report) {
	for i := range r.Devices {
		d := &r.Devices[i]
		if d.Network != n.ID {
			continue
		}
		n.Devices = append(n.Devices, d)
		switch {
		case d.Own:
		case d.Product != nil && d.Product.LoadEquivalency != nil:
			n.LEN += int(*d.Product.LoadEquivalency)
		default:
			n.Unsaid++
		}
	}
	slices.SortStableFunc(n.Devices, func(a, b *boat.Device) int { return cmp.Compare(addressOr(a, 256), addressOr(b, 256)) })
}

// faultsOfLate tells the faults of a network, and how many of them are of the last minute.
func faultsOfLate(n *boat.Network) []string {
	var words []string
	late := faultList(n.Recent)
	for i, f := range faultList(n.Faults) {
		if f.count == 0 {
			continue
		}
		word := f.words()
		if late[i].count > 0 {
			word += ", " + Grouped(late[i].count) + " of them in the last minute"
		}
		words = append(words, word)
	}
	return words
}

// supplies tells who sends a quantity, and between how many of them a head has to choose, as the check many-sources sees it.
// Devices and talkers that have stopped are told too, but do not count.
func supplies(r *boat.Report, q boat.Quantity) supplied {
	sup := supplied{Name: q.Name, State: "none", Words: "nobody"}
	now := r.Suppliers(q, r.TakenAt)
	known := map[string]bool{}
	for _, s := range now {
		known[s.ID] = true
		sup.From = append(sup.From, shownSupplier(r, &s))
	}
	sup.addStopped(r, q, known)
	rivals := boat.Rivals(now)
	switch {
	case len(rivals) > 0:
		sup.State = "two"
		var words []string
		for _, list := range rivals {
			word := strconv.Itoa(len(list)) + " compete"
			if len(list) < len(now) {
				word += " on " + boat.Printable(list[0].Network)
			}
			words = append(words, word)
		}
		sup.Words = strings.Join(words, ", ")
	case len(now) > 1:
		sup.State, sup.Words = "one", fmt.Sprintf("one on each of %d networks", len(now))
	case len(now) == 1:
		sup.State, sup.Words = "one", "one source"
	case len(sup.From) > 0:
		sup.State, sup.Words = "silent", "silent"
	}
	return sup
}

func (sup *supplied) addStopped(r *boat.Report, q boat.Quantity, known map[string]bool) {
	for i := range r.Devices {
		d := &r.Devices[i]
		messages, ok := d.Sends(q)
		if !ok || d.Own || d.Renamed || d.State == boat.Gone || known[d.ID] {
			continue
		}
		s := shownSupplier(r, &boat.Supplier{ID: d.ID, Network: d.Network, Device: d, Messages: messages})
		if s.State == boat.Present || s.State == boat.Provisional {
			s.State = "stopped"
		}
		sup.From = append(sup.From, s)
	}
	for i := range r.Talkers {
		t := &r.Talkers[i]
		sentences, ok := t.Sends(q)
		if !ok || known[t.ID()] {
			continue
		}
		s := shownSupplier(r, &boat.Supplier{ID: t.ID(), Network: t.Network, Talker: t, Sentences: sentences})
		if s.State == boat.Present {
			s.State = "stopped"
		}
		sup.From = append(sup.From, s)
	}
}

func shownSupplier(r *boat.Report, s *boat.Supplier) supplier {
	var words []string
	add := func(word string, in *boat.Interval) {
		if in != nil {
			word += " every " + millis(in.Mean)
		}
		words = append(words, word)
	}
	for _, m := range s.Messages {
		add(strconv.Itoa(int(m.PGN)), m.Interval)
	}
	for _, m := range s.Sentences {
		add(boat.Printable(m.Formatter), m.Interval)
	}
	out := supplier{link: link{ID: s.ID}, Network: s.Network, Sends: strings.Join(words, ", ")}
	if s.Talker != nil {
		out.Text, out.State = TalkerTitle(s.Talker), s.Talker.State(r.TakenAt)
	} else {
		out.Text, out.State = titleAt(s.Device), s.Device.State
	}
	return out
}

func addressOr(d *boat.Device, none int) int {
	if d.Address == nil {
		return none
	}
	return int(*d.Address)
}

// shownTalker is an NMEA 0183 talker with its line.
type shownTalker struct {
	*boat.Talker
	Title   string
	State   boat.State
	Baud    uint32  // 0 when the source does not know it
	Rate    float64 // sentences a second of late
	Damaged uint64  // sentences with a wrong checksum
	Lines   []shownSentence
	Heard   []fact // what its AIS unit hears, by kind of station
}

type shownSentence struct {
	boat.Sentence
	Carries   string
	NominalMS float64
	Stopped   bool
	Values    []fact // of the latest, with units, where a page shows them
}

func showTalker(r *boat.Report, t *boat.Talker) shownTalker {
	s := shownTalker{Talker: t, Title: TalkerTitle(t), State: t.State(r.TakenAt)}
	for i := range r.Networks {
		if r.Networks[i].ID == t.Network {
			s.Baud = r.Networks[i].BitRate
		}
	}
	for _, x := range t.Sentences {
		line := shownSentence{Sentence: x, NominalMS: float64(x.Nominal) / float64(time.Millisecond), Stopped: r.TakenAt.Sub(x.Last) > boat.StillSent}
		var words []string
		for _, q := range nmea0183.Carries(x.Formatter) {
			words = append(words, strings.ReplaceAll(q.String(), "-", " "))
		}
		line.Carries = strings.Join(words, ", ")
		s.Lines = append(s.Lines, line)
		s.Damaged += x.ChecksumErrors
		if !line.Stopped && x.Recent > 0 {
			s.Rate += float64(time.Second) / float64(x.Recent)
		}
	}
	if t.AIS != nil {
		s.Heard = aisKinds(t.AIS.Messages)
	}
	return s
}

// sentenceValues reads a sentence for people; what is not available is left out.
func sentenceValues(raw string) []fact {
	var s nmea0183.Sentence
	if _, err := nmea0183.Parse([]byte(raw), &s); err != nil {
		return nil
	}
	var values nmea0183.Values
	readings, _ := values.Read(&s, nil) // a field that cannot be read leaves the others
	var list []fact
	for i := range readings {
		r := &readings[i]
		if !r.Available {
			continue
		}
		name := strings.ReplaceAll(r.Quantity.String(), "-", " ")
		if r.Reference != nmea0183.ReferenceNone {
			name += ", " + r.Reference.String()
		}
		list = append(list, fact{name, readingText(r)})
	}
	return list
}

// readingUnits are the units of the quantities of sentences, as the library gives them; a quantity that is not here is a bare number.
var readingUnits = map[nmea0183.Quantity]string{
	nmea0183.CourseOverGround: "rad", nmea0183.Heading: "rad", nmea0183.Deviation: "rad", nmea0183.Variation: "rad", nmea0183.WindAngle: "rad",
	nmea0183.Pitch: "rad", nmea0183.Roll: "rad", nmea0183.RudderAngle: "rad", nmea0183.CurrentSet: "rad", nmea0183.RateOfTurn: "rad/s",
	nmea0183.SpeedOverGround: "m/s", nmea0183.SpeedThroughWater: "m/s", nmea0183.WindSpeed: "m/s", nmea0183.CurrentDrift: "m/s",
	nmea0183.Depth: "m", nmea0183.DistanceLog: "m", nmea0183.TripLog: "m", nmea0183.Altitude: "m",
	nmea0183.WaterTemperature: "K", nmea0183.AirTemperature: "K", nmea0183.Pressure: "Pa", nmea0183.Humidity: "%", nmea0183.EngineSpeed: "1/min",
}

func readingText(r *nmea0183.Reading) string {
	switch r.Quantity {
	case nmea0183.Position:
		return inUnit(r.Value, "deg") + " " + inUnit(r.Longitude, "deg")
	case nmea0183.Time:
		return time.UnixMilli(int64(math.Round(r.Value * 1000))).UTC().Format("2006-01-02 15:04:05.000 UTC")
	case nmea0183.TimeOfDay:
		return time.UnixMilli(int64(math.Round(r.Value * 1000))).UTC().Format("15:04:05.000 UTC")
	}
	unit := readingUnits[r.Quantity]
	if text := inUnit(r.Value, unit); text != "" {
		return text
	}
	return strings.TrimSpace(strconv.FormatFloat(math.Round(r.Value*1e3)/1e3, 'f', -1, 64) + " " + unit)
}

// Trouble reports whether there is something to look at.
func (s *shownTalker) Trouble() bool {
	return s.State != boat.Present || s.Damaged > 0 || s.Heartbeat != nil && (s.Heartbeat.Lost > 0 || s.Heartbeat.Normal != nil && !*s.Heartbeat.Normal)
}

// TalkerTitle is what a technician calls the talker: its model when it told it, and its letters and network.
func TalkerTitle(t *boat.Talker) string {
	where := t.Talker + " on " + t.Network
	if t.Identity != nil && t.Identity.Model != "" {
		where = t.Identity.Model + " (" + where + ")"
	}
	return boat.Printable(where)
}

// aisKinds counts AIS messages by the kind of station that sends them (ITU-R M.1371, table of messages).
func aisKinds(messages []boat.AISCount) []fact {
	names := []string{"class A vessels", "class B vessels", "base stations", "aids to navigation", "other"}
	counts := make([]uint64, len(names))
	for _, m := range messages {
		kind := 4
		switch m.Type {
		case 1, 2, 3, 5:
			kind = 0
		case 18, 19, 24:
			kind = 1
		case 4:
			kind = 2
		case 21:
			kind = 3
		}
		counts[kind] += m.Count
	}
	var list []fact
	for i, n := range counts {
		if n > 0 {
			list = append(list, fact{names[i], Grouped(n)})
		}
	}
	return list
}

// lineConditions are what an NMEA 0183 line's bytes show of it, in words.
var lineConditions = map[string]string{
	"good":           "clean: whole sentences come through",
	"noisy":          "noisy: sentences come through, but many are damaged",
	"wrong-baud":     "wrong speed or reversed wires: nothing can be read",
	"other-protocol": "text, but no NMEA 0183",
}
