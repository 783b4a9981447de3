package render

import (
	"bytes"
	"fmt"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"rsc.io/qr"

	"muster/internal/job"
)

// TestCodeOnPaper: what a reader nobody here wrote (zbar) reads off the first page is the ledger's head, and the page's picture has the
// same modules.
func TestCodeOnPaper(t *testing.T) {
	r := tenSteps(t)
	r.Account.Lines, r.Account.Digest = 37, job.Digest([]byte("a line"))
	want := fmt.Sprintf("MUSTER LEDGER %d SHA-256 %s", r.Account.Lines, strings.ToUpper(r.Account.Digest))
	picture := filepath.Join(t.TempDir(), "front")
	if out, err := exec.Command(need(t, "pdftoppm"), "-png", "-r", "150", "-f", "1", "-l", "1", "-singlefile", writePDF(t, r), picture).CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	read, err := exec.Command(need(t, "zbarimg"), "--quiet", "--raw", picture+".png").Output()
	if got := strings.TrimSpace(string(read)); err != nil || got != want {
		t.Errorf("read off the paper: %q, %v; want %q", got, err, want)
	}

	var html bytes.Buffer
	if err := ServiceRecordHTML(&html, r); err != nil {
		t.Fatal(err)
	}
	_, path, ok := strings.Cut(html.String(), `aria-label="`+want+`"`)
	_, path, found := strings.Cut(path, ` d="`)
	path, _, _ = strings.Cut(path, `"`)
	code, err := qr.Encode(want, qr.L)
	if err != nil || !ok || !found {
		t.Fatalf("no code on the page: %v", err)
	}
	drawn := map[[2]int]bool{}
	for run := range strings.SplitSeq(strings.TrimSuffix(path, "z"), "z") {
		var x, y, n, back int
		if _, err := fmt.Sscanf(run, "M%d %dh%dv1h-%d", &x, &y, &n, &back); err != nil || n != back {
			t.Fatalf("%q: %v", run, err)
		}
		for i := range n {
			drawn[[2]int{x + i, y}] = true
		}
	}
	for y := range code.Size {
		for x := range code.Size {
			if drawn[[2]int{x, y}] != code.Black(x, y) {
				t.Fatalf("module %d, %d: %v on the page", x, y, drawn[[2]int{x, y}])
			}
		}
	}
}

// TestWriteCode: the letters of the terminal hold every module of the code, with an empty border.
func TestWriteCode(t *testing.T) {
	const text = "http://192.0.2.7:8632/login?once=ABCDEFGHIJKLMNOPQRSTUVWXYZ"
	var b strings.Builder
	if err := WriteCode(&b, text); err != nil {
		t.Fatal(err)
	}
	code, err := qr.Encode(text, qr.L)
	if err != nil {
		t.Fatal(err)
	}
	lines := strings.Split(strings.TrimSuffix(b.String(), "\n"), "\n")
	for i, line := range lines {
		line = strings.TrimSuffix(strings.TrimPrefix(line, "\x1b[30;107m"), "\x1b[0m")
		for j, letter := range []rune(line) {
			x, y := j-terminalBorder, 2*i-terminalBorder
			if top, bottom := letter == '█' || letter == '▀', letter == '█' || letter == '▄'; top != code.Black(x, y) || bottom != code.Black(x, y+1) {
				t.Fatalf("%q at %d, %d", letter, x, y)
			}
		}
	}
	if len(lines) < (code.Size+2*terminalBorder)/2 {
		t.Errorf("%d lines for %d modules", len(lines), code.Size)
	}
	if err := WriteCode(&b, strings.Repeat("x", 5000)); err == nil {
		t.Error("a text that has no room is written")
	}
}
