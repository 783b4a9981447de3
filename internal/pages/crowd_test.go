package pages_test

import (
	"bufio"
	"fmt"
	"io"
	"net/http"
	"regexp"
	"runtime"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"muster/internal/daemon/daemontest"
	"muster/internal/ui/webtest"
)

// TestCrowd: two hundred open pages on a saturated bus cost no frame. Each page follows the report and fetches what it
// shows when there is a newer one; every tenth shows the traffic.
func TestCrowd(t *testing.T) {
	if testing.Short() {
		t.Skip("short")
	}
	const pages = 200
	d := daemontest.Demo(t, "saturated", 1, nil)
	daemontest.Until(t, "the bus is busy", func() bool { r := d.Report(); return len(r.Networks) > 0 && r.Networks[0].Frames > 2000 })
	client := &http.Client{Transport: &http.Transport{MaxConnsPerHost: 2 * pages, MaxIdleConnsPerHost: pages}}
	defer client.CloseIdleConnections()
	var before, after runtime.MemStats
	runtime.GC()
	runtime.ReadMemStats(&before)
	var events, bytes atomic.Int64
	var open sync.WaitGroup
	done := make(chan struct{})
	began := d.Report()
	for i := range pages {
		open.Go(func() {
			path, page := "/api/v1/events", "/"
			if i%10 == 0 {
				path, page = "/api/v1/messages/stream?latest=true", ""
			}
			resp, err := client.Get(d.URL() + path)
			if err != nil {
				t.Error(err)
				return
			}
			defer resp.Body.Close()
			if resp.StatusCode != http.StatusOK {
				t.Error(resp.Status)
				return
			}
			lines := bufio.NewReaderSize(resp.Body, 64<<10)
			for {
				line, err := lines.ReadString('\n')
				if err != nil {
					t.Errorf("the stream ended: %v", err)
					return
				}
				select {
				case <-done:
					return
				default:
				}
				bytes.Add(int64(len(line)))
				if !strings.HasPrefix(line, "event: ") {
					continue
				}
				events.Add(1)
				if page == "" {
					continue
				}
				got, err := client.Get(d.URL() + page)
				if err != nil {
					t.Error(err)
					return
				}
				n, _ := io.Copy(io.Discard, got.Body)
				got.Body.Close()
				bytes.Add(n)
			}
		})
	}
	daemontest.Until(t, "the pages have had ten events each", func() bool { return events.Load() >= 10*pages })
	runtime.ReadMemStats(&after)
	close(done)
	open.Wait()
	r := d.Report()
	span := r.TakenAt.Sub(began.TakenAt)
	frames := r.Networks[0].Frames - began.Networks[0].Frames
	t.Logf("%d pages for %v: %d frames (%.0f/s), %d events, %.1f MB sent; heap %.1f MB before, %.1f MB with them (both ends of each connection)",
		pages, span.Round(time.Millisecond), frames, float64(frames)/span.Seconds(), events.Load(), float64(bytes.Load())/1e6,
		float64(before.HeapAlloc)/1e6, float64(after.HeapAlloc)/1e6)
	for _, n := range r.Networks {
		if n.Faults.Dropped > 0 {
			t.Errorf("%s lost %d frames", n.ID, n.Faults.Dropped)
		}
	}
	if text := string(webtest.Fetch(t, d.URL()+"/metrics")); !strings.Contains(text, "muster_source_queue_dropped_total{source=\"sim:saturated\"} 0\n") {
		t.Error("the queue lost events, or does not say so")
	}
}

var staticFile = regexp.MustCompile(`(?:src|href)="(/static/[^"]+)"`)

// TestFirstPage measures what a browser loads first, as it goes over the network: the page, and what it names.
func TestFirstPage(t *testing.T) {
	for _, scenario := range []string{"demo", "faults", "fifty"} {
		d := daemontest.Demo(t, scenario, 20, nil)
		daemontest.Until(t, "two minutes passed", func() bool { r := d.Report(); return r.Window.To.Sub(r.Window.From) > 2*time.Minute })
		paths := []string{"/"}
		for _, m := range staticFile.FindAllStringSubmatch(string(webtest.Fetch(t, d.URL()+"/")), -1) {
			paths = append(paths, m[1])
		}
		sum := 0
		for _, path := range paths {
			resp, sent := webtest.Get(t, d.URL()+path, "Accept-Encoding", "gzip")
			t.Logf("%-20s %6d bytes %s", path, len(sent), resp.Header.Get("Content-Encoding"))
			sum += len(sent)
		}
		if len(paths) < 4 || sum > 62_000 {
			t.Errorf("%s: the first page is %d bytes in all in %d files, more than 62 kB", scenario, sum, len(paths))
		}
	}
}

// BenchmarkBoatPage is the server's time for the first page of the demo, rendered again each time.
func BenchmarkBoatPage(b *testing.B) {
	d := daemontest.Demo(b, "demo", 20, nil)
	daemontest.Until(b, "the displays differ", func() bool { return daemontest.OpenAlert(d, "software-differs") })
	n := 0
	b.ReportAllocs()
	for b.Loop() {
		n++
		webtest.Fetch(b, fmt.Sprintf("%s/?n=%d", d.URL(), n))
	}
}
