package daemon

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"muster/internal/api"
	"muster/internal/capture"
	"muster/internal/event"
	"muster/internal/job"
)

// pieces are the files of raw traffic that the job's ledger names, each read to its end: frames, and whether its network is introduced.
func pieces(t *testing.T, y *yard) (names []string, frames int) {
	t.Helper()
	dir := filepath.Join(y.d.model.jobs.dir, y.d.Desk().Job().Folder)
	for _, f := range y.d.Desk().Job().Files {
		if f.What != job.Traffic {
			continue
		}
		names = append(names, f.File)
		in, err := os.Open(filepath.Join(dir, filepath.FromSlash(f.File)))
		if err != nil {
			t.Fatal(err)
		}
		r, err := capture.NewReader(in)
		if err != nil {
			t.Fatalf("%s: %v", f.File, err)
		}
		events := make([]event.Event, 256)
		for err == nil {
			var n int
			n, err = r.Read(events)
			for i := range events[:n] {
				if events[i].Kind == event.KindFrame {
					frames++
				}
			}
		}
		_ = r.Close()
	}
	return names, frames
}

// TestTrafficOfJob: from the opening of a job to the snapshot after the work the raw traffic is in its folder, in pieces that the ledger names;
// a job that keeps as much as it may says so once.
func TestTrafficOfJob(t *testing.T) {
	y := newYard(t, t0.UTC())
	k := y.d.model.jobs
	y.work(45)
	y.follow()
	k.pieceBytes = 1
	y.work(60)
	names, frames := pieces(t, y)
	if len(names) < 2 || frames < 100 || !strings.HasPrefix(names[0], "traffic/boat-") {
		t.Fatalf("%d frames in %q", frames, names)
	}
	k.trafficBytes = 1
	y.work(60)
	full := 0
	for _, n := range y.d.Desk().Job().Notes {
		if n.Text == trafficFull && n.By == "muster" {
			full++
		}
	}
	if again, _ := pieces(t, y); full != 1 || len(again) > len(names)+1 {
		t.Errorf("said %d times; %q after %q", full, again, names)
	}
	y.step("after")
	y.step("close")
	proof, err := job.Check(t.Context(), filepath.Join(k.dir, y.d.Desk().Job().Folder))
	if err != nil || len(proof.Problems) > 0 || len(proof.Strange) > 0 && !strings.HasSuffix(proof.Strange[0], ".lock") {
		t.Errorf("%+v, %v", proof, err)
	}
}

// TestTrafficAfterPowerCut: what was written before the power was cut is taken up at the next start, and a job that is handed over has all.
func TestTrafficAfterPowerCut(t *testing.T) {
	y := newYard(t, t0.UTC())
	k := y.d.model.jobs
	y.work(45)
	y.follow()
	y.work(30)
	p := k.traffic.swap(nil) // nobody ends it
	if p == nil {
		t.Fatal("no traffic is kept")
	}
	p.done()
	y.work(30)
	y.act(func() error {
		return y.d.Desk().ActOnJob(t.Context(), api.JobAct{By: "Jo", Do: "hand-over", To: "the laptop"})
	})
	names, frames := pieces(t, y)
	if len(names) != 2 || !strings.HasPrefix(names[0], "traffic/cut-boat-") || frames < 100 {
		t.Errorf("%d frames in %q", frames, names)
	}
}

// TestTrafficGoesOnWithout: a piece that cannot be written keeps nobody from the job.
func TestTrafficGoesOnWithout(t *testing.T) {
	y := newYard(t, t0.UTC())
	y.work(45)
	y.follow()
	y.work(2)
	k := y.d.model.jobs
	if err := k.traffic.out.file.Close(); err != nil {
		t.Fatal(err)
	}
	y.work(120)
	y.step("after")
	if j := y.d.Desk().Job(); !k.noTraffic || j.Stage != api.StageRecord || j.Problem != "" {
		t.Errorf("%s: %s", j.Stage, j.Problem)
	}
}
