package metrics

import (
	"bytes"
	"compress/gzip"
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
	"runtime"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"pgregory.net/rapid"
)

// ask scrapes once; headers are pairs.
func ask(t *testing.T, h http.Handler, headers ...string) *httptest.ResponseRecorder {
	t.Helper()
	req := httptest.NewRequest("GET", "/metrics", nil)
	for i := 0; i < len(headers); i += 2 {
		req.Header.Set(headers[i], headers[i+1])
	}
	w := httptest.NewRecorder()
	h.ServeHTTP(w, req)
	return w
}

var (
	wind   = Gauge("wind_speed", "What the \"vane\" tells,\nin m/s \\ true.", "vane", "boat")
	octets = Counter("wind_bytes_total", "Bytes.")
	plain  = Gauge("wind_bytes", "Bytes of late.")
	calls  = Counter("calls_total", "Calls.", "kind")
)

func sample(p *Page) {
	p.Put(wind, 3.25, "mast", "tern")
	p.Put(wind, math.NaN(), "a\\b\"c\nd", "knot")
	p.Put(wind, math.Inf(1), "", "gull\xff")
	p.Put(wind, math.Inf(-1), "é {},=", "gull")
	p.Put(plain, 1e21)
	p.Count(octets, 1<<53)
	p.Count(calls, 7, "in")
	p.Truth(Gauge("up", "Up."), true)
	p.Truth(Gauge("down", "Down."), false)
	p.summary(newMetric("summary", "pause_seconds", "Pauses.", nil), 3, 0.5, []float64{0.1, 0.15, 0.25})
}

// TestFormats: both formats, letter by letter, as the page "Exposition formats" and the OpenMetrics specification have them.
func TestFormats(t *testing.T) {
	text := `# HELP calls_total Calls.
# TYPE calls_total counter
calls_total{kind="in"} 7
# HELP down Down.
# TYPE down gauge
down 0
# HELP pause_seconds Pauses.
# TYPE pause_seconds summary
pause_seconds_count 3
pause_seconds_sum 0.5
pause_seconds{quantile="0"} 0.1
pause_seconds{quantile="0.5"} 0.15
pause_seconds{quantile="1"} 0.25
# HELP up Up.
# TYPE up gauge
up 1
# HELP wind_bytes Bytes of late.
# TYPE wind_bytes gauge
wind_bytes 1e+21
# HELP wind_bytes_total Bytes.
# TYPE wind_bytes_total counter
wind_bytes_total 9.007199254740992e+15
# HELP wind_speed What the "vane" tells,\nin m/s \\ true.
# TYPE wind_speed gauge
wind_speed{boat="gull",vane="é {},="} -Inf
wind_speed{boat="gull�",vane=""} +Inf
wind_speed{boat="knot",vane="a\\b\"c\nd"} NaN
wind_speed{boat="tern",vane="mast"} 3.25
`
	open := text + "# EOF\n"
	for _, r := range [][2]string{{" calls_total Calls", " calls Calls"}, {" calls_total counter", " calls counter"}, {"} 7\n", "} 7.0\n"}, {"down 0\n", "down 0.0\n"}, {"up 1\n", "up 1.0\n"}, {"_count 3\n", "_count 3.0\n"}, {`"0"`, `"0.0"`}, {`"1"`, `"1.0"`},
		{"wind_bytes_total counter", "wind_bytes_total unknown"}, {`"vane" tells`, `\"vane\" tells`}} {
		open = strings.Replace(open, r[0], r[1], 1)
	}
	h := Handler(sample)
	for _, tt := range []struct{ name, accept, kind, want string }{
		{"text", "", "text/plain; version=0.0.4; charset=utf-8", text},
		{"OpenMetrics", "application/openmetrics-text; version=1.0.0", "application/openmetrics-text; version=1.0.0; charset=utf-8", open},
	} {
		w := ask(t, h, "Accept", tt.accept)
		if d := cmp.Diff(tt.want, w.Body.String()); d != "" || w.Header().Get("Content-Type") != tt.kind || w.Header().Get("Vary") != "Accept, Accept-Encoding" {
			t.Errorf("%s: %v\n%s", tt.name, w.Header(), d)
		}
	}
}

// TestNegotiation: what real scrapers send gets the format that they want most of the two.
func TestNegotiation(t *testing.T) {
	h := Handler(sample)
	for _, tt := range []struct {
		accept, encoding string
		open, packed     bool
	}{
		{"", "", false, false},
		{"*/*", "gzip", false, true},
		{"application/openmetrics-text;version=1.0.0,application/openmetrics-text;version=0.0.1;q=0.75,text/plain;version=0.0.4;q=0.5,*/*;q=0.1", "gzip", true, true},                                                                           // Prometheus 2
		{"application/vnd.google.protobuf;proto=io.prometheus.client.MetricFamily;encoding=delimited;q=0.6,application/openmetrics-text;version=1.0.0;escaping=allow-utf-8;q=0.5,text/plain;version=1.0.0;q=0.3,*/*;q=0.1", "gzip", true, true}, // Prometheus 3
		{"text/plain;version=0.0.4", "gzip;q=0", false, false},
		{"text/plain, application/openmetrics-text;version=1.0.0;q=0.4", "br, gzip;q=0.5", false, true},
		{"application/openmetrics-text;version=1.0.0;q=0", "identity", false, false},
		{"application/openmetrics-text;version=2.0.0", "zstd", false, false},
		{"text/html, image/png;q=x,;;,=", "deflate", false, false},
	} {
		w := ask(t, h, "Accept", tt.accept, "Accept-Encoding", tt.encoding)
		if open := strings.Contains(w.Header().Get("Content-Type"), "openmetrics"); open != tt.open {
			t.Errorf("%q gives %v", tt.accept, w.Header())
		}
		body := io.Reader(w.Body)
		if packed := w.Header().Get("Content-Encoding") == "gzip"; packed != tt.packed {
			t.Errorf("%q gives %v", tt.encoding, w.Header())
		} else if packed {
			unpacked, err := gzip.NewReader(body)
			if err != nil {
				t.Fatal(err)
			}
			body = unpacked
		}
		if text, err := io.ReadAll(body); err != nil || !bytes.Contains(text, []byte("\ndown 0")) || bytes.HasSuffix(text, []byte("# EOF\n")) != tt.open {
			t.Errorf("%q %q: %v\n%s", tt.accept, tt.encoding, err, text)
		}
	}
}

// TestFaults: a page that contradicts itself is one clear error and no page.
func TestFaults(t *testing.T) {
	for _, tt := range []struct {
		of   Collector
		want string
	}{
		{func(p *Page) { p.Put(calls, 1, "in"); p.Put(calls, 2, "out"); p.Put(calls, 1, "in") }, `calls_total{kind="in"} is told twice`},
		{func(p *Page) { p.Put(plain, 1); p.Put(Gauge("wind_bytes", ""), 1) }, "wind_bytes is the name of two metrics"},
		{func(p *Page) { p.Put(calls, 1) }, "calls_total has 1 labels and got 0"},
	} {
		w := ask(t, Handler(sample, func(p *Page) { p.Truth(Gauge("other", ""), true) }, tt.of), "Accept-Encoding", "gzip")
		if text := w.Body.String(); w.Code != http.StatusInternalServerError || strings.Count(text, "\n") != 1 ||
			!strings.HasSuffix(text, "a fault of this program: "+tt.want+"\n") {
			t.Errorf("%d %s\nwant %s", w.Code, text, tt.want)
		}
	}
}

// TestCrowd: as many scrapes as are bearable at one time, and no more.
func TestCrowd(t *testing.T) {
	begun, hold := make(chan bool), make(chan bool)
	h := Handler(sample, func(*Page) { begun <- true; <-hold })
	codes := make(chan int)
	for range mostScrapes {
		go func() { codes <- ask(t, h).Code }()
		<-begun
	}
	if w := ask(t, h); w.Code != http.StatusServiceUnavailable || w.Body.String() != "4 scrapes are being answered; try again in a moment\n" {
		t.Errorf("one more: %d %s", w.Code, w.Body)
	}
	close(hold)
	for range mostScrapes {
		if c := <-codes; c != http.StatusOK {
			t.Errorf("status %d", c)
		}
	}
	go func() { <-begun }()
	if w := ask(t, h); w.Code != http.StatusOK {
		t.Errorf("afterwards: %d", w.Code)
	}
}

// heard is a metric of a page as a reader understands it. Labels are in the order of their names.
type heard struct {
	Kind, Help string
	Series     []heardSeries
}

type heardSeries struct {
	Name   string
	Labels [][2]string
	Value  string
}

const reader = `
import json, sys
from prometheus_client.openmetrics.parser import text_string_to_metric_families as open_
from prometheus_client.parser import text_string_to_metric_families as text
out = {}
for f in (open_ if sys.argv[1] == "open" else text)(sys.stdin.buffer.read().decode()):
    out[f.name] = {"Kind": f.type, "Help": f.documentation,
        "Series": [{"Name": s.name, "Labels": sorted(s.labels.items()), "Value": repr(float(s.value))} for s in f.samples]}
json.dump(out, sys.stdout)
`

// understood is what the Prometheus project's own readers for Python make of a page; that of OpenMetrics is a strict one.
func understood(t *testing.T, format, page string) map[string]heard {
	t.Helper()
	const python = "/usr/bin/python3"
	if err := exec.Command(python, "-c", "import prometheus_client").Run(); err != nil {
		if os.Getenv("MUSTER_TEST_ALL") == "1" {
			t.Fatalf("python3-prometheus-client: %v", err)
		}
		t.Skipf("python3-prometheus-client: %v", err)
	}
	cmd := exec.Command(python, "-c", reader, format)
	var out, fault bytes.Buffer
	cmd.Stdin, cmd.Stdout, cmd.Stderr = strings.NewReader(page), &out, &fault
	if err := cmd.Run(); err != nil {
		t.Fatalf("%s: %v: %s", format, err, fault.String())
	}
	var all map[string]heard
	if err := json.Unmarshal(out.Bytes(), &all); err != nil {
		t.Fatal(err)
	}
	return all
}

var formats = map[string]string{"text": "text/plain", "open": "application/openmetrics-text;version=1.0.0"}

// TestAnyText: labels, helps and values come back from independent readers as they were put, whatever is in them.
func TestAnyText(t *testing.T) {
	text := rapid.StringOf(rapid.OneOf(rapid.Rune(), rapid.SampledFrom([]rune("\n\r\\\"{},= n#\t\u2028"))))
	rng := rand.New(rand.NewPCG(1, 2))
	want := map[string]heard{}
	var fill []Collector
	for i := range 300 {
		help := "x" + text.Example(i) + "x" // readers may trim it
		g, c := Gauge(fmt.Sprintf("g%d", i), help, "b", "a", "c"), Counter(fmt.Sprintf("c%d_total", i), help)
		n := rng.Uint64N(1 << 53)
		gauge := heard{"gauge", help, nil}
		fill = append(fill, func(p *Page) { p.Count(c, n) })
		for j := range 5 {
			v, a, b, k := math.Ldexp(rng.Float64()-0.5, rng.IntN(80)-40), text.Example(i*5+j), strconv.Itoa(j), text.Example(i+j)
			fill = append(fill, func(p *Page) { p.Put(g, v, b, a, k) })
			gauge.Series = append(gauge.Series, heardSeries{fmt.Sprintf("g%d", i), [][2]string{{"a", a}, {"b", b}, {"c", k}}, value(v)})
		}
		want[fmt.Sprintf("g%d", i)] = gauge
		want[fmt.Sprintf("c%d", i)] = heard{"counter", help, []heardSeries{{fmt.Sprintf("c%d_total", i), [][2]string{}, value(float64(n))}}}
	}
	for format, accept := range formats {
		got := understood(t, format, ask(t, Handler(fill...), "Accept", accept).Body.String())
		for _, f := range got {
			for i := range f.Series {
				v, err := strconv.ParseFloat(f.Series[i].Value, 64)
				if err != nil {
					t.Fatal(err)
				}
				f.Series[i].Value = value(v)
			}
			slices.SortFunc(f.Series, func(a, b heardSeries) int { return strings.Compare(a.Labels[1][1], b.Labels[1][1]) })
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("%s:\n%s", format, d)
		}
	}
}

func value(v float64) string { return strconv.FormatFloat(v, 'x', -1, 64) }

// TestProgram: the strict readers take this program's page, which has the metrics that dashboards for Go programs and processes use.
func TestProgram(t *testing.T) {
	for format, accept := range formats {
		page := ask(t, Handler(Runtime, Process), "Accept", accept).Body.String()
		got := understood(t, format, page)
		for _, name := range []string{"go_goroutines", "go_threads", "go_info", "go_gc_duration_seconds", "go_memstats_alloc_bytes", "go_memstats_heap_inuse_bytes",
			"process_resident_memory_bytes", "process_cpu_seconds", "process_open_fds", "process_max_fds", "process_start_time_seconds"} {
			if len(got[name].Series) == 0 && (runtime.GOOS == "linux" || strings.HasPrefix(name, "go_")) {
				t.Errorf("%s: no %s in\n%s", format, name, page)
			}
		}
	}
}

// values are the series of a page by name and labels.
func values(t *testing.T, c Collector) map[string]float64 {
	t.Helper()
	all := map[string]float64{}
	for line := range strings.Lines(ask(t, Handler(c)).Body.String()) {
		if name, text, ok := strings.Cut(strings.TrimSpace(line), " "); ok && name != "#" {
			v, err := strconv.ParseFloat(text, 64)
			if err != nil {
				t.Fatal(err)
			}
			all[name] = v
		}
	}
	return all
}

// TestRuntime: what only grows lies between what the runtime's older way of asking tells before and afterwards.
func TestRuntime(t *testing.T) {
	defer debug.SetGCPercent(debug.SetGCPercent(-1))
	runtime.GC()
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	got := values(t, Runtime)
	runtime.ReadMemStats(&after)
	for name, of := range map[string]func(*runtime.MemStats) uint64{
		"go_memstats_alloc_bytes_total":    func(m *runtime.MemStats) uint64 { return m.TotalAlloc },
		"go_memstats_alloc_bytes":          func(m *runtime.MemStats) uint64 { return m.Alloc },
		"go_memstats_heap_alloc_bytes":     func(m *runtime.MemStats) uint64 { return m.HeapAlloc },
		"go_memstats_heap_sys_bytes":       func(m *runtime.MemStats) uint64 { return m.HeapSys },
		"go_memstats_heap_objects":         func(m *runtime.MemStats) uint64 { return m.HeapObjects },
		"go_memstats_mallocs_total":        func(m *runtime.MemStats) uint64 { return m.Mallocs },
		"go_memstats_frees_total":          func(m *runtime.MemStats) uint64 { return m.Frees },
		"go_memstats_sys_bytes":            func(m *runtime.MemStats) uint64 { return m.Sys },
		"go_memstats_mspan_sys_bytes":      func(m *runtime.MemStats) uint64 { return m.MSpanSys },
		"go_memstats_mcache_sys_bytes":     func(m *runtime.MemStats) uint64 { return m.MCacheSys },
		"go_memstats_buck_hash_sys_bytes":  func(m *runtime.MemStats) uint64 { return m.BuckHashSys },
		"go_memstats_last_gc_time_seconds": func(m *runtime.MemStats) uint64 { return m.LastGC / 1e9 },
	} {
		low, high := float64(of(&before)), float64(of(&after))
		if v := math.Floor(got[name]); v < low || v > high {
			t.Errorf("%s is %f, before it was %f, then %f", name, v, low, high)
		}
	}
	if n := got["go_gc_duration_seconds_count"]; n != float64(after.NumGC) || got[`go_gc_duration_seconds{quantile="1"}`] <= 0 {
		t.Errorf("%v pauses of %d", n, after.NumGC)
	}
}

// TestProcess: a process as /proc has it, one without limits and with a name that looks like fields; and nothing where there is no /proc.
func TestProcess(t *testing.T) {
	got := values(t, func(p *Page) { process(p, "testdata/proc") })
	want := map[string]float64{"process_cpu_seconds_total": 12.34, "process_start_time_seconds": 1_700_000_123.45, "process_virtual_memory_bytes": 1_271_500_800,
		"process_resident_memory_bytes": float64(5000 * os.Getpagesize()), "process_open_fds": 2, "process_max_fds": 1024,
		"process_virtual_memory_max_bytes": 1 << 64, "process_network_receive_bytes_total": 5545436021, "process_network_transmit_bytes_total": 4793588404}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	if got := values(t, func(p *Page) { process(p, "testdata/none") }); len(got) != 0 {
		t.Errorf("%v", got)
	}
}

// TestProcessHere: this process as ps (procps) sees it.
func TestProcessHere(t *testing.T) {
	if runtime.GOOS != "linux" {
		t.Skip("/proc is Linux's")
	}
	ps := func(what string) float64 {
		t.Helper()
		out, err := exec.Command("ps", "-o", what+"=", "-p", strconv.Itoa(os.Getpid())).Output()
		if errors.Is(err, exec.ErrNotFound) && os.Getenv("MUSTER_TEST_ALL") != "1" {
			t.Skipf("ps (procps): %v", err)
		}
		if err != nil {
			t.Fatalf("ps: %v", err)
		}
		v, err := strconv.ParseFloat(strings.TrimSpace(string(out)), 64)
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	now := func() float64 { return float64(time.Now().UnixMilli()) / 1e3 }
	low, earliest := ps("cputimes"), now()
	since, latest := ps("etimes"), now()
	got := values(t, Process)
	if cpu := got["process_cpu_seconds_total"]; cpu < low || cpu > ps("cputimes")+1 {
		t.Errorf("%f s of processor time, %f by ps", cpu, low)
	}
	// Both are rounded to seconds, the second by what it counts from; and ps takes its time.
	if begun := got["process_start_time_seconds"]; begun < earliest-since-2 || begun > latest-since+2 {
		t.Errorf("begun at %f, by ps from %f to %f", begun, earliest-since, latest-since)
	}
	for metric, what := range map[string]string{"process_resident_memory_bytes": "rss", "process_virtual_memory_bytes": "vsz"} {
		if kb := ps(what); got[metric] < kb*1024/2 || got[metric] > kb*1024*2 {
			t.Errorf("%s is %f, %f kB by ps", metric, got[metric], kb)
		}
	}
}
