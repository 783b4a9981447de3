//go:build unix

package hub

import (
	"fmt"
	"syscall"
	"testing"
	"time"
)

// BenchmarkSearch asks an index of 10,000 boats with 20 devices each. cpu-ms is what one search costs, whatever else the computer does.
func BenchmarkSearch(b *testing.B) {
	x := newIndex()
	at := time.Now()
	for i := range 10000 {
		id := fmt.Sprintf("boat-%d", i)
		devices, _ := rows(testReport(id, 20, fmt.Sprintf("4.%d", 40+i%10)))
		r := &record{LastHeard: at, Devices: devices}
		x.put(id, r, uint64(i+1))
	}
	for name, q := range map[string]Query{"text and version": {Text: "larkfin", Version: "4.45"}, "text": {Text: "larkfin"}, "serial": {Serial: "boat-77-0003"}, "first hundred": {Text: "larkfin", Limit: 100}} {
		b.Run(name, func(b *testing.B) {
			b.ReportAllocs()
			began, n := spent(b), 0
			for ; b.Loop(); n++ {
				if hits, err := x.search(q, nil); err != nil || len(hits) == 0 {
					b.Fatal(len(hits), err)
				}
			}
			b.ReportMetric(float64((spent(b)-began).Microseconds())/1000/float64(n), "cpu-ms")
		})
	}
}

// spent is the processor time of this process so far.
func spent(b *testing.B) time.Duration {
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		b.Fatal(err)
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
