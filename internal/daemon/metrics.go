package daemon

import (
	"math"
	"sync/atomic"
	"time"

	"muster/internal/event"
	"muster/internal/metrics"
)

var (
	upMetric        = metrics.Gauge("muster_source_up", "Whether the source is read: 1 or 0.", "source")
	eventsMetric    = metrics.Counter("muster_source_messages_total", "Frames and lines read from the source.", "source")
	droppedMetric   = metrics.Counter("muster_source_queue_dropped_total", "Events dropped because the model was behind.", "source")
	lastMetric      = metrics.Gauge("muster_source_last_message_timestamp_seconds", "Event time of the latest message; absent before the first.", "source")
	refusedMetric   = metrics.Counter("muster_source_send_refused_total", "Frames of ours that the source did not take.", "source")
	unsentMetric    = metrics.Counter("muster_source_send_dropped_total", "Frames of ours dropped because too many waited for the bus.", "source")
	keptMetric      = metrics.Gauge("muster_store_bytes", "Size of everything kept over a power cut.")
	writtenMetric   = metrics.Counter("muster_store_written_bytes_total", "Bytes written to the card, in whole pages.")
	writesMetric    = metrics.Counter("muster_store_writes_total", "Writes to the card by result.", "result")
	shedMetric      = metrics.Counter("muster_store_shed_total", "Values dropped for their age or for want of room.")
	unwrittenMetric = metrics.Gauge("muster_store_unwritten", "Values not yet on the card.")
	sentMetric      = metrics.Counter("muster_deliveries_total", "Requests to a target by result.", "target", "result")
	waitingMetric   = metrics.Gauge("muster_deliveries_waiting", "Changes of alerts not yet delivered to the target.", "target")
	targetMetric    = metrics.Gauge("muster_delivery_up", "Whether the latest request to the target succeeded: 1 or 0.", "target")
	reloadsMetric   = metrics.Counter("muster_config_reloads_total", "Reloads of the config by result.", "result")
	reportsMetric   = metrics.Counter("muster_reports_total", "Reports made.")
	spentMetric     = metrics.Counter("muster_report_seconds_total", "Time spent making reports.")
)

// counts is what the daemon counts about itself. The source label comes from the config.
type counts struct {
	d       *Daemon
	reports atomic.Uint64
	spent   atomic.Int64 // nanoseconds
}

func newCounts(d *Daemon) *counts { return &counts{d: d} }

func (m *counts) reported(took time.Duration) {
	m.reports.Add(1)
	m.spent.Add(int64(took))
}

// collect tells of sources, the store, deliveries, the uplink and reports.
func (m *counts) collect(p *metrics.Page) {
	for _, in := range m.d.inputs() {
		p.Truth(upMetric, in.up.Load() && !in.ended.Load(), in.name)
		p.Count(eventsMetric, in.frames.Load(), in.name)
		p.Count(droppedMetric, in.dropped.Load(), in.name)
		if t := in.lastSeen.Load(); t != 0 {
			if event.Time(t) < event.ClockSet {
				t += m.d.time.ahead.Load()
			}
			p.Put(lastMetric, math.Round(float64(t)/1e6)/1e3, in.name)
		}
		if in.ask != nil {
			p.Count(refusedMetric, in.ask.refused.Load(), in.name)
			p.Count(unsentMetric, in.ask.dropped.Load(), in.name)
		}
	}
	m.collectKept(p)
	m.collectFleet(p)
	p.Count(reportsMetric, m.reports.Load())
	p.Put(spentMetric, time.Duration(m.spent.Load()).Seconds())
}

// collectKept tells of the store and of deliveries. Targets are named by the config.
func (m *counts) collectKept(p *metrics.Page) {
	if m.d.store == nil {
		return
	}
	st := m.d.store.Stats()
	p.Put(keptMetric, float64(st.Bytes))
	p.Count(writtenMetric, st.Written)
	p.Count(writesMetric, st.Syncs, "written")
	p.Count(writesMetric, st.Failures, "failed")
	p.Count(shedMetric, st.Shed)
	p.Put(unwrittenMetric, float64(st.Pending))
	p.Count(reloadsMetric, m.d.reloads.Load(), "loaded")
	p.Count(reloadsMetric, m.d.reloadFailures.Load(), "refused")
	for _, t := range m.d.tellers() {
		key := t.target.Key()
		p.Count(sentMetric, t.sent.Load(), key, "sent")
		p.Count(sentMetric, t.failed.Load(), key, "failed")
		p.Count(sentMetric, t.refused.Load(), key, "refused")
		p.Truth(targetMetric, !t.down.Load(), key)
		p.Put(waitingMetric, float64(m.d.store.Unsent(key)), key)
	}
}
