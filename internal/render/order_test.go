package render

import (
	"bytes"
	"io"
	"os"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"muster/internal/event"
	"muster/internal/hosttest"
	"muster/internal/release"
)

func readOrder(t testing.TB) *release.Order {
	t.Helper()
	text, err := os.ReadFile(hosttest.Testdata(t, "evidence/order.json"))
	if err != nil {
		t.Fatal(err)
	}
	o, err := release.ParseOrder(t.Context(), text)
	if err != nil {
		t.Fatal(err)
	}
	return o
}

func TestOrderGolden(t *testing.T) {
	o := readOrder(t)
	golden(t, "order.txt", func(w io.Writer) error { return OrderText(w, o) })
	golden(t, "order.html", func(w io.Writer) error {
		var b bytes.Buffer
		if err := OrderHTML(&b, o); err != nil {
			return err
		}
		for _, what := range []string{"<script", "src=", "href="} {
			if bytes.Contains(b.Bytes(), []byte(what)) {
				t.Errorf("the page loads or runs something: %s", what)
			}
		}
		_, err := b.WriteTo(w)
		return err
	})
}

// Foreign text cannot steer a terminal or a browser.
func TestOrderIsHarmless(t *testing.T) {
	o := readOrder(t)
	const evil = "<script>alert(1)</script>\x1b[2J"
	o.Groups[0].Steps[0].Device.Label, o.Groups[0].Steps[0].Device.Place, o.NoUpdate[0].Why = evil, evil, evil
	var page, text bytes.Buffer
	if err := OrderHTML(&page, o); err != nil || bytes.Contains(page.Bytes(), []byte("<script")) || bytes.ContainsRune(page.Bytes(), 0x1B) {
		t.Errorf("%v: the page holds a script or an escape", err)
	}
	if err := OrderText(&text, o); err != nil || strings.Contains(text.String(), "\x1b") {
		t.Errorf("%v: the text holds an escape", err)
	}
}

func FuzzOrder(f *testing.F) {
	text, err := os.ReadFile(hosttest.Testdata(f, "evidence/order.json"))
	if err != nil {
		f.Fatal(err)
	}
	f.Add(text)
	f.Add([]byte("{}"))
	f.Fuzz(func(t *testing.T, data []byte) {
		o, err := release.ParseOrder(t.Context(), data)
		if err != nil {
			return
		}
		if err := OrderHTML(io.Discard, o); err != nil {
			t.Error(err)
		}
		if err := OrderText(io.Discard, o); err != nil {
			t.Error(err)
		}
	})
}

func BenchmarkOrderHTML(b *testing.B) {
	o := readOrder(b)
	b.ReportAllocs()
	for b.Loop() {
		if err := OrderHTML(io.Discard, o); err != nil {
			b.Fatal(err)
		}
	}
}

func TestSteps(t *testing.T) {
	start := event.At(time.Date(2026, 6, 1, 8, 0, 0, 0, time.UTC))
	var b bytes.Buffer
	if err := Steps(&b, []release.StepStatus{
		{Step: "1.1", Label: "Larkfin LF9 display (L9-0001)", From: "4.47", To: "4.50", State: release.StepFailed, LeftAt: start.Add(10 * time.Second),
			BackAt: start.Add(30 * time.Second), Failures: []release.Failure{{Reason: release.ReasonOldVersion, Text: "came back on the old version 4.47\x1b"}}},
		{Step: "1.2", Label: "LF12", From: "4.40", To: "4.50", State: release.StepVerified, VerifiedAt: start},
		{Step: "1.3", Label: "LF12", From: "4.40", To: "4.50", State: release.StepLeft},
		{Step: "2.1", Label: "Larkfin Olbo 30 sonar (S3-0001)", From: "2.9.0", To: "2.10.1", State: release.StepWaiting},
	}); err != nil {
		t.Fatal(err)
	}
	want := `[!] 1.1 Larkfin LF9 display (L9-0001) 4.47 -> 4.50 failed, left 2026-06-01T08:00:10Z, back 2026-06-01T08:00:30Z
      came back on the old version 4.47\x1b
[x] 1.2 LF12 4.40 -> 4.50 is verified, verified 2026-06-01T08:00:00Z
[>] 1.3 LF12 4.40 -> 4.50 left the network
[ ] 2.1 Larkfin Olbo 30 sonar (S3-0001) 2.9.0 -> 2.10.1 waiting
`
	if d := cmp.Diff(want, b.String()); d != "" {
		t.Error(d)
	}
}

func TestStepChange(t *testing.T) {
	c := release.StepChange{Step: "1.1", Label: "LF9\x1b", From: release.StepLeft, To: release.StepFailed, At: event.At(time.Date(2026, 6, 1, 8, 0, 0, 0, time.UTC)),
		Failures: []release.Failure{{Reason: release.ReasonNotBack, Text: "a"}, {Reason: release.ReasonSupply, Text: "b"}}, Note: "n"}
	if got := StepChange(c); got != `2026-06-01T08:00:00Z 1.1 LF9\x1b failed: a; b: n` {
		t.Error(got)
	}
}
