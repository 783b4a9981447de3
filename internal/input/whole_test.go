package input_test

import (
	"os"
	"path/filepath"
	"testing"

	"muster/internal/input"
)

// TestWriteFile: a file is written whole with its mode, what was there is replaced, and what cannot be written leaves nothing behind.
func TestWriteFile(t *testing.T) {
	dir := t.TempDir()
	name := filepath.Join(dir, "boat.key")
	for _, text := range []string{"first", "second, longer"} {
		if err := input.WriteFile(name, []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
		got, err := os.ReadFile(name)
		if err != nil || string(got) != text {
			t.Errorf("%q, %v; want %q", got, err, text)
		}
		if info, err := os.Stat(name); err != nil || info.Mode().Perm()&0o077 != 0 && os.PathSeparator == '/' {
			t.Errorf("%v, %v: others can read it", info.Mode(), err)
		}
	}
	if err := os.Mkdir(filepath.Join(dir, "taken"), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := input.WriteFile(filepath.Join(dir, "taken"), []byte("x"), 0o644); err == nil {
		t.Error("a file took the place of a folder")
	}
	if err := input.WriteFile(filepath.Join(dir, "none", "x"), []byte("x"), 0o644); err == nil {
		t.Error("a file is written into a folder that is not there")
	}
	left, err := os.ReadDir(dir)
	if err != nil || len(left) != 2 {
		t.Errorf("%v, %v: something was left behind", left, err)
	}
}
