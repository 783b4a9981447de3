package main

import (
	"bytes"
	"cmp"
	"encoding/binary"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"
)

var (
	readersFrames = flag.Int("frames", 500_000, "frames of the capture that BenchmarkReaders makes")
	readersRuns   = flag.Int("runs", 3, "runs of each reader in BenchmarkReaders; the fastest counts")
)

// A reader is a whole process that reads one capture from its first frame to its last and prints what it understood.
type reader struct {
	name string
	pcap bool // reads the same frames as pcap
	env  string
	args []string // the capture's name goes behind them
}

func readers(muster string) []reader {
	const load = "import can, sys\nfor m in can.LogReader(sys.argv[1]): sys.stdout.write(str(m) + '\\n')"
	return []reader{
		{name: "muster audit, one core", env: "GOMAXPROCS=1", args: []string{muster, "audit", "--format", "json"}},
		{name: "muster audit, two cores", env: "GOMAXPROCS=2", args: []string{muster, "audit", "--format", "json"}},
		{name: "muster audit of pcap, one core", pcap: true, env: "GOMAXPROCS=1", args: []string{muster, "audit", "--format", "json"}},
		{name: "tshark -T fields, J1939", pcap: true, args: []string{"tshark", "-d", "can.subdissector,j1939", "-T", "fields",
			"-e", "frame.time_epoch", "-e", "j1939.priority", "-e", "j1939.pgn", "-e", "j1939.src_addr", "-e", "j1939.dst_addr", "-e", "j1939.data", "-r"}},
		{name: "log2asc", args: []string{"log2asc"}},
		{name: "python3-can LogReader", args: []string{"/usr/bin/python3", "-c", load}},
		{name: "wc -l", args: []string{"wc", "-l"}},
	}
}

// BenchmarkReaders lets general-purpose readers and muster read the same saturated bus in turn, whole processes with their start and
// their output, and prints the fastest run of each. Readers that are not installed are named and left out.
func BenchmarkReaders(b *testing.B) {
	dir := b.TempDir()
	muster := filepath.Join(dir, "muster")
	if out, err := exec.Command("../../deploy/package/compile", muster).CombinedOutput(); err != nil {
		b.Fatalf("build muster: %v: %s", err, out)
	}
	log, pcap := filepath.Join(dir, "bus.log"), filepath.Join(dir, "bus.pcap")
	frames := saturated(b, muster, *readersFrames, log, pcap)

	all := readers(muster)
	best := make(map[string]time.Duration)
	for b.Loop() {
		for range *readersRuns { // in turn, so that a busy machine is busy for all
			for _, r := range all {
				file := log
				if r.pcap {
					file = pcap
				}
				took, err := r.read(file)
				if err != nil {
					if _, lookup := exec.LookPath(r.args[0]); lookup != nil {
						b.Logf("%s: left out: %s is not installed", r.name, r.args[0])
					} else {
						b.Logf("%s: left out: %v", r.name, err)
					}
					continue
				}
				if have, ok := best[r.name]; !ok || took < have {
					best[r.name] = took
				}
			}
		}
	}
	ours := best[all[0].name]
	table := fmt.Sprintf("%d frames, fastest of %d runs\n%-32s %10s %14s   %s\n", frames, *readersRuns, "reader", "time", "frames/s", "times slower than one core of ours")
	for _, r := range all {
		if took, ok := best[r.name]; ok {
			table += fmt.Sprintf("%-32s %8.0fms %14.0f   %.2f\n", r.name, took.Seconds()*1e3, float64(frames)/took.Seconds(), took.Seconds()/ours.Seconds())
		}
	}
	fmt.Print(table)
	b.ReportMetric(float64(frames)/ours.Seconds(), "frames/s")
}

// read lets the process read a file; its output is written to a file that is thrown away, as a user would keep it.
func (r reader) read(file string) (time.Duration, error) {
	out, err := os.CreateTemp(filepath.Dir(file), "out")
	if err != nil {
		return 0, err
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
		return 0, fmt.Errorf("%w: %.200s", err, errs.String())
	}
	return time.Since(start), nil
}

// saturated simulates a saturated bus and writes n of its frames as a candump log and as pcap; the count is what is in both.
func saturated(b *testing.B, muster string, n int, log, pcap string) int {
	b.Helper()
	whole := filepath.Join(filepath.Dir(log), "whole.log")
	span := time.Duration(n)*time.Second/1500 + 2*time.Second // a full bus carries some 1800 a second
	if out, err := exec.Command(muster, "simulate", "saturated", "--to", whole, "--for", span.String()).CombinedOutput(); err != nil {
		b.Fatalf("simulate: %v: %s", err, out)
	}
	text, err := os.ReadFile(whole)
	if err != nil {
		b.Fatal(err)
	}
	os.Remove(whole)
	frames, end := 0, 0
	packets := make([]byte, 0, n*32)
	packets = binary.LittleEndian.AppendUint32(packets, 0xA1B2C3D4)
	packets = append(packets, 2, 0, 4, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0, 4, 0, 227, 0, 0, 0) // LINKTYPE_CAN_SOCKETCAN
	for frames < n && end < len(text) {
		size := bytes.IndexByte(text[end:], '\n') + 1
		if size == 0 {
			break
		}
		var seconds, micros, id uint32
		var data []byte
		if _, err := fmt.Sscanf(string(text[end:end+size]), "(%d.%d) n2k %x#%x", &seconds, &micros, &id, &data); err != nil {
			b.Fatalf("line %q: %v", text[end:end+size], err)
		}
		end += size
		frames++
		packets = binary.LittleEndian.AppendUint32(packets, seconds)
		packets = binary.LittleEndian.AppendUint32(packets, micros)
		packets = binary.LittleEndian.AppendUint32(packets, uint32(8+len(data)))
		packets = binary.LittleEndian.AppendUint32(packets, uint32(8+len(data)))
		packets = binary.BigEndian.AppendUint32(packets, id|1<<31)
		packets = append(packets, byte(len(data)), 0, 0, 0)
		packets = append(packets, data...)
	}
	if err := os.WriteFile(log, text[:end], 0o600); err != nil {
		b.Fatal(err)
	}
	if err := os.WriteFile(pcap, packets, 0o600); err != nil {
		b.Fatal(err)
	}
	return frames
}
