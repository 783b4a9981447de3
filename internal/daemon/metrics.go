package daemon

import (
	"math"
	"sync/atomic"
	"time"

	"github.com/prometheus/client_golang/prometheus"

	"muster/internal/event"
	"muster/internal/web"
)

func desc(name, help string, labels ...string) *prometheus.Desc {
	return prometheus.NewDesc(web.Namespace+"_"+name, help, labels, nil)
}

var (
	upDesc        = desc("source_up", "Whether the source is read: 1 or 0.", "source")
	eventsDesc    = desc("source_messages_total", "Frames and lines read from the source.", "source")
	droppedDesc   = desc("source_queue_dropped_total", "Events dropped because the model was behind.", "source")
	lastDesc      = desc("source_last_message_timestamp_seconds", "Event time of the latest message; absent before the first.", "source")
	refusedDesc   = desc("source_send_refused_total", "Frames of ours that the source did not take.", "source")
	unsentDesc    = desc("source_send_dropped_total", "Frames of ours dropped because too many waited for the bus.", "source")
	keptDesc      = desc("store_bytes", "Size of everything kept over a power cut.")
	writtenDesc   = desc("store_written_bytes_total", "Bytes written to the card, in whole pages.")
	writesDesc    = desc("store_writes_total", "Writes to the card by result.", "result")
	shedDesc      = desc("store_shed_total", "Values dropped for their age or for want of room.")
	unwrittenDesc = desc("store_unwritten", "Values not yet on the card.")
	sentDesc      = desc("deliveries_total", "Requests to a target by result.", "target", "result")
	waitingDesc   = desc("deliveries_waiting", "Changes of alerts not yet delivered to the target.", "target")
	targetDesc    = desc("delivery_up", "Whether the latest request to the target succeeded: 1 or 0.", "target")
	reloadsDesc   = desc("config_reloads_total", "Reloads of the config by result.", "result")
	reportsDesc   = desc("reports_total", "Reports made.")
	spentDesc     = desc("report_seconds_total", "Time spent making reports.")
)

// metrics is what the daemon counts about itself. The source label comes from the config.
type metrics struct {
	d       *Daemon
	reports atomic.Uint64
	spent   atomic.Int64 // nanoseconds
}

func newMetrics(d *Daemon) *metrics { return &metrics{d: d} }

func (m *metrics) reported(took time.Duration) {
	m.reports.Add(1)
	m.spent.Add(int64(took))
}

// Describe implements prometheus.Collector.
func (m *metrics) Describe(out chan<- *prometheus.Desc) {
	for _, d := range fleetDescs {
		out <- d
	}
	for _, d := range []*prometheus.Desc{upDesc, eventsDesc, droppedDesc, lastDesc, refusedDesc, unsentDesc, reportsDesc, spentDesc,
		keptDesc, writtenDesc, writesDesc, shedDesc, unwrittenDesc, sentDesc, waitingDesc, targetDesc, reloadsDesc} {
		out <- d
	}
}

// Collect implements prometheus.Collector.
func (m *metrics) Collect(out chan<- prometheus.Metric) {
	put := func(d *prometheus.Desc, kind prometheus.ValueType, v float64, labels ...string) {
		out <- prometheus.MustNewConstMetric(d, kind, v, labels...)
	}
	for _, in := range m.d.inputs() {
		up := 0.0
		if in.up.Load() && !in.ended.Load() {
			up = 1
		}
		put(upDesc, prometheus.GaugeValue, up, in.name)
		put(eventsDesc, prometheus.CounterValue, float64(in.frames.Load()), in.name)
		put(droppedDesc, prometheus.CounterValue, float64(in.dropped.Load()), in.name)
		if t := in.lastSeen.Load(); t != 0 {
			if event.Time(t) < event.ClockSet {
				t += m.d.time.ahead.Load()
			}
			put(lastDesc, prometheus.GaugeValue, math.Round(float64(t)/1e6)/1e3, in.name)
		}
		if in.ask != nil {
			put(refusedDesc, prometheus.CounterValue, float64(in.ask.refused.Load()), in.name)
			put(unsentDesc, prometheus.CounterValue, float64(in.ask.dropped.Load()), in.name)
		}
	}
	m.collectKept(put)
	m.collectFleet(put)
	put(reportsDesc, prometheus.CounterValue, float64(m.reports.Load()))
	put(spentDesc, prometheus.CounterValue, time.Duration(m.spent.Load()).Seconds())
}

// collectKept tells of the store and of deliveries. Targets are named by the config.
func (m *metrics) collectKept(put func(*prometheus.Desc, prometheus.ValueType, float64, ...string)) {
	if m.d.store == nil {
		return
	}
	counter := func(d *prometheus.Desc, n uint64, labels ...string) {
		put(d, prometheus.CounterValue, float64(n), labels...)
	}
	st := m.d.store.Stats()
	put(keptDesc, prometheus.GaugeValue, float64(st.Bytes))
	counter(writtenDesc, st.Written)
	counter(writesDesc, st.Syncs, "written")
	counter(writesDesc, st.Failures, "failed")
	counter(shedDesc, st.Shed)
	put(unwrittenDesc, prometheus.GaugeValue, float64(st.Pending))
	counter(reloadsDesc, m.d.reloads.Load(), "loaded")
	counter(reloadsDesc, m.d.reloadFailures.Load(), "refused")
	for _, t := range m.d.tellers() {
		key, up := t.target.Key(), 1.0
		if t.down.Load() {
			up = 0
		}
		counter(sentDesc, t.sent.Load(), key, "sent")
		counter(sentDesc, t.failed.Load(), key, "failed")
		counter(sentDesc, t.refused.Load(), key, "refused")
		put(targetDesc, prometheus.GaugeValue, up, key)
		put(waitingDesc, prometheus.GaugeValue, float64(m.d.store.Unsent(key)), key)
	}
}
