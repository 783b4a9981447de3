package hub

import (
	"net"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"muster/internal/fleet/broker"
	"muster/internal/fleet/trust"
	"muster/internal/hosttest"
)

// outside is a nats-server of the system, run with the config that we print.
type outside struct {
	url string
	cmd *exec.Cmd
	log string
}

func natsServer(t testing.TB) string {
	t.Helper()
	for _, name := range []string{"nats-server", "/usr/sbin/nats-server"} {
		if path, err := exec.LookPath(name); err == nil {
			return path
		}
	}
	if os.Getenv("MUSTER_TEST_ALL") == "1" {
		t.Fatal("nats-server is not installed")
	}
	t.Skip("nats-server is not installed")
	return ""
}

func startOutside(t testing.TB, p trust.Papers, n broker.Node) *outside {
	t.Helper()
	program := natsServer(t)
	if n.Listen == "" {
		n.Listen = hosttest.Address(t)
	}
	if n.Name == "" {
		n.Name = "n1"
	}
	if n.Dir == "" {
		n.Dir = t.TempDir()
	}
	conf := filepath.Join(t.TempDir(), "nats-server.conf")
	if err := os.WriteFile(conf, []byte(broker.Config(n, p)), 0o600); err != nil {
		t.Fatal(err)
	}
	o := &outside{url: "nats://" + n.Listen, log: conf + ".log"}
	o.cmd = exec.Command(program, "-c", conf, "-l", o.log)
	if err := o.cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { o.kill(); o.showLog(t) })
	until(t, "the server takes connections", func() bool {
		c, err := net.DialTimeout("tcp", n.Listen, time.Second)
		if err != nil {
			return false
		}
		_ = c.Close()
		return true
	})
	return o
}

func (o *outside) kill() {
	if o.cmd != nil {
		_ = o.cmd.Process.Signal(syscall.SIGKILL)
		_ = o.cmd.Wait()
		o.cmd = nil
	}
}

func (o *outside) showLog(t testing.TB) {
	if text, err := os.ReadFile(o.log); err == nil && t.Failed() {
		lines := strings.Split(string(text), "\n")
		t.Logf("nats-server:\n%s", strings.Join(lines[max(0, len(lines)-40):], "\n"))
	}
}

// servers are those that must hold to the same rules.
func servers(t *testing.T, f func(t *testing.T, r *rig)) {
	t.Run("embedded", func(t *testing.T) { f(t, newRig(t, nil)) })
	t.Run("outside", func(t *testing.T) {
		natsServer(t)
		r := &rig{trust: newTrust(t), codec: newCodec(t)}
		r.url = startOutside(t, r.papers(t), broker.Node{}).url
		f(t, r)
	})
}
