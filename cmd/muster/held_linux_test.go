package main

import (
	"bufio"
	"cmp"
	"encoding/binary"
	"flag"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/http/httputil"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"golang.org/x/sys/unix"

	"muster/internal/event"
	"muster/internal/sim"
)

var (
	heldSpan   = flag.Duration("span", time.Minute, "how long BenchmarkHeld watches the daemon with each kind of reader")
	heldGather = flag.Duration("gather", 100*time.Millisecond, "how long BenchmarkHeld lets frames gather for one datagram; 0 for a frame each")
	heldMuster = flag.String("program", "", "program that BenchmarkHeld runs, instead of one built as it is shipped")
)

// BenchmarkHeld runs the program as it is shipped on a bus at 95 % load, with a store, and prints what it holds and what share of a core it
// takes: with no reader, with the two streams of the front page and the traffic page, and with these pages open in Chromium. Before the
// streams every page and the API's description are opened one after another, and then all of them at once by four readers.
func BenchmarkHeld(b *testing.B) {
	dir := b.TempDir()
	muster := *heldMuster
	if muster == "" {
		muster = filepath.Join(dir, "muster")
		if out, err := exec.Command("go", "build", "-trimpath", "-ldflags=-s -w", "-o", muster, ".").CombinedOutput(); err != nil {
			b.Fatalf("build muster: %v: %s", err, out)
		}
	}
	for b.Loop() {
		d := beginHeld(b, muster, dir)
		stop := make(chan struct{})
		var sender sync.WaitGroup
		sender.Go(func() { d.send(b, stop) })
		time.Sleep(10 * time.Second) // until the devices have reported who they are
		d.watch(b, "no reader")

		d.every(b)
		ctx := b.Context()
		streams := make([]io.Closer, 0, 2)
		for _, path := range []string{"api/v1/events", "api/v1/messages/stream?latest=true"} {
			req, err := http.NewRequestWithContext(ctx, http.MethodGet, d.url+path, nil)
			if err != nil {
				b.Fatal(err)
			}
			resp, err := http.DefaultClient.Do(req)
			if err != nil {
				b.Fatal(err)
			}
			streams = append(streams, resp.Body)
			go func() { _, _ = io.Copy(io.Discard, resp.Body) }()
		}
		d.watch(b, "two streams")
		for _, s := range streams {
			s.Close()
		}

		if chromium, err := exec.LookPath("chromium"); err != nil {
			b.Log("pages in Chromium: left out: chromium is not installed")
		} else {
			d.pages(b, chromium, dir)
		}
		close(stop)
		sender.Wait()
		if err := d.cmd.Process.Signal(os.Interrupt); err != nil {
			b.Fatal(err)
		}
		if err := d.cmd.Wait(); err != nil {
			b.Fatal(err)
		}
	}
}

// held is a daemon that is watched from outside.
type held struct {
	cmd    *exec.Cmd
	url    string
	bus    string // where it takes datagrams of frames
	frames atomic.Uint64
}

// beginHeld starts the program and waits until it answers.
func beginHeld(b *testing.B, muster, dir string) *held {
	bus, err := net.ListenPacket("udp4", "127.0.0.1:0") // a port that is free
	if err != nil {
		b.Fatal(err)
	}
	d := &held{bus: bus.LocalAddr().String()}
	bus.Close()
	state, err := os.MkdirTemp(dir, "state")
	if err != nil {
		b.Fatal(err)
	}
	config := filepath.Join(state, "muster.yaml")
	text := fmt.Sprintf("boat: {id: wagtail, name: Wagtail}\nsources:\n  - source: udp:%s\nlisten: 127.0.0.1:0\nstate_dir: %s\n", d.bus, state)
	if err := os.WriteFile(config, []byte(text), 0o600); err != nil {
		b.Fatal(err)
	}
	d.cmd = exec.Command(muster, "run", "--config", config)
	log, err := d.cmd.StderrPipe()
	if err != nil {
		b.Fatal(err)
	}
	began := time.Now()
	if err := d.cmd.Start(); err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = d.cmd.Process.Kill() })
	lines := bufio.NewScanner(log)
	for d.url == "" {
		if !lines.Scan() {
			b.Fatalf("the daemon ended: %v", d.cmd.Wait())
		}
		if at := regexp.MustCompile(`http://[0-9.:]+`).FindString(lines.Text()); at != "" {
			d.url = at + "/"
		}
	}
	go func() {
		for lines.Scan() {
		}
	}()
	d.get(b, "-/healthy")
	fmt.Printf("\nanswers %.1f ms after its start, %.1f ms of processor time\n", time.Since(began).Seconds()*1e3, d.used(b).Seconds()*1e3)
	fmt.Printf("%-12s %8s %8s %8s %9s %8s %9s %9s %7s  %s\n", "readers", "CPU", "frames", "RSS", "anon", "file", "most RSS", "heap used", "gorout.", "heap held, free, GCs, stacks, other")
	return d
}

// send feeds the daemon a full bus at the clock's pace until stop is closed.
func (d *held) send(b *testing.B, stop chan struct{}) {
	scenario, err := sim.Load(b.Context(), "saturated")
	if err != nil {
		b.Error(err)
		return
	}
	to, err := net.Dial("udp4", d.bus)
	if err != nil {
		b.Error(err)
		return
	}
	defer to.Close()
	s := sim.New(scenario, 1, event.At(time.Now()))
	events := make([]event.Event, 4096)
	var datagram []byte
	tick := time.NewTicker(cmp.Or(*heldGather, 500*time.Microsecond))
	defer tick.Stop()
	for {
		select {
		case <-stop:
			return
		case <-tick.C:
		}
		n, err := s.ReadUntil(event.At(time.Now()), events)
		if err != nil {
			b.Error(err)
			return
		}
		for i := range events[:n] {
			e := &events[i]
			if e.Kind != event.KindFrame {
				continue
			}
			const extended = 1 << 31 // of a struct can_frame, see linux/can.h
			datagram = binary.LittleEndian.AppendUint32(datagram, e.Frame.ID|extended)
			datagram = append(datagram, e.Frame.Length, 0, 0, 0)
			datagram = append(datagram, e.Frame.Data[:]...)
			d.frames.Add(1)
			if *heldGather == 0 || len(datagram) > 32<<10 {
				_, _ = to.Write(datagram)
				datagram = datagram[:0]
			}
		}
		if len(datagram) > 0 {
			_, _ = to.Write(datagram)
			datagram = datagram[:0]
		}
	}
}

// pages watches the daemon with its two live pages open in browsers, which reach it through a relay that counts.
func (d *held) pages(b *testing.B, chromium, dir string) {
	at, err := url.Parse(d.url)
	if err != nil {
		b.Fatal(err)
	}
	listener, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		b.Fatal(err)
	}
	var streams, fetched atomic.Int64
	relay := httputil.NewSingleHostReverseProxy(at)
	relay.FlushInterval = -1
	server := &http.Server{Handler: http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		switch r.URL.Path {
		case "/":
			fetched.Add(1)
		case "/api/v1/events", "/api/v1/messages/stream":
			streams.Add(1)
			defer streams.Add(-1)
		}
		relay.ServeHTTP(w, r)
	})}
	go func() { _ = server.Serve(listener) }()
	defer server.Close()
	for i, page := range []string{"/", "/traffic"} {
		browser := exec.Command(chromium, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--disable-sync", "--no-first-run",
			"--disable-background-networking", "--disable-component-update", "--remote-debugging-port=0",
			fmt.Sprint("--user-data-dir=", dir, "/browser", i), "http://"+listener.Addr().String()+page)
		if err := browser.Start(); err != nil {
			b.Fatal(err)
		}
		defer func() {
			_ = browser.Process.Signal(unix.SIGTERM)
			_ = browser.Wait()
		}()
	}
	for range 300 {
		if streams.Load() >= 2 {
			break
		}
		time.Sleep(100 * time.Millisecond)
	}
	before := fetched.Load()
	d.watch(b, "two pages")
	fmt.Printf("%d streams open, the front page fetched anew %d times\n", streams.Load(), fetched.Load()-before)
	if streams.Load() < 2 {
		b.Error("the pages were not open all the time")
	}
}

// every opens all pages, and prints what they make the daemon hold for a moment.
func (d *held) every(b *testing.B) {
	d.forgetMost(b)
	device := regexp.MustCompile(`devices/[0-9A-F]{16}`).FindString(d.get(b, ""))
	paths := []string{"", device, "network", "work", "proof", "traffic", "silences", "backbone/edit", "metrics", "api/v1/report",
		"api/v1/openapi.json", "api/v1/schemas/BoatReport.json"}
	for _, path := range paths {
		d.get(b, path)
	}
	one := d.memory(b)["VmHWM"]
	var all sync.WaitGroup
	for range 4 {
		for _, path := range paths {
			all.Go(func() {
				if _, err := d.fetch(path); err != nil {
					b.Error(err)
				}
			})
		}
	}
	all.Wait()
	fmt.Printf("every page opened: most RSS one after another %.1f MB, four times at once %.1f MB\n", one/1e6, d.memory(b)["VmHWM"]/1e6)
}

// forgetMost lets the most that the process held begin again: see clear_refs in proc(5).
func (d *held) forgetMost(b *testing.B) {
	if err := os.WriteFile(fmt.Sprintf("/proc/%d/clear_refs", d.cmd.Process.Pid), []byte("5"), 0); err != nil {
		b.Fatal(err)
	}
}

// get reads one page to its end.
func (d *held) get(b *testing.B, path string) string {
	b.Helper()
	text, err := d.fetch(path)
	if err != nil {
		b.Fatal(err)
	}
	return text
}

func (d *held) fetch(path string) (string, error) {
	resp, err := http.Get(d.url + path)
	if err != nil {
		return "", err
	}
	defer resp.Body.Close()
	text, err := io.ReadAll(resp.Body)
	if err != nil || resp.StatusCode != http.StatusOK {
		return "", fmt.Errorf("/%s: %s %v", path, resp.Status, err)
	}
	return string(text), nil
}

// watch waits and prints one line of the table.
func (d *held) watch(b *testing.B, readers string) {
	time.Sleep(2 * time.Second)
	d.forgetMost(b)
	before, frames, began := d.used(b), d.frames.Load(), time.Now()
	time.Sleep(*heldSpan)
	took := time.Since(began).Seconds()
	share := 100 * (d.used(b) - before).Seconds() / took
	m := d.memory(b)
	of := map[string]float64{}
	for line := range strings.Lines(d.get(b, "metrics")) {
		var v float64
		if name, value, ok := strings.Cut(line, " "); ok && strings.HasPrefix(name, "go_") {
			if _, err := fmt.Sscan(value, &v); err == nil {
				of[strings.TrimPrefix(name, "go_")] = v
			}
		}
	}
	mb := func(name string) float64 { return of["memstats_"+name] / 1e6 }
	fmt.Printf("%-12s %6.2f %% %6.0f/s %5.1f MB %6.1f MB %5.1f MB %6.1f MB %6.1f MB %7.0f  %.1f, %.1f MB, %.0f, %.1f, %.1f MB\n", readers, share,
		float64(d.frames.Load()-frames)/took, m["VmRSS"]/1e6, m["RssAnon"]/1e6, m["RssFile"]/1e6, m["VmHWM"]/1e6,
		mb("heap_alloc_bytes"), of["goroutines"], mb("heap_inuse_bytes"), mb("heap_idle_bytes")-mb("heap_released_bytes"),
		of["gc_duration_seconds_count"], mb("stack_inuse_bytes"), mb("sys_bytes")-mb("heap_sys_bytes")-mb("stack_inuse_bytes"))
	b.ReportMetric(share, "%-of-a-core-"+strings.ReplaceAll(readers, " ", "-"))
}

// memory is what proc(5) reports of the process, in bytes.
func (d *held) memory(b *testing.B) map[string]float64 {
	text, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", d.cmd.Process.Pid))
	if err != nil {
		b.Fatal(err)
	}
	m := map[string]float64{}
	for line := range strings.Lines(string(text)) {
		var kB float64
		if name, value, ok := strings.Cut(line, ":"); ok {
			if _, err := fmt.Sscan(value, &kB); err == nil {
				m[name] = kB * 1024
			}
		}
	}
	return m
}

// used is the processor time of the daemon so far, its own and the kernel's for it, from the clock of its process: see clock_getcpuclockid(3).
func (d *held) used(b *testing.B) time.Duration {
	var t unix.Timespec
	if err := unix.ClockGettime(int32(^d.cmd.Process.Pid<<3|2), &t); err != nil {
		b.Fatal(err)
	}
	return time.Duration(t.Nano())
}
