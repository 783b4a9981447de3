package web

import (
	"net/http"
	"sync"

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
	infoDesc    = desc("device_info", "What a device says it is; always 1.", "network", "device", "role", "manufacturer", "model", "software")
	wordDesc    = desc("device_last_message_timestamp_seconds", "Event time of the latest message of a device.", "network", "device")
	leftOutDesc = desc("devices_left_out", "Devices without metrics of their own, because too many different ones were told of in this run.")
	alertsDesc  = desc("alerts", "Alerts that have not cleared, by check, severity and state: open, acknowledged, silenced or accepted.", "check", "severity", "state")
	takenDesc   = desc("report_timestamp_seconds", "Event time of the latest report.")
	clockDesc   = desc("clock_set", "Whether event time comes from a clock that is set: 1 or 0.")
)

// maxInfos bounds the different device_info that are told in one run, so that a bus of endless names and texts fills nobody's database.
// A boat has a few dozen devices, each with a few versions in a season.
const maxInfos = 1000

// reportCollector turns the latest report into metrics at each scrape. Labels are bounded by the config and the code; those that
// come from a device, by maxInfos.
type reportCollector struct {
	reports Reports
	version string

	mu    sync.Mutex
	infos map[deviceInfo]bool // told in this run
}

// deviceInfo is the labels of a device.
type deviceInfo struct{ network, id, role, maker, model, software string }

func newReportCollector(r Reports, version string) *reportCollector {
	return &reportCollector{reports: r, version: version, infos: map[deviceInfo]bool{}}
}

// admit reports whether a device may be told of as it is.
func (c *reportCollector) admit(i deviceInfo) bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	if !c.infos[i] && len(c.infos) < maxInfos {
		c.infos[i] = true
	}
	return c.infos[i]
}

// Describe implements prometheus.Collector.
func (c *reportCollector) Describe(out chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{buildDesc, devicesDesc, framesDesc, loadDesc, peakDesc, faultsDesc, infoDesc, wordDesc,
		leftOutDesc, alertsDesc, takenDesc, clockDesc} {
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
	set := 1.0
	if r.Clock == boat.ClockUnset {
		set = 0
	}
	gauge(clockDesc, set)
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
	leftOut, told := 0, map[[2]string]bool{} // two units may claim one NAME
	for i := range r.Devices {
		d := &r.Devices[i]
		if d.Name == nil || d.Own {
			continue // a device that did not say who it is comes and goes with its address
		}
		id := [2]string{d.Network, d.ID}
		if told[id] {
			continue
		}
		told[id] = true
		info := infoOf(d)
		if !c.admit(info) {
			leftOut++
			continue
		}
		gauge(infoDesc, 1, info.network, info.id, info.role, info.maker, info.model, info.software)
		if !d.LastSeen.IsZero() {
			gauge(wordDesc, float64(d.LastSeen)/1e9, info.network, info.id)
		}
	}
	gauge(leftOutDesc, float64(leftOut))
	type key struct{ check, severity, state string }
	alerts := map[key]int{}
	for i := range r.Alerts {
		if a := &r.Alerts[i]; a.State != boat.AlertCleared {
			state := string(a.State)
			switch {
			case a.Accepted != "":
				state = "accepted"
			case a.SilencedUntil != 0:
				state = "silenced"
			}
			alerts[key{a.Check, string(a.Severity), state}]++
		}
	}
	for k, n := range alerts {
		gauge(alertsDesc, float64(n), k.check, k.severity, k.state)
	}
}

func infoOf(d *boat.Device) deviceInfo {
	i := deviceInfo{network: d.Network, id: d.ID, role: string(d.Role), maker: DeviceMaker(d)}
	if d.Product != nil {
		i.model, i.software = boat.Printable(d.Product.Model), boat.Printable(d.Product.Software)
	}
	return i
}
