package daemon

import (
	"math"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	dto "github.com/prometheus/client_model/go"

	"muster/internal/api"
	"muster/internal/event"
)

// Descriptions of the daemon's own metrics. The file deploy/metrics.md is written from them.
var (
	upDesc     = prometheus.NewDesc("muster_source_up", "Whether the source is read: 1 or 0.", []string{"source"}, nil)
	eventsDesc = prometheus.NewDesc("muster_source_messages_total", "Frames and lines read from the source.",
		[]string{"source"}, nil)
	droppedDesc = prometheus.NewDesc("muster_source_queue_dropped_total",
		"Events dropped because the model was behind.", []string{"source"}, nil)
	lastDesc = prometheus.NewDesc("muster_source_last_message_timestamp_seconds",
		"Event time of the latest message; absent before the first.", []string{"source"}, nil)
	refusedDesc = prometheus.NewDesc("muster_source_send_refused_total",
		"Frames of ours that the source did not take.", []string{"source"}, nil)
	unsentDesc = prometheus.NewDesc("muster_source_send_dropped_total",
		"Frames of ours dropped because too many waited for the bus.", []string{"source"}, nil)

	keptDesc    = prometheus.NewDesc("muster_store_bytes", "Size of everything kept over a power cut.", nil, nil)
	writtenDesc = prometheus.NewDesc("muster_store_written_bytes_total",
		"Bytes written to the card, in whole pages.", nil, nil)
	writesDesc = prometheus.NewDesc("muster_store_writes_total", "Writes to the card by result.",
		[]string{"result"}, nil)
	shedDesc = prometheus.NewDesc("muster_store_shed_total", "Values discarded because of their age or because the space was full.",
		nil, nil)
	unwrittenDesc = prometheus.NewDesc("muster_store_unwritten", "Values not yet on the card.", nil, nil)

	sentDesc = prometheus.NewDesc("muster_deliveries_total", "Requests to a target by result.",
		[]string{"target", "result"}, nil)
	waitingDesc = prometheus.NewDesc("muster_deliveries_waiting", "Changes of alerts not yet delivered to the target.",
		[]string{"target"}, nil)
	targetDesc = prometheus.NewDesc("muster_delivery_up",
		"Whether the latest request to the target succeeded: 1 or 0.", []string{"target"}, nil)

	reloadsDesc = prometheus.NewDesc("muster_config_reloads_total", "Reloads of the config by result.",
		[]string{"result"}, nil)
	reportsDesc = prometheus.NewDesc("muster_reports_total", "Reports made.", nil, nil)
	spentDesc   = prometheus.NewDesc("muster_report_seconds_total", "Time spent making reports.", nil, nil)

	fleetQueuedDesc = prometheus.NewDesc("muster_fleet_queued", "Messages that wait for the hub.", nil, nil)
	fleetSentDesc   = prometheus.NewDesc("muster_fleet_sent_total", "Messages that the hub's stream stored.",
		nil, nil)
	fleetShedDesc = prometheus.NewDesc("muster_fleet_shed_total", "Messages given up because too many waited.",
		nil, nil)
	fleetLargeDesc = prometheus.NewDesc("muster_fleet_too_large_total",
		"Messages not sent because no message server takes them.", nil, nil)
	fleetConnectedDesc = prometheus.NewDesc("muster_fleet_connected",
		"Whether there is a connection with the hub: 1 or 0.", nil, nil)
	fleetAckDesc = prometheus.NewDesc("muster_fleet_last_ack_timestamp_seconds",
		"When the hub's stream last stored a message; absent before the first.", nil, nil)
)

// counts makes metrics of what the daemon does. The labels source and target come from the config.
type counts struct {
	d     *Daemon
	took  prometheus.Histogram     // making one report
	delay *prometheus.HistogramVec // of deliveries, by target
}

func newCounts(d *Daemon) *counts {
	return &counts{
		d: d,
		took: prometheus.NewHistogram(prometheus.HistogramOpts{Name: "muster_report_duration_seconds",
			Help:    "Time that making a report took.",
			Buckets: []float64{.001, .0025, .005, .01, .025, .05, .1, .25, .5, 1}}),
		delay: prometheus.NewHistogramVec(prometheus.HistogramOpts{Name: "muster_delivery_delay_seconds",
			Help:    "Time from a change of an alert until it no longer waited for the target.",
			Buckets: []float64{1, 2, 5, 15, 60, 300, 900, 3600, 6 * 3600, 24 * 3600}}, []string{"target"}),
	}
}

// registry is what a scrape shows besides the report.
func (m *counts) registry() *prometheus.Registry {
	r := prometheus.NewRegistry()
	r.MustRegister(m, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	return r
}

// Describe implements prometheus.Collector.
func (m *counts) Describe(out chan<- *prometheus.Desc) {
	for _, d := range []*prometheus.Desc{upDesc, eventsDesc, droppedDesc, lastDesc, refusedDesc, unsentDesc, keptDesc,
		writtenDesc, writesDesc, shedDesc, unwrittenDesc, sentDesc, waitingDesc, targetDesc, reloadsDesc, reportsDesc,
		spentDesc, fleetQueuedDesc, fleetSentDesc, fleetShedDesc, fleetLargeDesc, fleetConnectedDesc, fleetAckDesc} {
		out <- d
	}
	m.took.Describe(out)
	m.delay.Describe(out)
}

// Collect implements prometheus.Collector.
func (m *counts) Collect(out chan<- prometheus.Metric) {
	s := api.Scrape(out)
	for _, in := range m.d.sources.inputs() {
		s.Bool(upDesc, in.up.Load() && !in.ended.Load(), in.name)
		s.Counter(eventsDesc, in.frames.Load(), in.name)
		s.Counter(droppedDesc, in.dropped.Load(), in.name)
		if t := in.lastSeen.Load(); t != 0 {
			if event.Time(t) < event.ClockSet {
				t += m.d.model.time.ahead.Load()
			}
			s.Gauge(lastDesc, math.Round(float64(t)/1e6)/1e3, in.name)
		}
		if in.ask != nil {
			s.Counter(refusedDesc, in.ask.refused.Load(), in.name)
			s.Counter(unsentDesc, in.ask.dropped.Load(), in.name)
		}
	}
	m.collectKept(s)
	m.collectFleet(s)
	m.collectReports(s)
	m.delay.Collect(out)
}

// collectReports collects how long reports took, and the count and the sum of that under names of their own.
func (m *counts) collectReports(s api.Scrape) {
	s <- m.took
	var h dto.Metric
	if m.took.Write(&h) == nil {
		s.Counter(reportsDesc, h.Histogram.GetSampleCount())
		s <- prometheus.MustNewConstMetric(spentDesc, prometheus.CounterValue, h.Histogram.GetSampleSum())
	}
}

// collectKept collects the metrics of the store and of deliveries.
func (m *counts) collectKept(s api.Scrape) {
	if m.d.keeper == nil {
		return
	}
	st := m.d.keeper.store.Stats()
	s.Gauge(keptDesc, float64(st.Bytes))
	s.Counter(writtenDesc, st.Written)
	s.Counter(writesDesc, st.Syncs, "written")
	s.Counter(writesDesc, st.Failures, "failed")
	s.Counter(shedDesc, st.Shed)
	s.Gauge(unwrittenDesc, float64(st.Pending))
	s.Counter(reloadsDesc, m.d.reload.done.Load(), "loaded")
	s.Counter(reloadsDesc, m.d.reload.failed.Load(), "refused")
	for _, t := range m.d.notifiers.list() {
		key := t.target.Key()
		s.Counter(sentDesc, t.sent.Load(), key, "sent")
		s.Counter(sentDesc, t.failed.Load(), key, "failed")
		s.Counter(sentDesc, t.refused.Load(), key, "refused")
		s.Bool(targetDesc, !t.down.Load(), key)
		s.Gauge(waitingDesc, float64(m.d.keeper.store.Unsent(key)), key)
	}
}

// collectFleet collects the metrics of the uplink, if there is one.
func (m *counts) collectFleet(s api.Scrape) {
	if m.d.notifiers == nil {
		return
	}
	up := m.d.notifiers.up.Load()
	if up == nil {
		return
	}
	st := up.Stats()
	s.Gauge(fleetQueuedDesc, float64(st.Queued))
	s.Counter(fleetSentDesc, st.Sent)
	s.Counter(fleetShedDesc, st.Shed)
	s.Counter(fleetLargeDesc, st.TooLarge)
	s.Bool(fleetConnectedDesc, st.Connected)
	if !st.LastAck.IsZero() {
		s.Gauge(fleetAckDesc, float64(st.LastAck.UnixMilli())/1e3)
	}
}
