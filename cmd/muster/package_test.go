package main

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// packages builds the Debian packages into a folder, one for each machine, and lets lintian check them.
func packages(t *testing.T, dir string, machines ...string) {
	t.Helper()
	need(t, "lintian", "dpkg-deb")
	build := exec.CommandContext(t.Context(), "deploy/package/build", append([]string{"-o", dir}, machines...)...)
	build.Dir = "../.."
	build.Env = append(os.Environ(), "VERSION=v0.0.0-test")
	if out, err := build.CombinedOutput(); err != nil {
		t.Fatalf("build: %v\n%s", err, out)
	}
	debs, err := filepath.Glob(filepath.Join(dir, "muster*.deb"))
	if err != nil || len(debs) != 2*len(machines) { // muster and muster-hub
		t.Fatalf("packages %q: %v", debs, err)
	}
	judge := exec.CommandContext(t.Context(), "lintian", append([]string{"--no-cfg", "--allow-root", "--fail-on", "error,warning"}, debs...)...)
	if out, err := judge.CombinedOutput(); err != nil {
		t.Errorf("lintian: %v\n%s", err, out)
	}
}

// TestPackagesOfOtherMachines unpacks the packages of boat computers and runs their programs on an emulated
// processor.
func TestPackagesOfOtherMachines(t *testing.T) {
	if testing.Short() || os.Getenv("MUSTER_TEST_ALL") != "1" {
		t.Skip("builds packages: set MUSTER_TEST_ALL=1")
	}
	need(t, "qemu-aarch64-static", "qemu-arm-static")
	dir := t.TempDir()
	packages(t, dir, "arm64", "armhf")
	for machine, emulator := range map[string]string{"arm64": "qemu-aarch64-static", "armhf": "qemu-arm-static"} {
		t.Run(machine, func(t *testing.T) {
			debs, _ := filepath.Glob(filepath.Join(dir, "muster_*_"+machine+".deb"))
			if len(debs) != 1 {
				t.Fatalf("packages %q", debs)
			}
			root := filepath.Join(dir, machine)
			if out, err := exec.CommandContext(t.Context(), "dpkg-deb", "-x", debs[0], root).CombinedOutput(); err != nil {
				t.Fatalf("unpack: %v\n%s", err, out)
			}
			muster := filepath.Join(root, "usr/bin/muster")
			if program, err := os.ReadFile(muster); err != nil || len(program) >= 30e6 {
				t.Errorf("the program has %d bytes, %v: want less than 30 MB (one executed template makes the linker keep every method)", len(program), err)
			}
			for shell, file := range map[string]string{"bash": "bash-completion/completions/muster", "zsh": "zsh/vendor-completions/_muster",
				"fish": "fish/vendor_completions.d/muster.fish"} {
				script, err := os.ReadFile(filepath.Join(root, "usr/share", file))
				if err != nil || len(script) == 0 {
					t.Errorf("completion by %s: %d bytes, %v", shell, len(script), err)
				}
			}
			for _, args := range [][]string{
				{"run", "--config", filepath.Join(root, "etc/muster/muster.yaml"), "--check"},
				{"audit", "sim:demo", "--for", "5s", "--format", "json"},
			} {
				out, err := exec.CommandContext(t.Context(), emulator, append([]string{muster}, args...)...).Output()
				if err != nil {
					t.Errorf("%s: %v: %s", args[0], err, out)
				}
				if args[0] == "audit" && !strings.Contains(string(out), `"muster.report/v2"`) {
					t.Errorf("audit printed no report: %.200s", out)
				}
			}
		})
	}
}

// TestDebianPackage installs the package under a real systemd, in an emulated PC on this computer's files with a layer of memory over
// them: it starts, listens, survives a broken config and a kill, and goes without a trace. The hub beside it takes in what it reports.
func TestDebianPackage(t *testing.T) {
	if testing.Short() || os.Getenv("MUSTER_TEST_ALL") != "1" {
		t.Skip("builds a package and boots a systemd: set MUSTER_TEST_ALL=1")
	}
	need(t, "systemctl", "modprobe", "ip", "cansend", "curl", "ps")
	dir, err := filepath.EvalSymlinks(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	packages(t, dir, "amd64")
	kernel, err := pcKernel()
	if err != nil {
		benchFailed(t, err)
	}
	if err := os.WriteFile(filepath.Join(dir, "env"), []byte("KERNEL="+kernel+"\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Mkdir(filepath.Join(dir, "out"), 0o755); err != nil {
		t.Fatal(err)
	}
	for _, name := range []string{"init.sh", "try.sh"} {
		text, err := os.ReadFile(filepath.Join("testdata/package", name))
		if err := errors.Join(err, os.WriteFile(filepath.Join(dir, name), text, 0o755)); err != nil {
			t.Fatal(err)
		}
	}
	console, err := runPC(dir, "init.sh")
	if err != nil {
		benchFailed(t, err)
	}
	text, _ := os.ReadFile(filepath.Join(dir, "out", "try.log"))
	said := map[string]string{}
	for line := range strings.Lines(string(text)) {
		if key, value, ok := strings.Cut(strings.TrimPrefix(strings.TrimSpace(line), "say "), " "); ok && strings.HasPrefix(line, "say ") {
			said[key] = value
		}
	}
	if said["finished"] != "yes" {
		early, _ := os.ReadFile(filepath.Join(dir, "init.log"))
		t.Fatalf("the PC did not finish: %s\n%s\n%s", console, early, text)
	}
	for key, most := range map[string]int{"memory": 32 << 20, "hub_memory": 128 << 20} {
		memory, err := strconv.Atoi(said[key])
		if err != nil || memory > most {
			t.Errorf("%s %q: want at most %d MiB", key, said[key], most>>20)
		}
		t.Logf("%s: %.1f MB", key, float64(memory)/1e6)
		delete(said, key)
	}
	want := map[string]string{"installed": "yes", "started": "active", "enabled": "enabled", "ready": "ready", "user": "unprivileged", "capabilities": "0000000000000000",
		"queue": "8388608", "devices": "1", "reloaded": "yes", "status": "config reloaded", "after_reload": "active", "same_process": "yes", "networks": "2", "after_broken_config": "active", "told": "1", "after_kill": "active", "restarts": "1", "remembered": "yes",
		"hub_installed": "yes", "hub_started": "active", "hub_enabled": "enabled", "hub_user": "muster-hub", "hub_capabilities": "0000000000000000",
		"hub_root_refused": "1", "hub_enrolled": "1", "hub_boat": "yes", "hub_after_kill": "active", "hub_remembered": "yes", "hub_purged": "yes",
		"removed": "yes", "after_removal": "inactive", "purged": "yes", "finished": "yes"}
	if diff := cmp.Diff(want, said); diff != "" {
		t.Errorf("(-want +got)\n%s\n%s", diff, text)
	}
}
