package web

import (
	"sync"

	"muster/internal/boat"
	"muster/internal/metrics"
)

var (
	buildMetric   = metrics.Gauge("muster_build_info", "The running version; always 1.", "version")
	devicesMetric = metrics.Gauge("muster_devices", "Devices of the device list by network and state.", "network", "state")
	framesMetric  = metrics.Counter("muster_network_frames_total", "CAN data frames or NMEA 0183 lines seen.", "network")
	loadMetric    = metrics.Gauge("muster_network_load_ratio", "Share of the bit rate in use over the last full minute, 0 to 1.", "network")
	peakMetric    = metrics.Gauge("muster_network_load_peak_ratio", "Share of the bit rate in use in the busiest second, 0 to 1.", "network")
	faultsMetric  = metrics.Counter("muster_network_faults_total", "Faults seen on a network by reason.", "network", "reason")
	infoMetric    = metrics.Gauge("muster_device_info", "What a device says it is; always 1.", "network", "device", "role", "manufacturer", "model", "software")
	wordMetric    = metrics.Gauge("muster_device_last_message_timestamp_seconds", "Event time of the latest message of a device.", "network", "device")
	leftOutMetric = metrics.Gauge("muster_devices_left_out", "Devices without metrics of their own, because too many different ones were told of in this run.")
	alertsMetric  = metrics.Gauge("muster_alerts", "Alerts that have not cleared, by check, severity and state: open, acknowledged, silenced or accepted.", "check", "severity", "state")
	takenMetric   = metrics.Gauge("muster_report_timestamp_seconds", "Event time of the latest report.")
	clockMetric   = metrics.Gauge("muster_clock_set", "Whether event time comes from a clock that is set: 1 or 0.")
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

func (c *reportCollector) collect(p *metrics.Page) {
	p.Put(buildMetric, 1, c.version)
	r := c.reports.Report()
	if r == nil {
		return
	}
	if !r.TakenAt.IsZero() {
		p.Put(takenMetric, float64(r.TakenAt)/1e9)
	}
	p.Truth(clockMetric, r.Clock != boat.ClockUnset)
	states := []boat.State{boat.Present, boat.Silent, boat.Gone, boat.NoAddress, boat.Provisional}
	for i := range r.Networks {
		n := &r.Networks[i]
		p.Count(framesMetric, n.Frames, n.ID)
		if n.Load != nil {
			p.Put(loadMetric, n.LoadRecent, n.ID)
			p.Put(peakMetric, n.Load.Peak, n.ID)
		}
		for _, f := range faultList(n.Faults) {
			p.Count(faultsMetric, f.count, n.ID, f.reason)
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
			p.Put(devicesMetric, float64(counts[s]), n.ID, string(s))
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
		p.Put(infoMetric, 1, info.network, info.id, info.role, info.maker, info.model, info.software)
		if !d.LastSeen.IsZero() {
			p.Put(wordMetric, float64(d.LastSeen)/1e9, info.network, info.id)
		}
	}
	p.Put(leftOutMetric, float64(leftOut))
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
		p.Put(alertsMetric, float64(n), k.check, k.severity, k.state)
	}
}

func infoOf(d *boat.Device) deviceInfo {
	i := deviceInfo{network: d.Network, id: d.ID, role: string(d.Role), maker: DeviceMaker(d)}
	if d.Product != nil {
		i.model, i.software = boat.Printable(d.Product.Model), boat.Printable(d.Product.Software)
	}
	return i
}
