package metrics

import (
	"bytes"
	"os"
	"path/filepath"
	"runtime"
	"runtime/debug"
	measured "runtime/metrics"
	"strconv"
	"strings"
	"time"
)

// Names of metrics of the Go runtime and of the process are those that Prometheus' own client for Go made usual, so that dashboards for
// Go programs fit.
var (
	goInfo       = Gauge("go_info", "The Go release that built the program; always 1.", "version")
	goroutines   = Gauge("go_goroutines", "Goroutines that exist.")
	threads      = Gauge("go_threads", "Threads of the system that were made.")
	lastGC       = Gauge("go_memstats_last_gc_time_seconds", "When the garbage collector last ended; 0 before.")
	pauses       = newMetric("summary", "go_gc_duration_seconds", "Pauses of the program by the garbage collector.", nil)
	runtimeTable = []struct {
		metric *Metric
		sum    []string // of runtime/metrics
	}{
		{Gauge("go_gc_gogc_percent", "Growth of the heap at which garbage is collected (GOGC)."), []string{"/gc/gogc:percent"}},
		{Gauge("go_gc_gomemlimit_bytes", "Memory that the runtime tries to keep within (GOMEMLIMIT)."), []string{"/gc/gomemlimit:bytes"}},
		{Gauge("go_sched_gomaxprocs_threads", "Threads that run Go code at one time (GOMAXPROCS)."), []string{"/sched/gomaxprocs:threads"}},
		{Gauge("go_memstats_sys_bytes", "Memory had from the system."), []string{"/memory/classes/total:bytes"}},
		{Gauge("go_memstats_alloc_bytes", "Objects on the heap, those included that are not yet collected."), []string{heapObjects}},
		{Counter("go_memstats_alloc_bytes_total", "Bytes that were allocated on the heap."), []string{"/gc/heap/allocs:bytes"}},
		{Counter("go_memstats_mallocs_total", "Objects that were allocated on the heap."), []string{"/gc/heap/allocs:objects", tinyAllocs}},
		{Counter("go_memstats_frees_total", "Objects on the heap that were freed."), []string{"/gc/heap/frees:objects", tinyAllocs}},
		{Gauge("go_memstats_heap_alloc_bytes", "The same as go_memstats_alloc_bytes."), []string{heapObjects}},
		{Gauge("go_memstats_heap_sys_bytes", "Address space of the heap."), []string{heapObjects, heapUnused, heapReleased, heapFree}},
		{Gauge("go_memstats_heap_idle_bytes", "Heap that holds nothing."), []string{heapReleased, heapFree}},
		{Gauge("go_memstats_heap_inuse_bytes", "Heap in spans that hold objects."), []string{heapObjects, heapUnused}},
		{Gauge("go_memstats_heap_released_bytes", "Heap given back to the system."), []string{heapReleased}},
		{Gauge("go_memstats_heap_objects", "Objects on the heap."), []string{"/gc/heap/objects:objects"}},
		{Gauge("go_memstats_next_gc_bytes", "Size of the heap at which garbage is collected next."), []string{"/gc/heap/goal:bytes"}},
		{Gauge("go_memstats_stack_inuse_bytes", "Stacks of goroutines."), []string{"/memory/classes/heap/stacks:bytes"}},
		{Gauge("go_memstats_stack_sys_bytes", "All stacks."), []string{"/memory/classes/heap/stacks:bytes", "/memory/classes/os-stacks:bytes"}},
		{Gauge("go_memstats_mspan_inuse_bytes", "Descriptions of spans in use."), []string{mspanInUse}},
		{Gauge("go_memstats_mspan_sys_bytes", "Memory for descriptions of spans."), []string{mspanInUse, "/memory/classes/metadata/mspan/free:bytes"}},
		{Gauge("go_memstats_mcache_inuse_bytes", "Caches of the allocator in use."), []string{mcacheInUse}},
		{Gauge("go_memstats_mcache_sys_bytes", "Memory for caches of the allocator."), []string{mcacheInUse, "/memory/classes/metadata/mcache/free:bytes"}},
		{Gauge("go_memstats_buck_hash_sys_bytes", "Tables of the profiler."), []string{"/memory/classes/profiling/buckets:bytes"}},
		{Gauge("go_memstats_gc_sys_bytes", "What the garbage collector keeps for itself."), []string{"/memory/classes/metadata/other:bytes"}},
		{Gauge("go_memstats_other_sys_bytes", "What else the runtime had from the system."), []string{"/memory/classes/other:bytes"}},
	}
)

const (
	heapObjects  = "/memory/classes/heap/objects:bytes"
	heapUnused   = "/memory/classes/heap/unused:bytes"
	heapReleased = "/memory/classes/heap/released:bytes"
	heapFree     = "/memory/classes/heap/free:bytes"
	tinyAllocs   = "/gc/heap/tiny/allocs:objects"
	mspanInUse   = "/memory/classes/metadata/mspan/inuse:bytes"
	mcacheInUse  = "/memory/classes/metadata/mcache/inuse:bytes"
)

// Runtime tells of the Go runtime, without stopping the program for it.
func Runtime(p *Page) {
	p.Put(goInfo, 1, runtime.Version())
	p.Put(goroutines, float64(runtime.NumGoroutine()))
	n, _ := runtime.ThreadCreateProfile(nil)
	p.Put(threads, float64(n))
	stats := debug.GCStats{PauseQuantiles: make([]time.Duration, 5)}
	debug.ReadGCStats(&stats)
	p.Put(lastGC, float64(stats.LastGC.UnixNano())/1e9)
	quantiles := make([]float64, len(stats.PauseQuantiles))
	for i, q := range stats.PauseQuantiles {
		quantiles[i] = q.Seconds()
	}
	p.summary(pauses, uint64(stats.NumGC), stats.PauseTotal.Seconds(), quantiles)

	var samples []measured.Sample
	for _, row := range runtimeTable {
		for _, name := range row.sum {
			samples = append(samples, measured.Sample{Name: name})
		}
	}
	measured.Read(samples)
	for _, row := range runtimeTable {
		sum := uint64(0)
		for range row.sum {
			if samples[0].Value.Kind() == measured.KindUint64 {
				sum += samples[0].Value.Uint64()
			}
			samples = samples[1:]
		}
		p.Count(row.metric, sum)
	}
}

var (
	cpuTime     = Counter("process_cpu_seconds_total", "Processor time of the process.")
	startTime   = Gauge("process_start_time_seconds", "When the process began.")
	resident    = Gauge("process_resident_memory_bytes", "Memory of the process that is in RAM.")
	virtual     = Gauge("process_virtual_memory_bytes", "Address space of the process.")
	mostVirtual = Gauge("process_virtual_memory_max_bytes", "Most address space that the process may have.")
	openFiles   = Gauge("process_open_fds", "Open files and connections.")
	mostFiles   = Gauge("process_max_fds", "Most files and connections that the process may have open.")
	received    = Counter("process_network_receive_bytes_total", "Bytes that the network of the process received by IP, those of other processes included.")
	transmitted = Counter("process_network_transmit_bytes_total", "Bytes that the network of the process sent by IP, those of other processes included.")
)

// Process tells of the process as Linux does in /proc (proc(5)). Elsewhere it tells nothing.
func Process(p *Page) { process(p, "/proc") }

func process(p *Page, proc string) {
	if stat, err := os.ReadFile(filepath.Join(proc, "self/stat")); err == nil {
		processStat(p, stat, bootTime(proc))
	}
	if open, err := os.ReadDir(filepath.Join(proc, "self/fd")); err == nil {
		p.Put(openFiles, float64(len(open)))
	}
	limits, _ := os.ReadFile(filepath.Join(proc, "self/limits"))
	for line := range bytes.Lines(limits) {
		if rest, ok := bytes.CutPrefix(line, []byte("Max open files ")); ok {
			p.Put(mostFiles, limit(rest))
		} else if rest, ok := bytes.CutPrefix(line, []byte("Max address space ")); ok {
			p.Put(mostVirtual, limit(rest))
		}
	}
	netstat, _ := os.ReadFile(filepath.Join(proc, "self/net/netstat"))
	processNetwork(p, string(netstat))
}

// processStat reads what stands behind the program's name, which may hold anything: state, the third field, and so on.
func processStat(p *Page, stat []byte, boot float64) {
	const ticks = 100 // USER_HZ, which is the same on all machines that Go runs on
	fields := strings.Fields(string(stat[bytes.LastIndexByte(stat, ')')+1:]))
	if len(fields) < 22 {
		return
	}
	field := func(n int) float64 {
		v, _ := strconv.ParseFloat(fields[n-3], 64)
		return v
	}
	p.Put(cpuTime, (field(14)+field(15))/ticks)
	if boot > 0 {
		p.Put(startTime, boot+field(22)/ticks)
	}
	p.Put(virtual, field(23))
	p.Put(resident, field(24)*float64(os.Getpagesize()))
}

// bootTime is when the system was started, in seconds since 1970, 0 when it does not say.
func bootTime(proc string) float64 {
	stat, _ := os.ReadFile(filepath.Join(proc, "stat"))
	_, rest, _ := bytes.Cut(stat, []byte("\nbtime "))
	text, _, _ := bytes.Cut(rest, []byte("\n"))
	seconds, _ := strconv.ParseFloat(string(text), 64)
	return seconds
}

// limit is the first number of a line of limits: the one in force.
func limit(line []byte) float64 {
	fields := bytes.Fields(line)
	if len(fields) == 0 || string(fields[0]) == "unlimited" {
		return 1 << 64
	}
	v, _ := strconv.ParseFloat(string(fields[0]), 64)
	return v
}

// processNetwork reads pairs of lines, the names and the numbers of one protocol.
func processNetwork(p *Page, netstat string) {
	lines := strings.Split(netstat, "\n")
	for i := 0; i+1 < len(lines); i += 2 {
		names, values := strings.Fields(lines[i]), strings.Fields(lines[i+1])
		if len(names) != len(values) || len(names) == 0 || names[0] != "IpExt:" {
			continue
		}
		for j, name := range names {
			v, _ := strconv.ParseFloat(values[j], 64)
			switch name {
			case "InOctets":
				p.Put(received, v)
			case "OutOctets":
				p.Put(transmitted, v)
			}
		}
	}
}
