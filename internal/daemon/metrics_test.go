package daemon

import (
	"errors"
	"fmt"
	"io"
	"maps"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/prometheus/testutil"
	"go.einride.tech/can"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/config"
	"muster/internal/event"
	"muster/internal/hosttest"
	"muster/internal/tap"
	"muster/internal/transport"
	"muster/pgn"
)

// played is a daemon that has received a capture, with everything that has metrics; nothing of it runs.
func played(t testing.TB, file string) *Daemon {
	t.Helper()
	heard := eventsOf(t, file)
	now := heard[0].Time
	opt := options("127.0.0.1:0", map[string]tap.Source{"can0": &sendingFake{fakeSource: newFake(nil)}}, "can0")
	opt.Now = func() time.Time { return now.UTC() }
	opt.Config.StateDir = t.TempDir()
	opt.Config.Sources[0].Ask = true
	opt.Config.Boat = boat.Identity{ID: "sandpiper", Name: "Sandpiper"}
	opt.Config.Fleet.URL = []string{"nats://127.0.0.1:1"}
	d, err := New(t.Context(), opt)
	if err != nil {
		t.Fatal(err)
	}
	list := []*notifier{d.notifiers.newNotifier(config.Target{ID: "office", Webhook: "http://127.0.0.1:9/"}),
		d.notifiers.newNotifier(config.Target{ID: "am", Alertmanager: "http://127.0.0.1:9", MinSeverity: check.Warning})}
	d.notifiers.targets.Store(&list)
	served := make(chan error, 1)
	go func() { served <- d.web.Serve() }()
	t.Cleanup(func() {
		http.DefaultClient.CloseIdleConnections()
		if err := errors.Join(d.Stop(), <-served); err != nil {
			t.Error(err)
		}
	})
	for i := range heard {
		for ; now < heard[i].Time.Add(-time.Second); now = now.Add(time.Second) {
			d.model.watch.Advance(now.Add(-lateness))
			d.model.publish()
		}
		if err := d.model.feed(d.sources.inputs()[0], heard[i:i+1]); err != nil {
			t.Fatal(err)
		}
	}
	d.model.publish()
	d.sources.inputs()[0].up.Store(true)
	d.sources.inputs()[0].frames.Store(uint64(len(heard)))
	d.sources.inputs()[0].lastSeen.Store(int64(now))
	d.keeper.write()
	return d
}

// eventsOf are all events of a capture.
func eventsOf(t testing.TB, file string) (all []event.Event) {
	t.Helper()
	src, err := tap.Open(file, tap.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer src.Close()
	events := make([]event.Event, batchEvents)
	for err == nil {
		var n int
		n, err = src.Read(events)
		all = append(all, events[:n]...)
	}
	if err != io.EOF || len(all) == 0 {
		t.Fatalf("%s: %d events, %v", file, len(all), err)
	}
	return all
}

// scrape is the page of metrics.
func scrape(t testing.TB, d *Daemon) string {
	t.Helper()
	resp, err := http.Get(d.URL() + "/metrics")
	if err != nil {
		t.Fatal(err)
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != http.StatusOK {
		t.Fatalf("%s: %v", resp.Status, err)
	}
	return string(text)
}

var (
	foreignMetrics = regexp.MustCompile(`(?m)^(# (HELP|TYPE) )?(go|process|promhttp)_.*\n`)
	measured       = regexp.MustCompile(`(?m)^(muster_report_seconds_total|muster_report_duration_seconds_(?:sum|bucket\{le="[0-9.]+"\})|` +
		`muster_store_bytes|muster_store_written_bytes_total) .*$`)
)

// TestMetricsPage: the whole page of a fixed replay, and neither the library nor promtool finds fault with it. What this run measured is
// left out.
func TestMetricsPage(t *testing.T) {
	d := played(t, "testdata/boat.log")
	text := scrape(t, d)
	problems, err := testutil.CollectAndLint(d.counts)
	if err != nil || len(problems) > 0 {
		t.Errorf("names: %v %v", problems, err)
	}
	if path, err := exec.LookPath("promtool"); err == nil {
		lint := exec.Command(path, "check", "metrics")
		lint.Stdin = strings.NewReader(text)
		if out, err := lint.CombinedOutput(); err != nil || len(out) > 0 {
			t.Errorf("promtool check metrics: %v: %s", err, out)
		}
	} else {
		program(t, "promtool", "prometheus")
	}
	text = measured.ReplaceAllString(foreignMetrics.ReplaceAllString(text, ""), "$1 measured")
	golden(t, hosttest.Testdata(t, "evidence/metrics-boat.txt"), []byte(text))
}

// metricRows are the metrics of a page, as a table: name, kind, labels, meaning.
func metricRows(t *testing.T, page string) map[string]string {
	t.Helper()
	kinds, helps, labels := map[string]string{}, map[string]string{}, map[string]string{}
	for line := range strings.Lines(page) {
		line = strings.TrimSpace(line)
		name, rest, _ := strings.Cut(strings.TrimPrefix(strings.TrimPrefix(line, "# HELP "), "# TYPE "), " ")
		switch {
		case strings.HasPrefix(line, "# HELP "):
			helps[name] = rest
		case strings.HasPrefix(line, "# TYPE "):
			kinds[name] = rest
		default:
			name, set, _ := strings.Cut(line, "{")
			var names []string
			for _, m := range labelName.FindAllStringSubmatch(set, -1) {
				if m[1] != "le" { // the upper bound of a histogram's bucket
					names = append(names, "`"+m[1]+"`")
				}
			}
			if set != "" {
				labels[strings.TrimSuffix(name, "_bucket")] = strings.Join(names, ", ")
			}
		}
	}
	rows := map[string]string{}
	for name, help := range helps {
		rows[name] = fmt.Sprintf("| `%s` | %s | %s | %s |\n", name, kinds[name], labels[name], help)
	}
	return rows
}

var (
	labelName = regexp.MustCompile(`([a-z]+)="`)
	declared  = regexp.MustCompile(`prometheus\.NewDesc\("([^"]+)",\s*"([^"]+)"`)
)

// TestMetricsTable: deploy/metrics.md lists every metric of the boat and of the hub, and no other, and what its
// labels hold.
func TestMetricsTable(t *testing.T) {
	const file = "../../deploy/metrics.md"
	read := func(file string) string {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	boat := metricRows(t, read(hosttest.Testdata(t, "evidence/metrics-boat.txt")))
	// Exported only once the hub has answered.
	boat["muster_fleet_last_ack_timestamp_seconds"] = "| `muster_fleet_last_ack_timestamp_seconds` | gauge |  | When the hub's stream last stored a message; absent before the first. |\n"
	hub := metricRows(t, foreignMetrics.ReplaceAllString(read(hosttest.Testdata(t, "evidence/metrics-hub.txt")), ""))
	for file, rows := range map[string]map[string]string{"metrics.go": boat, "../api/metrics.go": boat, "../fleet/pages/metrics.go": hub} {
		all := declared.FindAllStringSubmatch(read(file), -1)
		if len(all) == 0 {
			t.Errorf("%s describes no metric", file)
		}
		for _, m := range all {
			if !strings.Contains(rows[m[1]], "| "+m[2]+" |") {
				t.Errorf("%s is not on the golden page, or with other words", m[1])
			}
		}
	}

	text := read(file)
	for _, part := range []struct {
		head string
		rows map[string]string
	}{{"## The boat\n", boat}, {"## The hub\n", hub}} {
		const columns = "\n| name | kind | labels | meaning |\n| --- | --- | --- | --- |\n"
		before, rest, ok := strings.Cut(text, part.head+columns)
		end := strings.Index(rest, "\n## ")
		if !ok || end < 0 {
			t.Fatalf("%s has no %q with its table", file, part.head)
		}
		table := ""
		for _, name := range slices.Sorted(maps.Keys(part.rows)) {
			table += part.rows[name]
			for _, m := range regexp.MustCompile("`([a-z]+)`[,| ]").FindAllStringSubmatch(part.rows[name], -1) {
				if !strings.Contains(text, "\n| `"+m[1]+"` | ") {
					t.Errorf("%s does not say what the label %s of %s holds", file, m[1], name)
				}
			}
		}
		if *update {
			text = before + part.head + columns + table + rest[end:]
			continue
		}
		if d := cmp.Diff(table, rest[:end]); d != "" {
			t.Errorf("%s is not what the code tells; go test ./internal/daemon -run TestMetricsTable -update writes it anew:\n%s", file, d)
		}
	}
	if *update {
		if err := os.WriteFile(file, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
}

// TestMetricsAreBounded: on a bus with 252 devices that are new ones and send new texts over and over, the series
// exported in one run stay within the bound, and those left out are counted.
func TestMetricsAreBounded(t *testing.T) {
	opt := options("127.0.0.1:0", map[string]tap.Source{"can0": newFake(nil)}, "can0")
	now := t0
	opt.Now = func() time.Time { return now.UTC() }
	d, err := New(t.Context(), opt)
	if err != nil {
		t.Fatal(err)
	}
	served := make(chan error, 1)
	go func() { served <- d.web.Serve() }()
	defer func() {
		http.DefaultClient.CloseIdleConnections()
		if err := errors.Join(d.Stop(), <-served); err != nil {
			t.Error(err)
		}
	}()
	feed := func(e event.Event) {
		if err := d.model.feed(d.sources.inputs()[0], []event.Event{e}); err != nil {
			t.Fatal(err)
		}
	}
	feed(network(now, "can0", false))
	series, leftOut := map[string]bool{}, 0
	var frames []can.Frame
	for round := range 12 {
		for src := range uint8(252) {
			now = now.Add(time.Millisecond)
			name := nameA + pgn.NAME(src) + pgn.NAME(round/2)<<8 // a new NAME every second round, a new text every round
			feed(claim(now, name, src))
			p := pgn.ProductInformation{Model: fmt.Sprintf("\xff\"\n%d %d", round, src), SoftwareVersion: fmt.Sprint(round)}
			frames, _ = transport.Split(frames[:0], pgn.MakeID(6, 126996, src, pgn.Global), uint8(round%8), p.Append(nil))
			for _, f := range frames {
				feed(event.Event{Time: now, Kind: event.KindFrame, Frame: f})
			}
		}
		now = now.Add(time.Second)
		d.model.watch.Advance(now.Add(-lateness))
		d.model.publish()
		for line := range strings.Lines(scrape(t, d)) {
			name, value, ok := strings.Cut(strings.TrimSpace(line), "} ")
			if n, isCount := strings.CutPrefix(strings.TrimSpace(line), "muster_devices_left_out "); isCount {
				leftOut, _ = strconv.Atoi(n)
			}
			if ok && value != "" && strings.HasPrefix(name, "muster_") {
				series[name] = true
			}
		}
	}
	// Each info and last message at most once for each admitted device, and what does not come from devices.
	if n := len(series); n < 1000 || n > 2*1000+100 {
		t.Errorf("%d series were told", n)
	}
	if leftOut == 0 {
		t.Error("none was counted as left out")
	}
}

// TestDeliveryDelay: a change that waited counts with its time; one queued while the clock was not set has an unknown
// one.
func TestDeliveryDelay(t *testing.T) {
	server := httptest.NewServer(&receiver{})
	defer server.Close()
	b := newBoard(t, "", time.Unix(60, 0))
	hook := b.d.notifiers.newNotifier(config.Target{ID: "hook", Webhook: server.URL})
	defer hook.client.CloseIdleConnections()
	for _, queued := range []time.Time{time.Unix(60, 0), t0.UTC()} {
		b.set(queued)
		body, err := b.d.notifiers.message(&noted{Change: change(alert.Raised, "a", false)})
		if err != nil {
			t.Fatal(err)
		}
		b.d.keeper.store.Queue("hook", body)
		b.d.keeper.write()
		b.set(queued.Add(90 * time.Second))
		if err := hook.postChanges(t.Context()); err != nil {
			t.Fatal(err)
		}
	}
	want := `# HELP muster_delivery_delay_seconds Time from a change of an alert until it no longer waited for the target.
# TYPE muster_delivery_delay_seconds histogram
muster_delivery_delay_seconds_bucket{target="hook",le="1"} 0
muster_delivery_delay_seconds_bucket{target="hook",le="2"} 0
muster_delivery_delay_seconds_bucket{target="hook",le="5"} 0
muster_delivery_delay_seconds_bucket{target="hook",le="15"} 0
muster_delivery_delay_seconds_bucket{target="hook",le="60"} 0
muster_delivery_delay_seconds_bucket{target="hook",le="300"} 1
muster_delivery_delay_seconds_bucket{target="hook",le="900"} 1
muster_delivery_delay_seconds_bucket{target="hook",le="3600"} 1
muster_delivery_delay_seconds_bucket{target="hook",le="21600"} 1
muster_delivery_delay_seconds_bucket{target="hook",le="86400"} 1
muster_delivery_delay_seconds_bucket{target="hook",le="+Inf"} 1
muster_delivery_delay_seconds_sum{target="hook"} 90
muster_delivery_delay_seconds_count{target="hook"} 1
`
	if err := testutil.CollectAndCompare(b.d.counts, strings.NewReader(want), "muster_delivery_delay_seconds"); err != nil {
		t.Error(err)
	}
}

// BenchmarkScrape: one scrape of the page of a small boat over a kept connection, plain and packed as Prometheus asks for it.
func BenchmarkScrape(b *testing.B) {
	d := played(b, "testdata/boat.log")
	for _, encoding := range []string{"identity", "gzip"} {
		b.Run(encoding, func(b *testing.B) {
			b.ReportAllocs()
			read := int64(0)
			for b.Loop() {
				req, err := http.NewRequestWithContext(b.Context(), "GET", d.URL()+"/metrics", nil)
				if err != nil {
					b.Fatal(err)
				}
				req.Header.Set("Accept-Encoding", encoding)
				resp, err := http.DefaultClient.Do(req)
				if err != nil {
					b.Fatal(err)
				}
				n, err := io.Copy(io.Discard, resp.Body)
				if err = errors.Join(err, resp.Body.Close()); err != nil || resp.StatusCode != http.StatusOK {
					b.Fatalf("%s: %v", resp.Status, err)
				}
				read = n
			}
			b.ReportMetric(float64(read), "B/page")
		})
	}
}
