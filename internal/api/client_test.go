package api_test

import (
	"bytes"
	"context"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/rs/zerolog"

	"muster/internal/api"
	"muster/internal/daemon"
	"muster/internal/daemon/daemontest"
	"muster/internal/ui/webtest"
)

const npmClient = "openapi-typescript (npm install -g openapi-typescript openapi-fetch typescript@5 ajv ajv-formats)"

// TestTypeScriptClient generates a client of another language from the API's description, compiles it strictly, and drives
// every operation with it. The client holds each answer, problems too, to the schema that the description gives for it.
func TestTypeScriptClient(t *testing.T) {
	if testing.Short() {
		t.Skip("short")
	}
	generator, err := exec.LookPath("openapi-typescript")
	webtest.Need(t, npmClient, err)
	generator, err = filepath.EvalSymlinks(generator)
	webtest.Need(t, npmClient, err)
	modules := filepath.Join(filepath.Dir(generator), "..", "..")
	for _, name := range []string{"openapi-fetch", "typescript", "ajv", "ajv-formats"} {
		_, err := os.Stat(filepath.Join(modules, name))
		webtest.Need(t, npmClient, err)
	}
	const act, look = "0123456789abcdef-act", "0123456789abcdef-read"
	d := daemontest.Demo(t, "demo", 20, func(o *daemon.Options) { o.Config.Token, o.Config.ReadToken = act, look })
	daemontest.Until(t, "the displays differ", func() bool { return daemontest.OpenAlert(d, "software-differs") })

	dir := t.TempDir()
	run := func(name string, args ...string) {
		t.Helper()
		cmd := exec.CommandContext(t.Context(), name, args...)
		cmd.Dir = dir
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%s: %v\n%s", filepath.Base(args[0]), err, out)
		} else {
			t.Logf("%s", bytes.TrimSpace(out))
		}
	}
	webtest.Must(t, os.Symlink(modules, filepath.Join(dir, "node_modules")))
	drive, err := os.ReadFile("testdata/drive.ts")
	webtest.Must(t, err)
	webtest.Must(t, os.WriteFile(filepath.Join(dir, "drive.ts"), drive, 0o600))
	req, err := http.NewRequestWithContext(t.Context(), http.MethodGet, d.URL()+"/api/v1/openapi.json", nil)
	webtest.Must(t, err)
	req.Header.Set("Authorization", "Bearer "+look)
	resp, err := http.DefaultClient.Do(req)
	webtest.Must(t, err)
	defer resp.Body.Close()
	f, err := os.Create(filepath.Join(dir, "openapi.json"))
	webtest.Must(t, err)
	_, err = f.ReadFrom(resp.Body)
	webtest.Must(t, err)
	webtest.Must(t, f.Close())

	// A server that only shows, to one page at a time.
	shows, err := api.New(api.Options{Listen: "127.0.0.1:0", Reports: d, Log: zerolog.Nop(), MaxEventListeners: 1})
	webtest.Must(t, err)
	served := make(chan error, 1)
	go func() { served <- shows.Serve() }()
	t.Cleanup(func() {
		if err := shows.Stop(context.Background()); err != nil {
			t.Error(err)
		}
		if err := <-served; err != nil {
			t.Error(err)
		}
	})

	webtest.Must(t, os.WriteFile(filepath.Join(dir, "package.json"), []byte(`{"type": "module"}`), 0o600))
	run("node", generator, "openapi.json", "--output", "api.d.ts")
	run("node", filepath.Join(modules, "typescript", "bin", "tsc"), "--strict", "--noUncheckedIndexedAccess", "--target", "es2022", "--module", "nodenext",
		"--moduleResolution", "nodenext", "--skipLibCheck", "--lib", "es2022,dom,dom.iterable,dom.asynciterable", "drive.ts")
	run("node", "drive.js", d.URL(), shows.URL(), act, look)
}
