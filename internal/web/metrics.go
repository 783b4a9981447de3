package web

import (
	"net/http"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"

	"muster/internal/boat"
)

// Namespace opens the name of every metric.
const Namespace = "muster"

// MetricsHandler serves a registry.
func MetricsHandler(registry *prometheus.Registry) http.Handler {
	return promhttp.HandlerFor(registry, promhttp.HandlerOpts{EnableOpenMetrics: true, MaxRequestsInFlight: 4})
}

func desc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc(Namespace+"_"+name, help, labels, nil)
}

var (
	buildDesc   = desc("build_info", "The running version; always 1.", "version")
	devicesDesc = desc("devices", "Devices of the device list by network and state.", "network", "state")
	framesDesc  = desc("network_frames_total", "CAN data frames or NMEA 0183 lines seen.", "network")
	loadDesc    = desc("network_load_ratio", "Share of the bit rate in use over the last full minute, 0 to 1.", "network")
	peakDesc    = desc("network_load_peak_ratio", "Share of the bit rate in use in the busiest second, 0 to 1.", "network")
	faultsDesc  = desc("network_faults_total", "Faults seen on a network by reason.", "network", "reason")
	alertsDesc  = desc("alerts", "Alerts that have not cleared, by check and severity.", "check", "severity")
	takenDesc   = desc("report_timestamp_seconds", "Event time of the latest report.")
)

// reportCollector turns the latest report into metrics at each scrape. Labels are network, state, reason and check:
// all bounded by the config and the code, none by what a device says.
type reportCollector struct {
	reports Reports
	version string
}

func newReportCollector(r Reports, version string) *reportCollector {
	return &reportCollector{reports: r, version: version}
}

// Describe implements prometheus.Collector.
func (c *reportCollector) Describe(out chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{buildDesc, devicesDesc, framesDesc, loadDesc, peakDesc, faultsDesc, alertsDesc, takenDesc} {
		out <- d
	}
}

// Collect implements prometheus.Collector.
func (c *reportCollector) Collect(out chan<- prometheus.Metric) {
	gauge := func(d *prometheus.Desc, v float64, labels ...string) {
		out <- prometheus.MustNewConstMetric(d, prometheus.GaugeValue, v, labels...)
	}
	counter := func(d *prometheus.Desc, v uint64, labels ...string) {
		out <- prometheus.MustNewConstMetric(d, prometheus.CounterValue, float64(v), labels...)
	}
	gauge(buildDesc, 1, c.version)
	r := c.reports.Report()
	if r == nil {
		return
	}
	if !r.TakenAt.IsZero() {
		gauge(takenDesc, float64(r.TakenAt)/1e9)
	}
	states := []boat.State{boat.Present, boat.Silent, boat.Gone, boat.NoAddress, boat.Provisional}
	for i := range r.Networks {
		n := &r.Networks[i]
		counter(framesDesc, n.Frames, n.ID)
		if n.Load != nil {
			gauge(loadDesc, n.LoadRecent, n.ID)
			gauge(peakDesc, n.Load.Peak, n.ID)
		}
		for _, f := range faultList(n.Faults) {
			counter(faultsDesc, f.count, n.ID, f.reason)
		}
		if n.Kind == "nmea0183" {
			continue
		}
		counts := map[boat.State]int{}
		for j := range r.Devices {
			if d := &r.Devices[j]; d.Network == n.ID && !d.Own {
				counts[d.State]++
			}
		}
		for _, s := range states {
			gauge(devicesDesc, float64(counts[s]), n.ID, string(s))
		}
	}
	type key struct{ check, severity string }
	alerts := map[key]int{}
	for i := range r.Alerts {
		if a := &r.Alerts[i]; a.State != boat.AlertCleared {
			alerts[key{a.Check, string(a.Severity)}]++
		}
	}
	for k, n := range alerts {
		gauge(alertsDesc, float64(n), k.check, k.severity)
	}
}
