package main

import (
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"github.com/spf13/cobra"

	"muster/internal/cli"
)

// TestManPages: groff reads without a warning each page that the program writes, and the one of the config; each subcommand has its page.
func TestManPages(t *testing.T) {
	need(t, "groff")
	dir := t.TempDir()
	root := (&app{}).program()
	if err := cli.Run(t.Context(), root, []string{"man", dir}, io.Discard, io.Discard); err != nil {
		t.Fatal(err)
	}
	var each func(c *cobra.Command, name string)
	each = func(c *cobra.Command, name string) {
		page := filepath.Join(dir, name+".1")
		if _, err := os.Stat(page); err != nil {
			t.Error(err)
			return
		}
		groff(t, page)
		for _, sub := range c.Commands() {
			if sub.IsAvailableCommand() {
				each(sub, name+"-"+sub.Name())
			}
		}
	}
	each(root, "muster")
	groff(t, "../../deploy/package/muster.yaml.5")
}

func groff(t *testing.T, file string) {
	t.Helper()
	if out, err := exec.Command("groff", "-man", "-Tutf8", "-Kutf8", "-ww", "-z", file).CombinedOutput(); err != nil || len(out) > 0 {
		t.Errorf("%s: %v\n%s", filepath.Base(file), err, out)
	}
}

// TestHelp: each subcommand has a sentence for the list, and those that run have an example that begins with their name.
func TestHelp(t *testing.T) {
	for _, c := range (&app{}).program().Commands() {
		if c.Short == "" {
			t.Errorf("%s has no short help", c.CommandPath())
		}
		if c.Runnable() && c.Example == "" && c.Name() != "schema" {
			t.Errorf("%s has no example", c.CommandPath())
		}
	}
}
