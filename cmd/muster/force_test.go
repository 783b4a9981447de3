package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"github.com/spf13/cobra"
)

// TestOutputAndForce: -o and --force mean the same in every command. A file that exists is refused with one hint and stays as it is, and
// is overwritten with --force. A key is the exception: it is never overwritten.
func TestOutputAndForce(t *testing.T) {
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	muster(t, "snapshot", "sim:demo", "--ask", "--for", "40s", "-o", in("before.json"))
	muster(t, "snapshot", "sim:demo", "--ask", "--for", "50s", "-o", in("after.json"))
	muster(t, "job", "open", in("visit"), "sim:demo", "--ask", "--for", "40s", "--by", "Ana")
	short := []string{"--for", "10s"}
	commands := map[string][]string{ // with the output last
		"muster capture":        append([]string{"capture", "sim:demo"}, append(short, "-o", in("a.log"))...),
		"muster snapshot":       append([]string{"snapshot", "sim:demo"}, append(short, "-o", in("a.json"))...),
		"muster plan":           {"plan", in("before.json"), "--sheets", "../../deploy/sheets", "-o", in("order.txt")},
		"muster service-record": {"service-record", in("before.json"), in("after.json"), "--job", "../../deploy/examples/job.yaml", "-o", in("a.html")},
		"muster backbone":       {"backbone", "../../deploy/examples/layout.yaml", "-o", in("layout.html")},
		"muster job pack":       {"job", "pack", in("visit"), "-o", in("a.zip")},
		"muster simulate":       append([]string{"simulate", "demo"}, append(short, "--to", in("s.log"))...),
	}
	var walk func(c *cobra.Command)
	walk = func(c *cobra.Command) {
		for _, sub := range c.Commands() {
			walk(sub)
		}
		path := c.CommandPath()
		output, force := c.LocalFlags().Lookup("output"), c.LocalFlags().Lookup("force")
		if path == "muster key new" || output == nil && force == nil {
			return
		}
		if output != nil && output.Shorthand != "o" || force == nil || !strings.HasPrefix(force.Usage, "Overwrite ") || force.Shorthand != "" {
			t.Errorf("%s: -o and --force are not as in the others", path)
		}
		if commands[path] == nil {
			t.Errorf("%s writes a file, and no line here tries it", path)
		}
	}
	walk(new(app).program())
	for path, args := range commands {
		t.Run(path, func(t *testing.T) {
			file := args[len(args)-1]
			if err := os.WriteFile(file, []byte("kept"), 0o644); err != nil {
				t.Fatal(err)
			}
			status, errs := tell(t, args...)
			if status != exitUsage || !strings.Contains(errs, `error: write "`+file+`": the file exists`) || strings.Count(errs, "hint: ") != 1 ||
				readAll(t, file) != "kept" {
				t.Errorf("status %d: %s", status, errs)
			}
			if status, errs = tell(t, append(args, "--force")...); status == exitUsage || status == exitSource || readAll(t, file) == "kept" {
				t.Errorf("with --force: status %d: %s", status, errs)
			}
		})
	}
	name := in("shop.key")
	muster(t, "key", "new", "-o", name)
	if status, errs := tell(t, "key", "new", "-o", name); status != exitUsage || !strings.Contains(errs, "a key is never overwritten") {
		t.Errorf("status %d: %s", status, errs)
	}
}
