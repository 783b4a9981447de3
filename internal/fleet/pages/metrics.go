package pages

import (
	"cmp"
	"encoding/json"
	"net/http"
	"net/url"
	"slices"

	"github.com/prometheus/client_golang/prometheus"

	"muster/internal/boat"
	"muster/internal/fleet"
)

func desc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc("muster_"+name, help, labels, nil)
}

var (
	buildDesc      = desc("hub_build_info", "The running version; always 1.", "version")
	readyDesc      = desc("hub_ready", "1 while the hub can be read and written.")
	boatsDesc      = desc("fleet_boats", "Boats that are enrolled, by verdict.", "verdict")
	wordDesc       = desc("fleet_boat_last_word_timestamp_seconds", "When a boat was last heard.", "boat")
	leftOutDesc    = desc("fleet_boats_left_out", "Boats beyond the bound on metrics of their own.")
	alertsDesc     = desc("fleet_alerts", "Open alerts by check and severity.", "check", "severity")
	devicesDesc    = desc("fleet_devices", "Devices by model and software; the rarer ones are counted as other.", "model", "software")
	behindDesc     = desc("fleet_devices_behind", "Devices older than the current release of their sheet, by model.", "model")
	messagesDesc   = desc("fleet_messages_total", "Messages that this hub took in, by kind.", "kind")
	refusedDesc    = desc("fleet_refused_total", "Messages that this hub kept aside.")
	repeatedDesc   = desc("fleet_repeated_total", "Messages that came a second time.")
	lateDesc       = desc("fleet_late_total", "Messages older than what was known of their boat.")
	failuresDesc   = desc("fleet_store_failures_total", "Messages that could not be stored and are tried again.")
	pendingDesc    = desc("fleet_pending_messages", "Messages in the stream that no hub has taken in.")
	connectedDesc  = desc("fleet_connected", "1 while the message server is reached.")
	allDescs       = []*prometheus.Desc{buildDesc, readyDesc, boatsDesc, wordDesc, leftOutDesc, alertsDesc, devicesDesc, behindDesc, messagesDesc, refusedDesc, repeatedDesc, lateDesc, failuresDesc, pendingDesc, connectedDesc}
	kindsOfMessage = []fleet.Kind{fleet.KindReport, fleet.KindAlert, fleet.KindSnapshot, fleet.KindRecord}
)

// Bounds of labels whose values boats tell.
const (
	mostKinds  = 200
	mostChecks = 100
)

// collector makes metrics of the fleet at each scrape.
type collector struct{ s *Server }

// Describe implements prometheus.Collector.
func (c *collector) Describe(out chan<- *prometheus.Desc) {
	for _, d := range allDescs {
		out <- d
	}
}

// Collect implements prometheus.Collector.
func (c *collector) Collect(out chan<- prometheus.Metric) {
	send := func(d *prometheus.Desc, t prometheus.ValueType, v float64, labels ...string) {
		for i := range labels {
			labels[i] = boat.Printable(labels[i])
		}
		out <- prometheus.MustNewConstMetric(d, t, v, labels...)
	}
	gauge := func(d *prometheus.Desc, v float64, labels ...string) { send(d, prometheus.GaugeValue, v, labels...) }
	counter := func(d *prometheus.Desc, v uint64, labels ...string) {
		send(d, prometheus.CounterValue, float64(v), labels...)
	}
	s := c.s
	gauge(buildDesc, 1, s.opt.Version)
	gauge(readyDesc, truth(s.opt.Fleet.Ready() == nil))
	st := s.opt.Fleet.Stats()
	for _, k := range kindsOfMessage {
		counter(messagesDesc, st.Messages[k], string(k))
	}
	counter(refusedDesc, st.Refused)
	counter(repeatedDesc, st.Repeated)
	counter(lateDesc, st.Late)
	counter(failuresDesc, st.Failures)
	gauge(pendingDesc, float64(st.Pending))
	gauge(connectedDesc, truth(st.Connected))

	rows := s.boats()
	for v, n := range s.summarize(rows).Verdicts {
		gauge(boatsDesc, float64(n), string(v))
	}
	type pair struct{ a, b string }
	alerts, devices := map[pair]int{}, map[pair]int{}
	series, leftOut := 0, 0
	for _, r := range rows {
		if !r.Revoked.IsZero() {
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
		gauge(wordDesc, float64(r.LastWord.UnixMilli())/1e3, r.ID)
	}
	gauge(leftOutDesc, float64(leftOut))
	common := func(d *prometheus.Desc, counts map[pair]int, most int, other pair) {
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
				gauge(d, float64(counts[k]), k.a, k.b)
			} else {
				rest += counts[k]
			}
		}
		if rest > 0 {
			gauge(d, float64(rest), other.a, other.b)
		}
	}
	common(alertsDesc, alerts, mostChecks, pair{"other", "info"})
	common(devicesDesc, devices, mostKinds, pair{"other", ""})
	for _, k := range s.campaigns(rows) {
		gauge(behindDesc, float64(k.Counts.Behind), k.Model)
	}
}

func truth(b bool) float64 {
	if b {
		return 1
	}
	return 0
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
