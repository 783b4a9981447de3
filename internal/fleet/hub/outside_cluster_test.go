package hub

import (
	"fmt"
	"strings"
	"sync"
	"testing"

	"muster/internal/fleet"
	"muster/internal/fleet/broker"
	"muster/internal/hosttest"
)

// TestOutsideCluster: three of the system's servers with the config that we print, of which one is killed while boats report.
func TestOutsideCluster(t *testing.T) {
	natsServer(t)
	if testing.Short() {
		t.Skip("long")
	}
	r := &rig{trust: newTrust(t), codec: newCodec(t)}
	var routes, urls []string
	var nodes []*outside
	for range 3 {
		routes = append(routes, hosttest.Address(t))
	}
	for i := range 3 {
		o := startOutside(t, r.papers(t), broker.Node{Name: fmt.Sprintf("n%d", i), Cluster: "marina", ClusterListen: routes[i], Routes: routes})
		nodes, urls = append(nodes, o), append(urls, o.url)
	}
	r.url = strings.Join(urls, ",")
	h := r.hub(t, func(o *Options) { o.Replicas = 3 })
	const boats, each = 4, 20
	var wg sync.WaitGroup
	half := make(chan struct{}, boats)
	for i := range boats {
		s := r.sender(t, fmt.Sprintf("boat-%d", i), fmt.Sprintf("board%d", i))
		wg.Go(func() {
			for n := range each {
				s.send(t, fleet.KindReport, testReport(s.id, 2, fmt.Sprintf("1.%d", n)))
				if n == each/2 {
					half <- struct{}{}
				}
			}
		})
	}
	for range boats {
		<-half
	}
	for i := range nodes {
		if fmt.Sprintf("n%d", i) == streamLeader(t, h.Hub) {
			nodes[i].kill()
			break
		}
	}
	wg.Wait()
	until(t, "every boat's last report is known", func() bool { return allRun(h.Hub, boats, fmt.Sprintf("1.%d", each-1)) })
	wantEachOnce(t, h.Hub, boats, each)
}
