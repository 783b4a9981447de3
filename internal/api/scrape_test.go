package api

import (
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"math/rand/v2"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"slices"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	dto "github.com/prometheus/client_model/go"
	"github.com/prometheus/common/expfmt"
	"github.com/rs/zerolog"
	"pgregory.net/rapid"
)

// filler is a collector that describes nothing beforehand.
type filler func(Scrape)

func (f filler) Describe(chan<- *prometheus.Desc)     {}
func (f filler) Collect(out chan<- prometheus.Metric) { f(out) }

// scraped serves what is registered.
func scraped(t *testing.T, log io.Writer, all ...prometheus.Collector) http.Handler {
	t.Helper()
	r := prometheus.NewRegistry()
	r.MustRegister(all...)
	return Metrics(r, zerolog.New(log))
}

// scrape asks once; headers are pairs.
func scrape(h http.Handler, headers ...string) *httptest.ResponseRecorder {
	req := httptest.NewRequest("GET", "/metrics", nil)
	for i := 0; i < len(headers); i += 2 {
		req.Header.Set(headers[i], headers[i+1])
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, req)
	return w
}

var (
	windDesc = prometheus.NewDesc("wind_speed", "Speed of the wind, m/s.", []string{"vane", "boat"}, nil)
	callDesc = prometheus.NewDesc("calls_total", "Calls.", nil, nil)
)

func breeze(s Scrape) {
	s.Gauge(windDesc, 3.25, "mast", "tern")
	s.Gauge(windDesc, math.NaN(), "a\\b\"c\nd", "knot")
	s.Bool(windDesc, true, "é {},=", "gull\xff")
	s.Counter(callDesc, 7)
}

// TestScrapeFormats: what real scrapers send gets the format and the packing that they prefer.
func TestScrapeFormats(t *testing.T) {
	h := scraped(t, io.Discard, filler(breeze))
	const text, open, proto = expfmt.TypeTextPlain, expfmt.TypeOpenMetrics, expfmt.TypeProtoDelim
	for _, tt := range []struct {
		name, accept, encoding string
		format                 expfmt.FormatType
		packed                 string
	}{
		{"nothing said", "", "", text, ""},
		{"curl", "*/*", "gzip", text, "gzip"},
		{"browser", "text/html,application/xhtml+xml,*/*;q=0.8", "gzip, deflate, br, zstd", text, "gzip"},
		{"Prometheus 2", "application/openmetrics-text;version=1.0.0,application/openmetrics-text;version=0.0.1;q=0.75," +
			"text/plain;version=0.0.4;q=0.5,*/*;q=0.1", "gzip", open, "gzip"},
		{"Prometheus 3", "application/openmetrics-text;version=1.0.0;escaping=allow-utf-8;q=0.5,text/plain;version=1.0.0;q=0.3,*/*;q=0.1",
			"gzip", open, "gzip"},
		{"Prometheus 3 with native histograms", "application/vnd.google.protobuf;proto=io.prometheus.client.MetricFamily;encoding=delimited;q=0.6," +
			"application/openmetrics-text;version=1.0.0;q=0.5,text/plain;version=0.0.4;q=0.3", "gzip", proto, "gzip"},
		{"zstd alone", "text/plain;version=0.0.4", "zstd", text, "zstd"},
		{"zstd before gzip", "text/plain;version=0.0.4", "gzip;q=0.5,zstd", text, "zstd"},
		{"neither", "text/plain;version=0.0.4", "gzip;q=0", text, ""},
		{"unknown", "image/png", "br", text, ""},
	} {
		t.Run(tt.name, func(t *testing.T) {
			w := scrape(h, "Accept", tt.accept, "Accept-Encoding", tt.encoding)
			format := expfmt.ResponseFormat(w.Header())
			if w.Code != http.StatusOK || w.Header().Get("Content-Encoding") != tt.packed {
				t.Fatalf("%d %v", w.Code, w.Header())
			}
			if got := expfmt.Format(w.Header().Get("Content-Type")).FormatType(); got != tt.format {
				t.Fatalf("%v", w.Header())
			}
			body := unpacked(t, tt.packed, w.Body)
			if tt.format == open {
				if want := "# TYPE calls counter\ncalls_total 7.0\n"; !bytes.Contains(body, []byte(want)) || !bytes.HasSuffix(body, []byte("\n# EOF\n")) {
					t.Errorf("no %s in\n%s", want, body)
				}
				return
			}
			var families []string
			for d := expfmt.NewDecoder(bytes.NewReader(body), format); ; {
				var f dto.MetricFamily
				if err := d.Decode(&f); err == io.EOF {
					break
				} else if err != nil {
					t.Fatal(err)
				}
				families = append(families, fmt.Sprint(f.GetName(), " ", len(f.Metric)))
			}
			slices.Sort(families)
			want := []string{"calls_total 1", "promhttp_metric_handler_errors_total 2", "wind_speed 3"}
			if d := cmp.Diff(want, families); d != "" {
				t.Error(d)
			}
		})
	}
}

func unpacked(t *testing.T, how string, body io.Reader) []byte {
	t.Helper()
	var err error
	switch how {
	case "gzip":
		body, err = gzip.NewReader(body)
	case "zstd":
		body, err = zstd.NewReader(body)
	}
	if err != nil {
		t.Fatal(err)
	}
	text, err := io.ReadAll(body)
	if err != nil {
		t.Fatal(err)
	}
	return text
}

// TestFaultySeries: a series that is there twice, or a collector that panics, does not lose the others; it is counted
// and logged.
func TestFaultySeries(t *testing.T) {
	for name, fault := range map[string]filler{
		"twice": func(s Scrape) { s.Gauge(windDesc, 1, "mast\xfe", "owl"); s.Gauge(windDesc, 2, "mast\xff", "owl") },
		"panic": func(s Scrape) { s.Gauge(windDesc, 1, "too few") },
	} {
		t.Run(name, func(t *testing.T) {
			var log bytes.Buffer
			h := scraped(t, &log, filler(breeze), fault)
			for range 2 { // the first is counted when it is over
				w := scrape(h)
				if w.Code != http.StatusOK || !strings.Contains(w.Body.String(), "\ncalls_total 7\n") {
					t.Errorf("%d %s", w.Code, w.Body)
				}
			}
			if text := scrape(h).Body.String(); !strings.Contains(text, `promhttp_metric_handler_errors_total{cause="gathering"} 2`) {
				t.Errorf("not counted:\n%s", text)
			}
			if !strings.Contains(log.String(), "error gathering metrics") {
				t.Errorf("not logged: %s", log.String())
			}
		})
	}
}

// TestScrapeCrowd: as many scrapes as are bearable at one time, and no more.
func TestScrapeCrowd(t *testing.T) {
	begun, hold := make(chan bool), make(chan bool)
	h := scraped(t, io.Discard, filler(func(s Scrape) { begun <- true; <-hold; breeze(s) }))
	codes := make(chan int)
	for range mostScrapes {
		go func() { codes <- scrape(h).Code }()
		<-begun
	}
	if w := scrape(h); w.Code != http.StatusServiceUnavailable {
		t.Errorf("one more: %d %s", w.Code, w.Body)
	}
	close(hold)
	for range mostScrapes {
		if c := <-codes; c != http.StatusOK {
			t.Errorf("status %d", c)
		}
	}
	go func() { <-begun }()
	if w := scrape(h); w.Code != http.StatusOK {
		t.Errorf("afterwards: %d", w.Code)
	}
}

// readMetric is a metric of a page as a reader understands it. Labels are in the order of their names.
type readMetric struct {
	Kind   string
	Series []readSeries
}

type readSeries struct {
	Name   string
	Labels [][2]string
	Value  string
}

const metricsReader = `
import json, sys
from prometheus_client.openmetrics.parser import text_string_to_metric_families as open_
from prometheus_client.parser import text_string_to_metric_families as text
out = {}
for f in (open_ if sys.argv[1] == "open" else text)(sys.stdin.buffer.read().decode()):
    if f.name in out:
        sys.exit(f.name + " is there twice")
    out[f.name] = {"Kind": f.type,
        "Series": [{"Name": s.name, "Labels": sorted(s.labels.items()), "Value": repr(float(s.value))} for s in f.samples]}
json.dump(out, sys.stdout)
`

var metricsFormats = map[string]string{"text": "text/plain", "open": "application/openmetrics-text;version=1.0.0"}

// understood is what the Prometheus project's own readers for Python make of a page; that of OpenMetrics is a strict one.
func understood(t *testing.T, format, page string) map[string]readMetric {
	t.Helper()
	const python = "/usr/bin/python3"
	if err := exec.Command(python, "-c", "import prometheus_client").Run(); err != nil {
		if os.Getenv("MUSTER_TEST_ALL") == "1" {
			t.Fatalf("python3-prometheus-client: %v", err)
		}
		t.Skipf("python3-prometheus-client: %v", err)
	}
	cmd := exec.Command(python, "-c", metricsReader, format)
	cmd.Stdin = strings.NewReader(page)
	out, err := cmd.Output()
	var exit *exec.ExitError
	if errors.As(err, &exit) {
		t.Fatalf("%s: %v: %s", format, err, exit.Stderr)
	}
	var all map[string]readMetric
	if err := errors.Join(err, json.Unmarshal(out, &all)); err != nil {
		t.Fatal(err)
	}
	return all
}

// TestAnyLabel: labels and values come back from independent readers as they were put, whatever is in them.
func TestAnyLabel(t *testing.T) {
	text := rapid.StringOf(rapid.OneOf(rapid.Rune(), rapid.SampledFrom([]rune("\n\r\\\"{},= n#\t\u2028"))))
	rng := rand.New(rand.NewPCG(1, 2))
	want := map[string]readMetric{}
	var all []prometheus.Collector
	for i := range 300 {
		g := prometheus.NewDesc(fmt.Sprintf("g%d", i), "A gauge.", []string{"b", "a", "c"}, nil)
		c := prometheus.NewDesc(fmt.Sprintf("c%d_total", i), "A counter.", nil, nil)
		n := rng.Uint64N(1 << 53)
		all = append(all, filler(func(s Scrape) { s.Counter(c, n) }))
		gauge := readMetric{Kind: "gauge"}
		for j := range 5 {
			v, a, b, k := math.Ldexp(rng.Float64()-0.5, rng.IntN(80)-40), text.Example(i*5+j), strconv.Itoa(j), text.Example(i+j)
			all = append(all, filler(func(s Scrape) { s.Gauge(g, v, b, "\xc3"+a, k) }))
			gauge.Series = append(gauge.Series, readSeries{fmt.Sprintf("g%d", i), [][2]string{{"a", "\uFFFD" + a}, {"b", b}, {"c", k}}, exact(v)})
		}
		want[fmt.Sprintf("g%d", i)] = gauge
		want[fmt.Sprintf("c%d", i)] = readMetric{"counter", []readSeries{{fmt.Sprintf("c%d_total", i), [][2]string{}, exact(float64(n))}}}
	}
	for format, accept := range metricsFormats {
		got := understood(t, format, scrape(scraped(t, io.Discard, all...), "Accept", accept).Body.String())
		delete(got, "promhttp_metric_handler_errors")
		for _, f := range got {
			for i := range f.Series {
				v, err := strconv.ParseFloat(f.Series[i].Value, 64)
				if err != nil {
					t.Fatal(err)
				}
				f.Series[i].Value = exact(v)
			}
			slices.SortFunc(f.Series, func(a, b readSeries) int { return strings.Compare(a.Labels[1][1], b.Labels[1][1]) })
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("%s:\n%s", format, d)
		}
	}
}

func exact(v float64) string { return strconv.FormatFloat(v, 'x', -1, 64) }

// TestProgramMetrics: strict readers take the metrics of the Go runtime and of the process in both formats. Two of them would have one
// name in OpenMetrics; both stay, under the names that they have in text.
func TestProgramMetrics(t *testing.T) {
	h := scraped(t, io.Discard, collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	for format, accept := range metricsFormats {
		page := scrape(h, "Accept", accept).Body.String()
		got := understood(t, format, page)
		for name, kind := range map[string]string{"go_goroutines": "gauge", "go_gc_duration_seconds": "summary", "go_memstats_alloc_bytes": "gauge",
			"go_memstats_alloc_bytes_total": "unknown", "go_memstats_mallocs": "counter", "process_cpu_seconds": "counter",
			"process_resident_memory_bytes": "gauge"} {
			if f := got[name]; f.Kind != kind || len(f.Series) == 0 {
				t.Errorf("%s: %s is %+v, want a %s", format, name, f, kind)
			}
		}
	}
}
