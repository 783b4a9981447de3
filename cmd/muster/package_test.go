package main

import (
	"bufio"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
)

// TestDebianPackage builds the package for this machine, lets lintian judge it, and starts the program that it installs.
func TestDebianPackage(t *testing.T) {
	if testing.Short() || os.Getenv("MUSTER_TEST_ALL") != "1" {
		t.Skip("builds a package: set MUSTER_TEST_ALL=1")
	}
	arch := map[string]string{"amd64": "amd64", "arm64": "arm64", "arm": "armhf"}[runtime.GOARCH]
	if arch == "" {
		t.Skip("no package for this machine")
	}
	dir := t.TempDir()
	run := func(name string, args ...string) {
		t.Helper()
		cmd := exec.Command(name, args...)
		cmd.Dir = "../.."
		cmd.Env = append(os.Environ(), "VERSION=v0.0.0-test")
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%s: %v\n%s", name, err, out)
		}
	}
	run("deploy/package/build", "-o", dir, arch)
	debs, err := filepath.Glob(filepath.Join(dir, "*.deb"))
	if err != nil || len(debs) != 1 {
		t.Fatalf("packages %q: %v", debs, err)
	}
	run("lintian", "--no-cfg", "--allow-root", "--fail-on", "error,warning", debs[0])
	root := filepath.Join(dir, "root")
	run("dpkg-deb", "-x", debs[0], root)
	muster := filepath.Join(root, "usr/bin/muster")
	run(muster, "run", "--config", filepath.Join(root, "etc/muster/muster.yaml"), "--check")

	cmd := exec.CommandContext(t.Context(), muster, "run", "sim:demo", "--listen", "127.0.0.1:0")
	stderr, err := cmd.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	lines := bufio.NewScanner(stderr)
	started := false
	for !started && lines.Scan() {
		started = strings.Contains(lines.Text(), "started")
	}
	if !started {
		t.Error("the installed program did not start")
	}
	_ = cmd.Process.Signal(os.Interrupt)
	for lines.Scan() {
	}
	if err := cmd.Wait(); err != nil {
		t.Errorf("stopping: %v", err)
	}
}
