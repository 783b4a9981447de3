package api

import (
	"sync"

	"github.com/prometheus/client_golang/prometheus"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/render"
	"muster/internal/report"
)

// Descriptions of the metrics that a report gives. The file deploy/metrics.md is written from them.
var (
	buildDesc = prometheus.NewDesc("muster_build_info", "The running version; always 1.", []string{"version"}, nil)
	takenDesc = prometheus.NewDesc("muster_report_timestamp_seconds", "Event time of the latest report.", nil, nil)
	clockDesc = prometheus.NewDesc("muster_clock_set", "Whether event time comes from a clock that is set: 1 or 0.", nil, nil)

	devicesDesc = prometheus.NewDesc("muster_devices", "Units by network and state.", []string{"network", "state"}, nil)
	framesDesc  = prometheus.NewDesc("muster_network_frames_total", "CAN data frames or NMEA 0183 lines seen.", []string{"network"}, nil)
	faultsDesc  = prometheus.NewDesc("muster_network_faults_total", "Faults seen on a network by reason.", []string{"network", "reason"}, nil)
	loadDesc    = prometheus.NewDesc("muster_network_load_ratio",
		"Share of the bit rate in use over the last full minute, 0 to 1.", []string{"network"}, nil)
	peakDesc = prometheus.NewDesc("muster_network_load_peak_ratio",
		"Share of the bit rate in use in the busiest second, 0 to 1.", []string{"network"}, nil)

	infoDesc = prometheus.NewDesc("muster_device_info", "Identity that a device reports; always 1.",
		[]string{"network", "device", "role", "manufacturer", "model", "software"}, nil)
	lastDesc = prometheus.NewDesc("muster_device_last_message_timestamp_seconds",
		"Event time of the latest message of a device.", []string{"network", "device"}, nil)
	leftOutDesc = prometheus.NewDesc("muster_devices_left_out",
		"Devices without metrics of their own: the limit of different devices in this run is reached.", nil, nil)
	alertsDesc = prometheus.NewDesc("muster_alerts",
		"Alerts that have not cleared, by check, severity and state: open, acknowledged, silenced or accepted.",
		[]string{"check", "severity", "state"}, nil)
	checkDesc = prometheus.NewDesc("muster_check_info", "What a check with alerts looks for, in a sentence; always 1.",
		[]string{"check", "fault"}, nil)
	judgedDesc   = prometheus.NewDesc("muster_checks_judged", "Checks that found something or looked at something.", nil, nil)
	unjudgedDesc = prometheus.NewDesc("muster_checks_not_judged",
		"Checks that judged nothing, by what they need: time, asking, sources, traffic, interface, sheets, layout, baseline or setting.",
		[]string{"needs"}, nil)
)

// maxInfos bounds the different device_info of one run, so that a bus of endless names and texts fills no database.
// A boat has a few dozen devices, each with a few versions in a season.
const maxInfos = 1000

// reportCollector turns the latest report into metrics at each scrape. Labels are bounded by the config and the code; those that
// come from a device, by maxInfos.
type reportCollector struct {
	reports Reports
	version string

	mu    sync.Mutex
	infos map[deviceInfo]bool // exported in this run
}

// deviceInfo is the labels of a device.
type deviceInfo struct{ network, id, role, manufacturer, model, software string }

func newReportCollector(r Reports, version string) *reportCollector {
	return &reportCollector{reports: r, version: version, infos: map[deviceInfo]bool{}}
}

// admit reports whether a device gets metrics of its own.
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
	for _, d := range []*prometheus.Desc{buildDesc, takenDesc, clockDesc, devicesDesc, framesDesc, faultsDesc, loadDesc, peakDesc, infoDesc,
		lastDesc, leftOutDesc, alertsDesc, checkDesc, judgedDesc, unjudgedDesc} {
		out <- d
	}
}

// Collect implements prometheus.Collector.
func (c *reportCollector) Collect(out chan<- prometheus.Metric) {
	s := Scrape(out)
	s.Gauge(buildDesc, 1, c.version)
	r := c.reports.Report()
	if r == nil {
		return
	}
	if !r.TakenAt.IsZero() {
		s.Gauge(takenDesc, float64(r.TakenAt)/1e9)
	}
	s.Bool(clockDesc, r.Clock != boat.ClockUnset)
	for i := range r.Networks {
		collectNetwork(s, r, &r.Networks[i])
	}
	c.collectDevices(s, r)
	collectAlerts(s, r)
	collectJudged(s, r)
}

// collectNetwork exports a network and counts its units.
func collectNetwork(s Scrape, r *report.Report, n *report.Network) {
	s.Counter(framesDesc, n.Frames, n.ID)
	if n.Load != nil {
		s.Gauge(loadDesc, n.LoadRecent(), n.ID)
		s.Gauge(peakDesc, n.Load.Peak, n.ID)
	}
	for _, f := range render.FaultList(n.Faults) {
		s.Counter(faultsDesc, f.Count, n.ID, f.Reason)
	}
	counts := map[boat.DeviceState]int{}
	for i := range r.Units {
		if u := &r.Units[i]; u.Device.Network == n.ID && !u.Device.Own && u.Known() {
			counts[u.State]++
		}
	}
	for _, state := range []boat.DeviceState{boat.Present, boat.Silent, boat.Gone, boat.NoAddress, boat.Provisional} {
		s.Gauge(devicesDesc, float64(counts[state]), n.ID, string(state))
	}
}

// collectDevices exports each unit with a NAME; one without comes and goes with its address.
func (c *reportCollector) collectDevices(s Scrape, r *report.Report) {
	leftOut, exported := 0, map[[2]string]bool{} // two units may claim one NAME
	for i := range r.Units {
		d := &r.Units[i].Device
		id := [2]string{d.Network, d.ID}
		if d.Name == nil || d.Own || d.Talker != "" || exported[id] {
			continue
		}
		exported[id] = true
		info := infoOf(d)
		if !c.admit(info) {
			leftOut++
			continue
		}
		s.Gauge(infoDesc, 1, info.network, info.id, info.role, info.manufacturer, info.model, info.software)
		if !d.LastSeen.IsZero() {
			s.Gauge(lastDesc, float64(d.LastSeen)/1e9, info.network, info.id)
		}
	}
	s.Gauge(leftOutDesc, float64(leftOut))
}

// collectAlerts counts the alerts that have not cleared.
func collectAlerts(s Scrape, r *report.Report) {
	type key struct{ check, severity, state string }
	alerts, checks := map[key]int{}, map[string]bool{}
	for i := range r.Alerts {
		a := &r.Alerts[i]
		state := string(a.State)
		switch {
		case a.State == alert.StatusCleared:
			continue
		case a.Accepted != "":
			state = "accepted"
		case a.SilencedUntil != 0:
			state = "silenced"
		}
		alerts[key{a.Check, string(a.Severity), state}]++
		checks[a.Check] = true
	}
	for k, n := range alerts {
		s.Gauge(alertsDesc, float64(n), k.check, k.severity, k.state)
	}
	for id := range checks {
		s.Gauge(checkDesc, 1, id, check.TextOf(id).Doc)
	}
}

// collectJudged counts the checks that judged something and those that did not.
func collectJudged(s Scrape, r *report.Report) {
	if r.Judged == nil {
		return
	}
	s.Gauge(judgedDesc, float64(r.Judged.Judged))
	for _, f := range r.Judged.Shortfalls() {
		s.Gauge(unjudgedDesc, float64(f.Checks), string(f.Needs))
	}
}

func infoOf(d *report.Device) deviceInfo {
	i := deviceInfo{network: d.Network, id: d.ID, role: string(d.Role), manufacturer: render.DeviceManufacturer(d)}
	if d.Product != nil {
		i.model, i.software = boat.Printable(d.Product.Model), boat.Printable(d.Product.Software)
	}
	return i
}
