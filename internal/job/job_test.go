package job

import (
	"bytes"
	"errors"
	"image"
	"image/png"
	"os"
	"path/filepath"
	"reflect"
	"strings"
	"testing"

	"muster/internal/boat"
	"muster/internal/event"
	"muster/internal/report"
	"muster/internal/snapshot"

	"muster/internal/input"
	"muster/internal/input/inputtest"
)

const jobText = `
number: "2026-114"
date: 4 May 2026
technician: Ilse Övningså
customer: Ζωή Πελάτης, Юрий Заказчик
place: berth 12
work: Bring both displays to one release; find out why the battery monitor disappears.
shop:
  name: Example Marine Electronics
  address: [Slipway 3, Sampleport]
  contact: office@marine.example
open_items:
  - check: bus-load-high
    why: a second backbone is ordered
notes: [Old release kept on the card in the chart table]
`

func TestTypo(t *testing.T) {
	for _, c := range []struct{ name, in, want string }{
		{"unknown key", "number: \"1\"\ntechnican: Ilse\n", "line 2, column 1: unknown key"},
		{"not YAML", "number: [1", "line 1, column 9: the [ that begins here"},
		{"no number", "technician: Ilse\n", "number is missing"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := Parse(t.Context(), "", []byte(c.in))
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v, want it to say %q", err, c.want)
			}
		})
	}
}

// TestLogo: the logo lies beside the job file, and one that cannot be printed is refused.
func TestLogo(t *testing.T) {
	dir := t.TempDir()
	var picture bytes.Buffer
	if err := png.Encode(&picture, image.NewRGBA(image.Rect(0, 0, 40, 20))); err != nil {
		t.Fatal(err)
	}
	for name, data := range map[string][]byte{"good.png": picture.Bytes(), "cut.png": picture.Bytes()[:60], "text.png": []byte("no picture")} {
		if err := os.WriteFile(filepath.Join(dir, name), data, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	for _, c := range []struct{ logo, want string }{
		{"good.png", ""}, {"cut.png", "damaged"}, {"text.png", "give a PNG or JPEG"}, {"none.png", "none.png"},
	} {
		t.Run(c.logo, func(t *testing.T) {
			file := filepath.Join(dir, "job.yaml")
			if err := os.WriteFile(file, []byte("number: \"1\"\nshop:\n  name: Quay\n  logo: "+c.logo+"\n"), 0o644); err != nil {
				t.Fatal(err)
			}
			j, err := Load(t.Context(), file)
			if c.want != "" {
				if err == nil || !strings.Contains(err.Error(), c.want) {
					t.Errorf("got %v, want it to say %q", err, c.want)
				}
				return
			}
			if err != nil {
				t.Fatal(err)
			}
			if l := j.Logo; l.Format != "png" || l.Width != 40 || l.Height != 20 || !bytes.Equal(l.Data, picture.Bytes()) {
				t.Errorf("got a %s of %d × %d, %d bytes", l.Format, l.Width, l.Height, len(l.Data))
			}
		})
	}
}

func TestRecordNeedsSeals(t *testing.T) {
	sealed := func(at event.Time) *snapshot.Snapshot {
		s := snapshot.New(&report.Report{Schema: report.V1, TakenAt: at, Boat: boat.Identity{ID: "wagtail"}})
		if err := s.Close(nil); err != nil {
			t.Fatal(err)
		}
		return s
	}
	before, after := sealed(1), sealed(2)
	c, err := snapshot.Compare(before, after, snapshot.Options{})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := NewRecord(before, after, c, &Job{Number: "1"}, nil); err != nil {
		t.Error(err)
	}
	after.Report.Boat.Name = "Avocet"
	if _, err := NewRecord(before, after, c, &Job{Number: "1"}, nil); !errors.Is(err, ErrUnsealed) || !strings.HasPrefix(err.Error(), "after: ") {
		t.Errorf("got %v, want ErrUnsealed of after", err)
	}
}

func FuzzParse(f *testing.F) {
	f.Add([]byte(jobText))
	f.Add([]byte("number: {}\n"))
	f.Fuzz(func(t *testing.T, in []byte) {
		if job, err := Parse(t.Context(), "", in); err == nil && job.Number == "" {
			t.Error("took a job without a number")
		}
	})
}

// TestJobSchema: the schemas of a job file and of a profile have the keys that the reader takes, and no other.
func TestJobSchema(t *testing.T) {
	inputtest.SameKeys(t, Schema, reflect.TypeFor[Job](), input.Keys)
	inputtest.SameKeys(t, ProfileSchema, reflect.TypeFor[Job](), input.Keys)
}
