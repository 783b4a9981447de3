package api

import (
	"net/http"
	"strings"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	_ "github.com/prometheus/client_golang/prometheus/promhttp/zstd" // offered to scrapers beside gzip
	dto "github.com/prometheus/client_model/go"
	"github.com/rs/zerolog"
)

// mostScrapes at one time; one more is refused.
const mostScrapes = 4

// Metrics answers scrapes with what is registered, in the format and the packing that the scraper asks for. An invalid
// series is left out, counted and logged; the others are served.
func Metrics(registry *prometheus.Registry, log zerolog.Logger) http.Handler {
	return promhttp.HandlerFor(openNames(registry), promhttp.HandlerOpts{
		Registry:            registry,
		ErrorLog:            &log,
		ErrorHandling:       promhttp.ContinueOnError,
		MaxRequestsInFlight: mostScrapes,
		EnableOpenMetrics:   true,
	})
}

// openNames keeps each name for one metric. OpenMetrics calls a counter by its name without _total; where another metric has that name,
// as go_memstats_alloc_bytes has, the counter becomes one of unknown type, which keeps its full name.
func openNames(g prometheus.Gatherer) prometheus.GathererFunc {
	return func() ([]*dto.MetricFamily, error) {
		families, err := g.Gather()
		names := map[string]bool{}
		for _, f := range families {
			names[f.GetName()] = true
		}
		for _, f := range families {
			short, total := strings.CutSuffix(f.GetName(), "_total")
			if !total || f.GetType() != dto.MetricType_COUNTER || !names[short] {
				continue
			}
			f.Type = dto.MetricType_UNTYPED.Enum()
			for _, m := range f.Metric {
				m.Untyped, m.Counter = &dto.Untyped{Value: m.Counter.Value}, nil
			}
		}
		return families, err
	}
}

// Scrape takes the series that a collector has at this moment. Label values come in the order in which the description names the
// labels; what is not UTF-8 in them becomes U+FFFD. Another number of values than of labels is a fault of the program and panics.
type Scrape chan<- prometheus.Metric

// Gauge adds a value that goes up and down.
func (s Scrape) Gauge(d *prometheus.Desc, value float64, labels ...string) {
	s.add(d, prometheus.GaugeValue, value, labels)
}

// Counter adds a value that only grows while the program runs.
func (s Scrape) Counter(d *prometheus.Desc, value uint64, labels ...string) {
	s.add(d, prometheus.CounterValue, float64(value), labels)
}

// Bool adds 1 for true and 0 for false.
func (s Scrape) Bool(d *prometheus.Desc, value bool, labels ...string) {
	v := 0.0
	if value {
		v = 1
	}
	s.Gauge(d, v, labels...)
}

func (s Scrape) add(d *prometheus.Desc, kind prometheus.ValueType, value float64, labels []string) {
	valid := make([]string, len(labels))
	for i, l := range labels {
		valid[i] = strings.ToValidUTF8(l, "\uFFFD")
	}
	s <- prometheus.MustNewConstMetric(d, kind, value, valid...)
}
