package pages

import (
	"cmp"
	"encoding/json"
	"net/http"
	"net/url"
	"slices"

	"muster/internal/boat"
	"muster/internal/fleet"
	"muster/internal/metrics"
)

var (
	buildMetric     = metrics.Gauge("muster_hub_build_info", "The running version; always 1.", "version")
	readyMetric     = metrics.Gauge("muster_hub_ready", "1 while the hub can be read and written.")
	boatsMetric     = metrics.Gauge("muster_fleet_boats", "Boats that are enrolled, by verdict.", "verdict")
	wordMetric      = metrics.Gauge("muster_fleet_boat_last_word_timestamp_seconds", "When a boat was last heard.", "boat")
	leftOutMetric   = metrics.Gauge("muster_fleet_boats_left_out", "Boats beyond the bound on metrics of their own.")
	alertsMetric    = metrics.Gauge("muster_fleet_alerts", "Open alerts by check and severity.", "check", "severity")
	devicesMetric   = metrics.Gauge("muster_fleet_devices", "Devices by model and software; the rarer ones are counted as other.", "model", "software")
	behindMetric    = metrics.Gauge("muster_fleet_devices_behind", "Devices older than the current release of their sheet, by model.", "model")
	messagesMetric  = metrics.Counter("muster_fleet_messages_total", "Messages that this hub took in, by kind.", "kind")
	refusedMetric   = metrics.Counter("muster_fleet_refused_total", "Messages that this hub kept aside.")
	repeatedMetric  = metrics.Counter("muster_fleet_repeated_total", "Messages that came a second time.")
	lateMetric      = metrics.Counter("muster_fleet_late_total", "Messages older than what was known of their boat.")
	failuresMetric  = metrics.Counter("muster_fleet_store_failures_total", "Messages that could not be stored and are tried again.")
	pendingMetric   = metrics.Gauge("muster_fleet_pending_messages", "Messages in the stream that no hub has taken in.")
	connectedMetric = metrics.Gauge("muster_fleet_connected", "1 while the message server is reached.")
	kindsOfMessage  = []fleet.Kind{fleet.KindReport, fleet.KindAlert, fleet.KindSnapshot, fleet.KindRecord}
)

// Bounds of labels whose values boats tell.
const (
	mostKinds  = 200
	mostChecks = 100
)

// collect makes metrics of the fleet.
func (s *Server) collect(p *metrics.Page) {
	p.Put(buildMetric, 1, s.opt.Version)
	p.Truth(readyMetric, s.opt.Fleet.Ready() == nil)
	st := s.opt.Fleet.Stats()
	for _, k := range kindsOfMessage {
		p.Count(messagesMetric, st.Messages[k], string(k))
	}
	p.Count(refusedMetric, st.Refused)
	p.Count(repeatedMetric, st.Repeated)
	p.Count(lateMetric, st.Late)
	p.Count(failuresMetric, st.Failures)
	p.Put(pendingMetric, float64(st.Pending))
	p.Truth(connectedMetric, st.Connected)

	rows := s.boats()
	for v, n := range s.summarize(rows).Verdicts {
		p.Put(boatsMetric, float64(n), string(v))
	}
	type pair struct{ a, b string }
	alerts, devices := map[pair]int{}, map[pair]int{}
	series, leftOut := 0, 0
	for _, r := range rows {
		if r.shutOut() {
			continue
		}
		for _, a := range r.Alerts {
			alerts[pair{boat.Printable(a.Check), boat.Printable(string(a.Severity))}]++
		}
		for _, d := range r.Devices {
			devices[pair{boat.Printable(d.Model), boat.Printable(d.Software)}]++
		}
		if r.LastWord.IsZero() {
			continue
		}
		if series >= s.opt.BoatSeries {
			leftOut++
			continue
		}
		series++
		p.Put(wordMetric, float64(r.LastWord.UnixMilli())/1e3, r.ID)
	}
	p.Put(leftOutMetric, float64(leftOut))
	common := func(m *metrics.Metric, counts map[pair]int, most int, other pair) {
		keys := make([]pair, 0, len(counts))
		for k := range counts {
			if k != other {
				keys = append(keys, k)
			}
		}
		slices.SortFunc(keys, func(x, y pair) int {
			return cmp.Or(cmp.Compare(counts[y], counts[x]), cmp.Compare(x.a, y.a), cmp.Compare(x.b, y.b))
		})
		rest := counts[other]
		for i, k := range keys {
			if i < most {
				p.Put(m, float64(counts[k]), k.a, k.b)
			} else {
				rest += counts[k]
			}
		}
		if rest > 0 {
			p.Put(m, float64(rest), other.a, other.b)
		}
	}
	common(alertsMetric, alerts, mostChecks, pair{"other", "info"})
	common(devicesMetric, devices, mostKinds, pair{"other", ""})
	for _, k := range s.campaigns(rows) {
		p.Put(behindMetric, float64(k.Counts.Behind), boat.Printable(k.Model))
	}
}

// target is one entry of Prometheus' HTTP service discovery.
type target struct {
	Targets []string          `json:"targets"`
	Labels  map[string]string `json:"labels"`
}

// targets lists the boats that can be scraped.
func (s *Server) targets() []target {
	out := []target{}
	for _, b := range s.opt.Fleet.Boats() {
		u, err := url.Parse(b.Metrics)
		if err != nil || b.Metrics == "" || !b.Revoked.IsZero() || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
			continue
		}
		labels := map[string]string{"__scheme__": u.Scheme, "__metrics_path__": cmp.Or(u.Path, "/metrics"), "boat": b.ID}
		if b.Name != "" {
			labels["boat_name"] = boat.Printable(b.Name)
		}
		out = append(out, target{[]string{u.Host}, labels})
	}
	return out
}

func (s *Server) discovery(w http.ResponseWriter, _ *http.Request) {
	text, err := json.Marshal(s.targets())
	if err != nil {
		http.Error(w, "the targets cannot be written", http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	_, _ = w.Write(text)
}
