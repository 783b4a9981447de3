package main

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"muster/internal/release"
)

// TestServiceRecordSteps: the steps of the work order are in the record, from the progress file or from what the
// snapshots show.
func TestServiceRecordSteps(t *testing.T) {
	dir := t.TempDir()
	in := func(name string) string { return filepath.Join(dir, name) }
	before, after, order, progress := in("before.json"), in("after.json"), in("order.json"), in("progress.json")
	muster(t, "snapshot", "sim:demo", "--ask", "--for", "20s", "-o", before)
	muster(t, "snapshot", "sim:demo", "--ask", "--for", "6m", "-o", after)
	sheets, err := release.Load(t.Context(), release.SheetFile{Name: "larkfin.yaml", Data: []byte(`schema: muster.sheet/v1
models:
  - name: LF9 display
    match: {manufacturer: Larkfin*, manufacturer_code: 2001, model: "*LF9 display*"}
    numbering: {scheme: decimal}
    releases: [{version: 4.47}, {version: 4.52}]
    medium: {kind: microSD card, min_gb: 2, max_gb: 32, file_system: FAT32, file: LF.lfw}
    minutes: 15
`)})
	if err != nil {
		t.Fatal(err)
	}
	b, a := read(t, before), read(t, after)
	digest, err := b.Digest()
	if err != nil {
		t.Fatal(err)
	}
	o, _ := release.Plan(b.Report, digestOf(digest), "", sheets, release.Options{Made: b.TakenAt()})
	if len(o.Steps()) != 1 {
		t.Fatalf("%d steps", len(o.Steps()))
	}
	write := func(name string, data []byte, err error) {
		t.Helper()
		if err == nil {
			err = os.WriteFile(name, data, 0o600)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	data, err := o.JSON()
	write(order, data, err)
	f, err := release.NewFollower(o, b.Report)
	if err != nil {
		t.Fatal(err)
	}
	f.Observe(a.TakenAt(), a.Report, release.Conditions{})
	if _, err := f.Confirm(a.TakenAt(), "1.1", release.Reading{Version: "4.52", By: "Ilse"}); err != nil {
		t.Fatal(err)
	}
	data, err = f.Save()
	write(progress, data, err)

	job := filepath.FromSlash("../../deploy/examples/job.yaml")
	record := func(name string, more ...string) string {
		t.Helper()
		muster(t, append([]string{"service-record", before, after, "--job", job, "-o", in(name)}, more...)...)
		text, err := os.ReadFile(in(name))
		if err != nil {
			t.Fatal(err)
		}
		return string(text)
	}
	if text := record("none.html"); strings.Contains(text, "Work order") {
		t.Error("a record without an order has a work order")
	}
	for _, tt := range []struct {
		name string
		args []string
		want []string
	}{
		{"order.html", []string{"--order", order}, []string{"1.1 Larkfin LF9 display (LF9-41033), 4.47 → 4.52: "}},
		{"progress.html", []string{"--order", order, "--progress", progress}, []string{"1.1 Larkfin LF9 display (LF9-41033), 4.47 → 4.52: ", "its version was read from its screen by Ilse"}},
	} {
		text := record(tt.name, tt.args...)
		for _, want := range tt.want {
			if !strings.Contains(text, want) {
				t.Errorf("%s: no %q in %s", tt.name, want, text)
			}
		}
	}

	status, errs := tell(t, "service-record", before, after, "--job", job, "-o", in("x.pdf"), "--order", order, "--progress", order)
	if status != exitUsage || !strings.Contains(errs, "error: --progress "+order+": restore the following of an order: ") || !strings.Contains(errs, "hint: give the file that muster follow kept") {
		t.Errorf("exit status %d: %s", status, errs)
	}
}
