package job

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
)

// TestRecover: the traffic of a program that was stopped is part of the job at the next start; a piece that is being written is not
// touched, and nothing is taken twice.
func TestRecover(t *testing.T) {
	v := visited(t, false)
	done, err := v.Writing("follow-2.log.zst")
	if err != nil {
		t.Fatal(err)
	}
	dir := filepath.Join(v.Dir, "traffic")
	for name, text := range map[string]string{".muster-17-follow-1.log.zst": "cut", ".muster-18-follow-2.log.zst": "running",
		".muster-19-before.log.zst": "", "follow-3.log.zst": "named, and not in the ledger", "kept.log.zst": "kept"} {
		if err := os.WriteFile(filepath.Join(dir, name), []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	if err := v.Keep(t.Context(), "Ana", "traffic/kept.log.zst"); err != nil {
		t.Fatal(err)
	}
	names, err := v.Recover(t.Context(), "Ana")
	if want := "[traffic/cut-follow-1.log.zst traffic/cut-follow-3.log.zst]"; err != nil || fmt.Sprint(names) != want {
		t.Errorf("got %v, %v, want %s", names, err, want)
	}
	done()
	again, err := v.Recover(t.Context(), "Ana")
	if err != nil || fmt.Sprint(again) != "[traffic/cut-follow-2.log.zst]" {
		t.Errorf("after the program ended: %v, %v", again, err)
	}
	if none, err := v.Recover(t.Context(), "Ana"); err != nil || len(none) > 0 {
		t.Errorf("a third time: %v, %v", none, err)
	}
	p, err := Check(t.Context(), v.Dir)
	if err != nil || len(p.Problems)+len(p.Strange) > 0 {
		t.Errorf("%+v, %v", p, err)
	}
	if last := v.Files[len(v.Files)-1]; !strings.HasPrefix(last.Text, "cut off") {
		t.Errorf("%+v", last)
	}
}
