package webtest

import (
	"os"
	"testing"

	"github.com/google/go-cmp/cmp"
)

// Golden holds text to a file, or writes the file anew.
func Golden(t *testing.T, file string, got []byte, update bool) {
	t.Helper()
	if update {
		if err := os.WriteFile(file, got, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(string(want), string(got)); d != "" {
		t.Errorf("%s is not as it would be written now (-update writes it anew; read the diff):\n%s", file, d)
	}
}
