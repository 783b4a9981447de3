package main

import (
	"bytes"
	"flag"
	"fmt"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"testing"
	"time"

	"github.com/klauspost/compress/gzip"
	"github.com/klauspost/compress/zstd"
)

var longGB = flag.Float64("gigabytes", 0.2, "size, unpacked, of the candump log that BenchmarkLong pipes into muster audit, 10^9 bytes")

// BenchmarkLong pipes one long candump log of a saturated bus, plain and packed, into muster audit, and prints
// the most memory that it held. The log is made while it is read, so it takes no room on the disk.
func BenchmarkLong(b *testing.B) {
	dir := b.TempDir()
	muster := filepath.Join(dir, "muster")
	if out, err := exec.Command("go", "build", "-trimpath", "-ldflags=-s -w", "-o", muster, ".").CombinedOutput(); err != nil {
		b.Fatalf("build muster: %v: %s", err, out)
	}
	const span = 10 * time.Minute
	name := filepath.Join(dir, "bus.log")
	if out, err := exec.Command(muster, "simulate", "saturated", "--to", name, "--for", span.String()).CombinedOutput(); err != nil {
		b.Fatalf("simulate: %v: %s", err, out)
	}
	text, err := os.ReadFile(name)
	if err != nil {
		b.Fatal(err)
	}
	pack := map[string]func(io.Writer) io.WriteCloser{
		"plain": func(w io.Writer) io.WriteCloser { return plain{w} },
		"gz":    func(w io.Writer) io.WriteCloser { z, _ := gzip.NewWriterLevel(w, gzip.BestSpeed); return z },
		"zst": func(w io.Writer) io.WriteCloser {
			z, _ := zstd.NewWriter(w, zstd.WithEncoderLevel(zstd.SpeedFastest))
			return z
		},
	}
	for _, format := range []string{"plain", "gz", "zst"} {
		b.Run(format, func(b *testing.B) {
			for b.Loop() {
				cmd := exec.Command(muster, "audit", "-", "--format", "json")
				cmd.Env = append(os.Environ(), "GOMAXPROCS=1")
				var errs bytes.Buffer
				cmd.Stderr = &errs
				in, err := cmd.StdinPipe()
				if err != nil {
					b.Fatal(err)
				}
				if err := cmd.Start(); err != nil {
					b.Fatal(err)
				}
				held := make(chan int)
				go func() { held <- mostHeld(cmd.Process.Pid) }()
				w := pack[format](in)
				size, err := writeLong(w, text, span, int(*longGB*1e9))
				for _, e := range []error{err, w.Close(), in.Close(), cmd.Wait()} {
					if e != nil && e != os.ErrClosed {
						b.Fatalf("%v: %.300s", e, errs.String())
					}
				}
				b.ReportMetric(float64(<-held)*1024/1e6, "MB-held")
				b.ReportMetric(float64(size)/1e9, "GB-read")
				b.ReportMetric(float64(size)/1e6/(cmd.ProcessState.UserTime()+cmd.ProcessState.SystemTime()).Seconds(), "MB/cpu-s")
			}
		})
	}
}

// mostHeld watches a process until it ends and gives the most memory that it held, in kB: VmHWM of proc(5). The
// figure of wait4 would include the process that started it.
func mostHeld(pid int) int {
	most := 0
	for {
		status, err := os.ReadFile(fmt.Sprintf("/proc/%d/status", pid))
		_, rest, ok := bytes.Cut(status, []byte("VmHWM:"))
		if err != nil || !ok {
			return most
		}
		var kB int
		if _, err := fmt.Sscan(string(rest), &kB); err == nil {
			most = max(most, kB)
		}
		time.Sleep(5 * time.Millisecond)
	}
}

type plain struct{ io.Writer }

func (plain) Close() error { return nil }

// writeLong writes the log again and again, each time as of a span later, until it is so long.
func writeLong(w io.Writer, text []byte, span time.Duration, size int) (int, error) {
	written := 0
	for written < size {
		n, err := w.Write(text)
		written += n
		if err != nil {
			return written, err
		}
		for line := text; len(line) > 11; line = line[bytes.IndexByte(line, '\n')+1:] {
			seconds, err := strconv.ParseInt(string(line[1:11]), 10, 64)
			if err != nil {
				return written, fmt.Errorf("line %.40q: %w", line, err)
			}
			strconv.AppendInt(line[1:1], seconds+int64(span.Seconds()), 10)
		}
	}
	return written, nil
}
