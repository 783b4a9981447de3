package pages

import (
	"bytes"
	"cmp"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"time"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/capture"
	"muster/internal/event"
	"muster/internal/report"
	"muster/internal/transport"
	"muster/internal/ui"
	"muster/pgn"

	"go.einride.tech/can"
)

// told is a message or a sentence as a row of the table has it.
type told struct {
	key                 string // the same for those that replace one another; the script makes it in the same way
	at                  event.Time
	device, unit, title string
	number              string
	notes               []string
	fields              []api.MessageField
	data                string
}

func (p *trafficPage) told(r api.Heard) (t told) {
	if m := r.Message; m != nil {
		t = told{at: m.Time, device: m.Device, title: ui.Either(m.Title, "unknown message"), number: fmt.Sprint(m.PGN), fields: m.Fields, data: m.Data}
		t.key = m.Device + "|" + t.number + "|"
		if m.Instance != nil {
			t.key += fmt.Sprint(*m.Instance)
			t.number += fmt.Sprintf(" · instance %d", *m.Instance)
		}
	} else {
		m := r.Sentence
		t = told{at: m.Time, device: m.Device, title: ui.Either(m.Title, "unknown sentence"), number: m.Talker + m.Formatter, notes: notes(m), fields: m.Fields,
			data: m.Tags + m.Sentence}
		t.key = m.Device + "|" + t.number + "|"
	}
	t.unit = cmp.Or(p.Names[t.device], boat.Printable(t.device))
	return t
}

// hides reports whether the search leaves a row out.
func (p *trafficPage) hides(r api.Heard) bool {
	if p.Search == "" {
		return false
	}
	t := p.told(r)
	words := []string{t.unit, t.title, t.number, t.data}
	for _, f := range t.fields {
		words = append(words, f.Name, f.Text)
	}
	return !strings.Contains(strings.ToLower(strings.Join(words, " ")), p.Search)
}

// latestSection is the latest value of each message; the script changes the rows in place.
func (p *trafficPage) latestSection(v *view) g.Node {
	names := []string{"Unit", "Message", "Value", "Age", "Rate"}
	seen := map[string]bool{}
	rows := slices.DeleteFunc(slices.Clone(p.Latest), func(r api.Heard) bool { // sentences that differ elsewhere replace one another too
		key := p.told(r).key
		defer func() { seen[key] = true }()
		return seen[key]
	})
	return ui.Section("latest", "Latest values", h.Table(h.Class("latest"), h.THead(h.Tr(g.Map(names, func(s string) g.Node {
		return h.Th(h.Scope("col"), g.Text(s))
	}))), h.TBody(h.ID("values"), g.Map(rows, func(r api.Heard) g.Node {
		t := p.told(r)
		shown, _ := available(t.fields)
		age := max(0, v.Report.TakenAt.Sub(t.at).Truncate(time.Second))
		return h.Tr(h.Data("key", boat.Printable(t.key)),
			h.Td(g.Text(t.unit)), h.Th(h.Scope("row"), h.B(g.Text(t.title)), ui.Small(t.number)),
			h.Td(h.Class("fields"), g.Map(shown, func(f api.MessageField) g.Node { return g.Group{value(f.Name, f.Text), ui.Space} }),
				g.If(len(shown) == 0, h.Code(g.Text(t.data)))),
			h.Td(h.Class("age"), g.Textf("%.0f s", age.Seconds())), h.Td(h.Class("per"), g.Text(rateOf(v.Report, r))))
	}))))
}

// rateOf is how often a message comes, by its mean interval.
func rateOf(r *report.Report, of api.Heard) string {
	var in *boat.Interval
	if m := of.Message; m != nil {
		if d := r.Device(m.Device); d != nil {
			for i := range d.Transmits {
				t := &d.Transmits[i]
				if t.PGN == m.PGN && (t.Instance == nil) == (m.Instance == nil) && (t.Instance == nil || *t.Instance == *m.Instance) {
					in = t.Interval
				}
			}
		}
	} else if t := r.TalkerByID(of.Sentence.Device); t != nil {
		for i := range t.Sentences {
			if t.Sentences[i].Formatter == of.Sentence.Formatter {
				in = t.Sentences[i].Interval
			}
		}
	}
	if in == nil || in.Mean <= 0 {
		return "–"
	}
	return fmt.Sprintf("%.3g/s", 1000/in.Mean)
}

// trafficLog answers with the traffic that is kept and that passes the filter of the address, as a candump log.
func (s *site) trafficLog(w http.ResponseWriter, r *http.Request) {
	_, c, err := s.trafficData(r, s.opt.Reports.Report())
	if err != nil {
		s.failed(w, r, err)
		return
	}
	p := c.(trafficPage)
	var messages []*api.Message
	var sentences []*api.TrafficSentence
	if p.Formatter == "" {
		messages, _, _ = s.opt.Traffic.Since(0, p.Filter, 0)
	}
	if p.Filter.PGN == 0 {
		sentences, _, _ = s.opt.Traffic.Sentences(0, api.SentenceFilter{Network: p.Filter.Network, Device: p.Filter.Device, Formatter: p.Formatter}, 0)
	}
	log, err := candump(slices.DeleteFunc(api.InOrder(messages, sentences), p.hides))
	if err != nil {
		s.failed(w, r, err)
		return
	}
	standAlone(w, "text/plain; charset=utf-8")
	w.Header().Set("Content-Disposition", `attachment; filename="traffic.log"`)
	_, _ = w.Write(log)
}

// candump writes traffic as a log; a message of several frames is divided again.
func candump(list []api.Heard) ([]byte, error) {
	var out bytes.Buffer
	w, err := capture.NewWriter(&out, capture.FormatCandump)
	if err != nil {
		return nil, err
	}
	numbers := map[string]uint16{}
	network := func(id string) (uint16, error) {
		n, ok := numbers[id]
		if !ok {
			n = uint16(len(numbers))
			numbers[id] = n
			return n, w.Write(&event.Event{Kind: event.KindNetwork, Network: n, Info: &event.Network{ID: id}})
		}
		return n, nil
	}
	for i, x := range list {
		if x.Sentence != nil {
			n, err := network(x.Sentence.Network)
			if err == nil {
				err = w.Write(&event.Event{Kind: event.KindLine, Time: x.Sentence.Time, Network: n, Line: []byte(x.Sentence.Tags + x.Sentence.Sentence)})
			}
			if err != nil {
				return nil, err
			}
			continue
		}
		n, err := network(x.Message.Network)
		if err != nil {
			return nil, err
		}
		list, err := frames(x.Message, uint8(i))
		if err != nil {
			return nil, fmt.Errorf("message %d of the export: %w", x.Message.Number, err)
		}
		for _, f := range list {
			if err := w.Write(&event.Event{Kind: event.KindFrame, Time: x.Message.Time, Network: n, Frame: f}); err != nil {
				return nil, err
			}
		}
	}
	if err := w.Flush(); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

// frames divides a message again, as it came or, where it fits into no fast packet, as the ISO protocol carries it.
func frames(m *api.Message, sequence uint8) ([]can.Frame, error) {
	data, err := m.Payload()
	if err != nil {
		return nil, err
	}
	list, err := transport.Split(nil, pgn.MakeID(m.Priority, m.PGN, m.Source, m.Destination), sequence, data)
	if err != nil {
		return transport.Exchange(nil, m.PGN, m.Source, m.Destination, data)
	}
	return list, nil
}
