package pages

import (
	"cmp"
	"encoding/json"
	"net/http"
	"net/url"
	"slices"

	"github.com/prometheus/client_golang/prometheus"

	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/fleet"
)

// Descriptions of the fleet's metrics. The file deploy/metrics.md is written from them.
var (
	buildDesc = prometheus.NewDesc("muster_hub_build_info", "The running version; always 1.", []string{"version"}, nil)
	readyDesc = prometheus.NewDesc("muster_hub_ready", "1 while the hub can be read and written.", nil, nil)

	boatsDesc   = prometheus.NewDesc("muster_fleet_boats", "Boats that are enrolled, by verdict.", []string{"verdict"}, nil)
	lastDesc    = prometheus.NewDesc("muster_fleet_boat_last_word_timestamp_seconds", "When a boat was last heard.", []string{"boat"}, nil)
	leftOutDesc = prometheus.NewDesc("muster_fleet_boats_left_out", "Boats beyond the bound on metrics of their own.", nil, nil)
	alertsDesc  = prometheus.NewDesc("muster_fleet_alerts", "Open alerts by check and severity.", []string{"check", "severity"}, nil)
	devicesDesc = prometheus.NewDesc("muster_fleet_devices",
		"Units on boats by model and software; the rarer ones are counted as other.", []string{"model", "software"}, nil)
	behindDesc = prometheus.NewDesc("muster_fleet_devices_behind",
		"Units older than the current release of their sheet, by model.", []string{"model"}, nil)

	messagesDesc  = prometheus.NewDesc("muster_fleet_messages_total", "Messages that this hub stored, by kind.", []string{"kind"}, nil)
	refusedDesc   = prometheus.NewDesc("muster_fleet_refused_total", "Messages that this hub rejected.", nil, nil)
	repeatedDesc  = prometheus.NewDesc("muster_fleet_repeated_total", "Messages received a second time.", nil, nil)
	lateDesc      = prometheus.NewDesc("muster_fleet_late_total", "Messages older than the latest of their boat.", nil, nil)
	failuresDesc  = prometheus.NewDesc("muster_fleet_store_failures_total", "Messages that could not be stored and are tried again.", nil, nil)
	pendingDesc   = prometheus.NewDesc("muster_fleet_pending_messages", "Messages in the stream that no hub has stored.", nil, nil)
	connectedDesc = prometheus.NewDesc("muster_fleet_connected", "1 while the message server is reached.", nil, nil)
)

var kindsOfMessage = []fleet.Kind{fleet.KindReport, fleet.KindAlert, fleet.KindSnapshot, fleet.KindRecord}

// Bounds of labels whose values come from boats.
const (
	mostKinds  = 200
	mostChecks = 100
)

// collector makes metrics of what a server shows at each scrape.
type collector struct{ s *Server }

// Describe implements prometheus.Collector.
func (c collector) Describe(out chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{buildDesc, readyDesc, boatsDesc, lastDesc, leftOutDesc, alertsDesc, devicesDesc, behindDesc,
		messagesDesc, refusedDesc, repeatedDesc, lateDesc, failuresDesc, pendingDesc, connectedDesc} {
		out <- d
	}
}

// Collect implements prometheus.Collector.
func (c collector) Collect(out chan<- prometheus.Metric) {
	s, opt := api.Scrape(out), &c.s.opt
	s.Gauge(buildDesc, 1, opt.Version)
	s.Bool(readyDesc, opt.Fleet.Ready() == nil)
	st := opt.Fleet.Stats()
	for _, k := range kindsOfMessage {
		s.Counter(messagesDesc, st.Messages[k], string(k))
	}
	s.Counter(refusedDesc, st.Refused)
	s.Counter(repeatedDesc, st.Repeated)
	s.Counter(lateDesc, st.Late)
	s.Counter(failuresDesc, st.Failures)
	s.Gauge(pendingDesc, float64(st.Pending))
	s.Bool(connectedDesc, st.Connected)

	rows := c.s.boats()
	for v, n := range c.s.summarize(rows).Verdicts {
		s.Gauge(boatsDesc, float64(n), string(v))
	}
	c.collectBoats(s, rows)
	for _, k := range c.s.campaigns(rows) {
		s.Gauge(behindDesc, float64(k.Counts.Behind), boat.Printable(k.Model))
	}
}

// pair is the values of two labels.
type pair struct{ a, b string }

// collectBoats exports when each boat was last heard, and counts alerts and devices.
func (c collector) collectBoats(s api.Scrape, rows []*row) {
	alerts, devices := map[pair]int{}, map[pair]int{}
	series, leftOut := 0, 0
	for _, r := range rows {
		if r.revoked() {
			continue
		}
		for _, a := range r.Alerts {
			alerts[pair{boat.Printable(a.Check), boat.Printable(string(a.Severity))}]++
		}
		for i := range r.Devices {
			d := &r.Devices[i]
			if !d.Aboard() {
				continue
			}
			devices[pair{boat.Printable(d.Model), boat.Printable(d.Software)}]++
		}
		if r.LastHeard.IsZero() {
			continue
		}
		if series >= c.s.opt.BoatSeries {
			leftOut++
			continue
		}
		series++
		s.Gauge(lastDesc, float64(r.LastHeard.UnixMilli())/1e3, r.ID)
	}
	s.Gauge(leftOutDesc, float64(leftOut))
	collectCommon(s, alertsDesc, alerts, mostChecks, pair{"other", "info"})
	collectCommon(s, devicesDesc, devices, mostKinds, pair{"other", ""})
}

// collectCommon exports the most frequent pairs, and the sum of the rest as other.
func collectCommon(s api.Scrape, d *prometheus.Desc, counts map[pair]int, most int, other pair) {
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
			s.Gauge(d, float64(counts[k]), k.a, k.b)
		} else {
			rest += counts[k]
		}
	}
	if rest > 0 {
		s.Gauge(d, float64(rest), other.a, other.b)
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
