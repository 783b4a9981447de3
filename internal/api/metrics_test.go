package api

import (
	"strings"
	"testing"

	"github.com/prometheus/client_golang/prometheus/testutil"

	"muster/internal/boat"
	"muster/internal/report"
	"muster/internal/ui/webtest"
)

// TestReportMetrics: what a report gives, where one NAME is on the bus twice.
func TestReportMetrics(t *testing.T) {
	r := webtest.Sample(t)
	r.Networks = r.Networks[:1]
	first := &r.Devices[0]
	r.Devices = append(r.Devices, report.Device{ID: first.ID, Network: first.Network, Name: first.Name, Own: first.Own, State: boat.Gone})
	c := newReportCollector(webtest.NewReports(r), "v1")
	want := `# HELP muster_alerts Alerts that have not cleared, by check, severity and state: open, acknowledged, silenced or accepted.
# TYPE muster_alerts gauge
muster_alerts{check="no-address",severity="critical",state="acknowledged"} 1
muster_alerts{check="software-differs",severity="warning",state="open"} 1
# HELP muster_build_info The running version; always 1.
# TYPE muster_build_info gauge
muster_build_info{version="v1"} 1
# HELP muster_check_info What a check with alerts looks for, in a sentence; always 1.
# TYPE muster_check_info gauge
muster_check_info{check="no-address",fault="A device cannot claim a source address, so it sends no data."} 1
muster_check_info{check="software-differs",fault="Units of one model or release family run different software."} 1
# HELP muster_devices Units by network and state.
# TYPE muster_devices gauge
muster_devices{network="can0",state="gone"} 0
muster_devices{network="can0",state="no-address"} 1
muster_devices{network="can0",state="present"} 2
muster_devices{network="can0",state="provisional"} 1
muster_devices{network="can0",state="silent"} 1
# HELP muster_network_frames_total CAN data frames or NMEA 0183 lines seen.
# TYPE muster_network_frames_total counter
muster_network_frames_total{network="can0"} 48210
`
	if err := testutil.CollectAndCompare(c, strings.NewReader(want), "muster_alerts", "muster_build_info", "muster_check_info",
		"muster_devices", "muster_network_frames_total"); err != nil {
		t.Error(err)
	}
	problems, err := testutil.CollectAndLint(c)
	if err != nil || len(problems) > 0 {
		t.Errorf("names: %v %v", problems, err)
	}
}

// TestNoReportMetrics: before the first report there is the version alone.
func TestNoReportMetrics(t *testing.T) {
	if n := testutil.CollectAndCount(newReportCollector(&webtest.Reports{}, "v1")); n != 1 {
		t.Errorf("%d series", n)
	}
}
