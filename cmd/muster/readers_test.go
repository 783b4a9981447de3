package main

import (
	"bytes"
	"cmp"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"muster/internal/capture"
	"muster/internal/event"
)

var (
	readersFrames = flag.Int("frames", 2_000_000, "frames of the capture that BenchmarkReaders makes")
	readersRuns   = flag.Int("runs", 3, "runs of each reader in BenchmarkReaders; the fastest counts")
)

// A reader is a whole process that reads one capture from its first frame to its last and prints what it understood.
type reader struct {
	name string
	file string // ending of the capture that it reads
	env  string
	args []string // the capture's name goes behind them
}

func readers(muster string) []reader {
	const load = "import can, sys\nfor m in can.LogReader(sys.argv[1]): sys.stdout.write(str(m) + '\\n')"
	return []reader{
		{name: "muster audit", file: ".log", env: "GOMAXPROCS=1", args: []string{muster, "audit", "--format", "json"}},
		{name: "muster audit of pcap", file: ".pcap", env: "GOMAXPROCS=1", args: []string{muster, "audit", "--format", "json"}},
		{name: "muster audit of pcapng", file: ".pcapng", env: "GOMAXPROCS=1", args: []string{muster, "audit", "--format", "json"}},
		{name: "the same of two buses in a log", file: "-two.log", env: "GOMAXPROCS=1", args: []string{muster, "audit", "--format", "json"}},
		{name: "two buses in a pcapng", file: "-two.pcapng", env: "GOMAXPROCS=1", args: []string{muster, "audit", "--format", "json"}},
		{name: "tshark -T fields, J1939", file: ".pcap", args: []string{"tshark", "-d", "can.subdissector,j1939", "-T", "fields",
			"-e", "frame.time_epoch", "-e", "j1939.priority", "-e", "j1939.pgn", "-e", "j1939.src_addr", "-e", "j1939.dst_addr", "-e", "j1939.data", "-r"}},
		{name: "log2asc", file: ".log", args: []string{"log2asc"}},
		{name: "python3-can LogReader", file: ".log", args: []string{"/usr/bin/python3", "-c", load}},
		{name: "wc -l", file: ".log", args: []string{"wc", "-l"}},
	}
}

// cost is what one run of a reader took.
type cost struct {
	wall time.Duration
	cpu  time.Duration // of the user and of the kernel for it; other work on the computer hardly moves it
}

// BenchmarkReaders lets general-purpose readers and muster read the same saturated bus in turn, whole processes with their start and
// their output, and prints the least time and the least CPU of each. Readers that are not installed are named and left out.
func BenchmarkReaders(b *testing.B) {
	dir := b.TempDir()
	muster := filepath.Join(dir, "muster")
	if out, err := exec.Command("go", "build", "-trimpath", "-ldflags=-s -w", "-o", muster, ".").CombinedOutput(); err != nil {
		b.Fatalf("go build: %v: %s", err, out)
	}
	base := filepath.Join(dir, "bus")
	frames := saturated(b, muster, *readersFrames, base)

	all := readers(muster)
	best := make(map[string]cost)
	for b.Loop() {
		for range *readersRuns { // in turn, so that a loaded computer is loaded for all
			for _, r := range all {
				took, err := r.read(base + r.file)
				if err != nil {
					if _, lookup := exec.LookPath(r.args[0]); lookup != nil {
						b.Logf("%s: left out: %s is not installed", r.name, r.args[0])
					} else {
						b.Logf("%s: left out: %v", r.name, err)
					}
					continue
				}
				if have, ok := best[r.name]; ok {
					took = cost{min(took.wall, have.wall), min(took.cpu, have.cpu)}
				}
				best[r.name] = took
			}
		}
	}
	ours := best[all[0].name]
	table := fmt.Sprintf("%d frames, least of %d runs; times: of the first line's\n%-32s %9s %12s %8s %9s %12s %8s\n", frames, *readersRuns,
		"reader", "wall", "frames/s", "times", "CPU", "frames/s", "times")
	for _, r := range all {
		if c, ok := best[r.name]; ok {
			table += fmt.Sprintf("%-32s %7.0fms %12.0f %8.2f %7.0fms %12.0f %8.2f\n", r.name,
				c.wall.Seconds()*1e3, float64(frames)/c.wall.Seconds(), c.wall.Seconds()/ours.wall.Seconds(),
				c.cpu.Seconds()*1e3, float64(frames)/c.cpu.Seconds(), c.cpu.Seconds()/ours.cpu.Seconds())
		}
	}
	fmt.Print(table)
	b.ReportMetric(float64(frames)/ours.cpu.Seconds(), "frames/CPU-s")
}

// read lets the process read a file; its output is written to a file that is thrown away, as a user would keep it.
func (r reader) read(file string) (cost, error) {
	out, err := os.CreateTemp(filepath.Dir(file), "out")
	if err != nil {
		return cost{}, err
	}
	defer os.Remove(out.Name())
	defer out.Close()
	args := append(r.args[1:len(r.args):len(r.args)], file)
	if r.args[0] == "log2asc" {
		args = []string{"-I", file, "n2k"}
	}
	cmd := exec.Command(r.args[0], args...)
	var errs bytes.Buffer
	cmd.Stdout, cmd.Stderr, cmd.Env = out, &errs, append(os.Environ(), cmp.Or(r.env, "LC_ALL=C"))
	start := time.Now()
	if err := cmd.Run(); err != nil {
		return cost{}, fmt.Errorf("%w: %.200s", err, errs.String())
	}
	return cost{time.Since(start), cmd.ProcessState.UserTime() + cmd.ProcessState.SystemTime()}, nil
}

// saturated simulates a saturated bus and writes n of its frames as a candump log, as pcap and as pcapng, each named base and its
// ending; the count is what is in all of them. Two more, whose names end in -two, hold half of them on each of two buses in turn.
func saturated(b *testing.B, muster string, n int, base string) int {
	b.Helper()
	whole := base + "-whole.log"
	span := time.Duration(n)*time.Second/1500 + 2*time.Second // a full bus carries some 1800 a second
	if out, err := exec.Command(muster, "simulate", "saturated", "--to", whole, "--for", span.String()).CombinedOutput(); err != nil {
		b.Fatalf("simulate: %v: %s", err, out)
	}
	in, err := os.Open(whole)
	if err != nil {
		b.Fatal(err)
	}
	defer os.Remove(whole)
	defer in.Close()
	from, err := capture.NewReader(in)
	if err != nil {
		b.Fatal(err)
	}
	defer from.Close()
	writer := func(end string, format capture.Format) *capture.Writer {
		f, err := os.Create(base + end)
		if err != nil {
			b.Fatal(err)
		}
		b.Cleanup(func() { f.Close() })
		w, err := capture.NewWriter(f, format)
		if err != nil {
			b.Fatal(err)
		}
		return w
	}
	to := []*capture.Writer{writer(".log", capture.FormatCandump), writer(".pcap", capture.FormatPcap), writer(".pcapng", capture.FormatPcapng)}
	two := []*capture.Writer{writer("-two.log", capture.FormatCandump), writer("-two.pcapng", capture.FormatPcapng)}
	write := func(to []*capture.Writer, e event.Event) {
		for _, w := range to {
			if err := w.Write(&e); err != nil {
				b.Fatal(err)
			}
		}
	}
	frames := 0
	for events := make([]event.Event, 256); frames < n; {
		k, err := from.Read(events)
		if err != nil {
			break
		}
		for i := range events[:k] {
			if events[i].Kind == event.KindFrame {
				if frames == n {
					break
				}
				frames++
			}
			e := events[i]
			write(to, e)
			if frames > n/2 {
				continue
			}
			write(two, e)
			e.Network, e.Time = 1, e.Time+event.Time(100*time.Microsecond) // a frame takes longer
			if e.Kind == event.KindNetwork {
				e.Info = &event.Network{ID: "other", Kind: event.NMEA2000}
			}
			write(two, e)
		}
	}
	for _, w := range append(to, two...) {
		if err := w.Flush(); err != nil {
			b.Fatal(err)
		}
	}
	return frames
}
