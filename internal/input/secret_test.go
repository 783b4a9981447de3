package input

import (
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
)

// TestSecret: a secret that every user of the computer can read is refused; one of a group, as a service manager gives it, is not.
func TestSecret(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("files have no modes on Windows")
	}
	file := filepath.Join(t.TempDir(), "token")
	if err := os.WriteFile(file, []byte("0123"), 0o600); err != nil {
		t.Fatal(err)
	}
	for mode, refused := range map[os.FileMode]bool{0o400: false, 0o600: false, 0o640: false, 0o644: true, 0o604: true} {
		if err := os.Chmod(file, mode); err != nil {
			t.Fatal(err)
		}
		text, err := Secret(t.Context(), file, 10)
		if refused != (err != nil) || refused != strings.Contains(message(err), "chmod 600") || !refused && string(text) != "0123" {
			t.Errorf("%v: %q %v", mode, text, err)
		}
	}
	if _, err := Secret(t.Context(), file+".gone", 10); !os.IsNotExist(err) {
		t.Errorf("a file that is not there: %v", err)
	}
}

func message(err error) string {
	if err == nil {
		return ""
	}
	return err.Error()
}
