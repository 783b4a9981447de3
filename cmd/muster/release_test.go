package main

import (
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// TestRelease makes a release twice: the bytes are the same, OpenSSL and sha256sum accept them, and they hold what people download.
func TestRelease(t *testing.T) {
	if testing.Short() || os.Getenv("MUSTER_TEST_ALL") != "1" {
		t.Skip("builds a release twice: set MUSTER_TEST_ALL=1")
	}
	need(t, "openssl", "sha256sum")
	dir := t.TempDir()
	in := func(where, program string, args ...string) {
		t.Helper()
		c := exec.CommandContext(t.Context(), program, args...)
		c.Dir = where
		if out, err := c.CombinedOutput(); err != nil {
			t.Fatalf("%s %s: %v\n%s", program, strings.Join(args, " "), err, out)
		}
	}
	key, public := filepath.Join(dir, "key.pem"), filepath.Join(dir, "key.pub")
	in(dir, "openssl", "genpkey", "-algorithm", "ed25519", "-out", key)
	in(dir, "openssl", "pkey", "-in", key, "-pubout", "-out", public)
	var sums [2]string
	for i, name := range []string{"one", "two"} {
		made := filepath.Join(dir, name)
		in("../..", "deploy/package/release", "v0.9.0", "-o", made, "--key", key, "linux/amd64", "windows/amd64")
		in(made, "openssl", "pkeyutl", "-verify", "-pubin", "-inkey", public, "-rawin", "-in", "SHA256SUMS", "-sigfile", "SHA256SUMS.sig")
		in(made, "sha256sum", "--quiet", "--check", "SHA256SUMS")
		sums[i] = readAll(t, filepath.Join(made, "SHA256SUMS"))
	}
	if diff := cmp.Diff(sums[0], sums[1]); diff != "" {
		t.Errorf("the second release differs: %s", diff)
	}
	for _, name := range []string{"muster_0.9.0_linux_amd64.tar.gz", "muster_0.9.0_windows_amd64.zip", "muster_0.9.0_amd64.deb",
		"muster-hub_0.9.0_amd64.deb", "apt/Packages", "apt/Release", "image/index.json", "image/oci-layout", "compose.yaml", "CHANGES.md",
		"muster_0.9.0.cdx.json"} {
		if !strings.Contains(sums[0], "  "+name+"\n") {
			t.Errorf("the release has no %s", name)
		}
	}
	if modules := readAll(t, filepath.Join(dir, "one", "muster_0.9.0.cdx.json")); !strings.Contains(modules, "pkg:golang/github.com/spf13/cobra@") {
		t.Error("the list of modules lacks one that the program is built of")
	}
}
