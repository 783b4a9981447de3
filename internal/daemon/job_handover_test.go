package daemon

import (
	"bytes"
	"errors"
	"io"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/job"
	"muster/internal/report"
	"muster/internal/snapshot"
)

// TestHandOver: a job goes from the boat computer to the laptop and back, and is the same job here; one of another boat is refused.
func TestHandOver(t *testing.T) {
	y := newYard(t, t0.UTC())
	y.work(45)
	y.follow()
	pack := func() []byte {
		var out bytes.Buffer
		y.act(func() error {
			f, err := y.d.Desk().PackJob(t.Context(), "")
			if err == nil {
				_, err = io.Copy(&out, f)
				err = errors.Join(err, f.Close())
			}
			return err
		})
		return out.Bytes()
	}
	y.act(func() error {
		return y.d.Desk().ActOnJob(t.Context(), api.JobAct{By: "Jo", Do: "hand-over", To: "the laptop"})
	})
	if j := y.d.Desk().Job(); j.Stage != api.StageAway || j.Open() || !strings.Contains(j.Next.Do, "the laptop") {
		t.Fatalf("%s: %+v", j.Stage, j.Next)
	}
	y.work(60) // nothing more is followed here
	out := pack()
	dir := filepath.Join(t.TempDir(), "visit")
	laptop, err := job.Unpack(t.Context(), dir, "laptop", bytes.NewReader(out), int64(len(out)), func(*job.Visit) error { return nil })
	if err != nil {
		t.Fatal(err)
	}
	err = errors.Join(laptop.TakeOver(t.Context(), "Ana"), laptop.Add(t.Context(), job.Entry{Kind: job.Note, By: "Ana", Data: job.Words{Text: "on the laptop"}}),
		laptop.HandOver(t.Context(), "Ana", "the boat computer"))
	var back bytes.Buffer
	if err = errors.Join(err, job.Pack(t.Context(), dir, &back)); err != nil {
		t.Fatal(err)
	}
	take := func() error {
		return y.d.Desk().TakeJob(t.Context(), "Jo", bytes.NewReader(back.Bytes()), int64(back.Len()))
	}
	folder := y.d.Desk().Job().Folder
	y.act(take)
	j := y.d.Desk().Job()
	if !j.Open() || j.Folder != folder || len(y.d.Desk().PastJobs()) != 1 || !slices.ContainsFunc(j.Notes, func(s job.Statement) bool { return s.Text == "on the laptop" }) {
		t.Errorf("%s in %s: %+v", j.Stage, j.Folder, j.Notes)
	}
	go func() { (<-y.d.model.jobs.acts)() }()
	if err := take(); !errors.Is(err, api.ErrJobOpen) {
		t.Errorf("taken over while one is open: %v", err)
	}
	other := &report.Report{Schema: report.V2, Devices: []report.Device{{ID: "C0789100FA400C99", State: boat.Present,
		Product: &boat.Product{Model: "GW3 wind", Serial: "W-1"}}}}
	other.Complete()
	if err := y.d.model.jobs.ofThisBoat(&job.Visit{Before: snapshot.New(other)}); err == nil || !strings.Contains(err.Error(), "another boat") {
		t.Errorf("another boat's: %v", err)
	}
}
