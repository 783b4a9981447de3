package main

import (
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"time"

	"muster/internal/config"
)

// built is before any build of this program: a clock before it is not set.
var built = time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)

// leastFree is the space that the store should have left on its card, in bytes.
const leastFree = 64 << 20

// within bounds each question to another program or computer.
const within = 3 * time.Second

// systemSymptoms look at this computer, whose files are below root.
func systemSymptoms(ctx context.Context, root string, cfg config.Config) []symptom {
	list := []symptom{clockSymptom(time.Now(), clockSynchronised), bufferSymptom(root), storeSymptom(root, cfg.StateDir)}
	list = append(list, serviceSymptom(ctx), pagesSymptom(ctx, cfg))
	if cfg.Fleet.On() {
		list = append(list, hubSymptoms(ctx, root, cfg.Fleet)...)
	}
	var known []symptom
	for _, s := range list {
		if s.What != "" { // else it does not apply here
			s.About = "this computer"
			known = append(known, s)
		}
	}
	return known
}

func clockSymptom(now time.Time, synchronised func() (yes, known bool)) symptom {
	s := symptom{What: "time", State: stateOK, Found: now.UTC().Format(time.RFC3339)}
	yes, known := synchronised()
	switch {
	case now.Before(built):
		s.State, s.Found = stateFault, s.Found+": the clock is not set"
		s.Remedy = []string{"sudo timedatectl set-ntp true"}
	case known && !yes:
		s.State, s.Found = stateInfo, s.Found+": the clock is not synchronised"
		s.Remedy = []string{"timedatectl status"}
	}
	return s
}

// bufferSymptom is how much may wait in the kernel for a program; ten seconds of a full network take 8 MiB.
func bufferSymptom(root string) symptom {
	text, err := os.ReadFile(filepath.Join(root, "proc/sys/net/core/rmem_max"))
	var most int
	if _, scanned := fmt.Sscan(string(text), &most); err != nil || scanned != nil {
		return symptom{}
	}
	s := symptom{What: "buffer", State: stateOK, Found: fmt.Sprintf("%d KiB may wait in the kernel", most>>10)}
	if most < 1<<20 {
		s.State, s.Remedy = stateInfo, []string{"sudo sysctl net.core.rmem_max=8388608"}
		s.Found += ": at a high bus load, frames can be lost"
	}
	return s
}

func storeSymptom(root, dir string) symptom {
	s := symptom{What: "store", State: stateOK, Found: dir}
	if dir == "" {
		s.State, s.Found = stateInfo, "state_dir is not set in the config: nothing is kept over a restart"
		return s
	}
	if _, err := os.Stat(filepath.Join(root, dir)); err != nil {
		s.State, s.Found = stateInfo, dir+" is not there yet, or only the service may see it"
		s.Remedy = []string{"sudo ls -ld " + dir}
		return s
	}
	if free, ok := freeSpace(filepath.Join(root, dir)); ok {
		s.Found += fmt.Sprintf(", %d MB free", free/1e6)
		if free < leastFree {
			s.State = stateFault
			s.Remedy = []string{"sudo journalctl --vacuum-size=50M", "sudo apt clean"}
		}
	}
	return s
}

// serviceSymptom asks systemd; where there is none, nothing is reported.
func serviceSymptom(ctx context.Context) symptom {
	ctx, cancel := context.WithTimeout(ctx, within)
	defer cancel()
	out, err := exec.CommandContext(ctx, "systemctl", "show", "muster", "--property=LoadState,ActiveState,NRestarts").Output()
	if err != nil {
		return symptom{}
	}
	return serviceState(string(out))
}

// serviceState judges what systemctl show prints.
func serviceState(out string) symptom {
	value := map[string]string{}
	for line := range strings.Lines(out) {
		key, text, _ := strings.Cut(strings.TrimSpace(line), "=")
		value[key] = text
	}
	s := symptom{What: "service", State: stateOK, Found: value["ActiveState"] + ", restarted " + value["NRestarts"] + " times"}
	switch {
	case value["LoadState"] != "loaded":
		s.State, s.Found = stateInfo, "the service muster is not installed here"
	case value["ActiveState"] == "failed":
		s.State, s.Remedy = stateFault, []string{"journalctl -u muster -p warning -n 20", "sudo systemctl restart muster"}
	case value["ActiveState"] != "active":
		s.State, s.Remedy = stateInfo, []string{"sudo systemctl enable --now muster"}
	case value["NRestarts"] != "0":
		s.State, s.Remedy = stateInfo, []string{"journalctl -u muster -p warning -n 20"}
	}
	return s
}

// pagesSymptom asks the daemon that runs here whether all its sources are read.
func pagesSymptom(ctx context.Context, cfg config.Config) symptom {
	if cfg.Listen == "off" || cfg.TLS.Cert != "" {
		return symptom{}
	}
	ctx, cancel := context.WithTimeout(ctx, within)
	defer cancel()
	host, port, err := net.SplitHostPort(cfg.Listen)
	if err != nil {
		return symptom{}
	}
	if host == "" || host == "0.0.0.0" || host == "::" {
		host = "127.0.0.1"
	}
	address := "http://" + net.JoinHostPort(host, port)
	request, err := http.NewRequestWithContext(ctx, http.MethodGet, address+"/-/ready", nil)
	if err != nil {
		return symptom{}
	}
	answer, err := http.DefaultClient.Do(request)
	if err != nil {
		return symptom{What: "pages", State: stateInfo, Found: "no daemon answers at " + address}
	}
	defer answer.Body.Close()
	text, _ := io.ReadAll(io.LimitReader(answer.Body, 500))
	s := symptom{What: "pages", State: stateOK, Found: address + ": " + strings.TrimSpace(string(text))}
	if answer.StatusCode != http.StatusOK {
		s.State, s.Remedy = stateFault, []string{"journalctl -u muster -p warning -n 20"}
	}
	return s
}

// hubSymptoms look at the credentials, and connect to each server of the hub.
func hubSymptoms(ctx context.Context, root string, f config.Fleet) (list []symptom) {
	c := symptom{What: "credentials", State: stateOK, Found: f.Credentials}
	if _, err := os.Stat(filepath.Join(root, f.Credentials)); err != nil {
		c.State, c.Found = stateInfo, f.Credentials+" is not there, or only the service may see it"
		c.Remedy = []string{"sudo ls -l " + f.Credentials, "muster help fleet"}
	}
	list = append(list, c)
	for _, server := range f.URL {
		s := symptom{What: "hub", State: stateOK, Found: "connected to " + server}
		if err := reach(ctx, server); err != nil {
			s.State, s.Found = stateFault, err.Error()
			s.Remedy = []string{"Check the connection to the internet, and the address of the hub in the config under fleet"}
		}
		list = append(list, s)
	}
	return list
}

// reach connects to a server of a hub, and sends nothing.
func reach(ctx context.Context, server string) error {
	u, err := url.Parse(server)
	if err != nil {
		return fmt.Errorf("hub: %w", err)
	}
	host := u.Host
	if u.Port() == "" {
		host = net.JoinHostPort(u.Hostname(), "4222")
	}
	conn, err := (&net.Dialer{Timeout: within}).DialContext(ctx, "tcp", host)
	if err != nil {
		return fmt.Errorf("hub %s: %w", server, err)
	}
	return conn.Close()
}
