package job

import (
	"archive/zip"
	"bytes"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// packed hands a job over and gives its file.
func packed(t *testing.T, v *Visit, to string) []byte {
	t.Helper()
	if to != "" {
		if err := v.HandOver(t.Context(), "Ana", to); err != nil {
			t.Fatal(err)
		}
	}
	var b bytes.Buffer
	if err := Pack(t.Context(), v.Dir, &b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func unpack(t *testing.T, dir, on string, pack []byte) (*Visit, error) {
	t.Helper()
	v, err := Unpack(t.Context(), dir, on, bytes.NewReader(pack), int64(len(pack)), func(*Visit) error { return nil })
	if err == nil {
		err = v.TakeOver(t.Context(), "Ben")
	}
	return v, err
}

// TestHandOver: a job goes from the laptop to the boat and back, and is open in one place at a time.
func TestHandOver(t *testing.T) {
	laptop := visited(t, true)
	boat := filepath.Join(t.TempDir(), "jobs", "00001-1")
	out := packed(t, laptop, "the boat computer")
	if again := packed(t, laptop, "somebody else"); !bytes.Equal(out, again) {
		t.Error("the file made again is another")
	}
	err := laptop.Add(t.Context(), Entry{Kind: Note, By: "Ana", Data: Words{Text: "late"}})
	if !errors.Is(err, ErrAway) || !strings.Contains(err.Error(), "the boat computer") {
		t.Errorf("a note after the hand-over: %v", err)
	}
	if a := Next(laptop, nil); !strings.Contains(a.Do, "the boat computer") || len(a.Missing) > 0 {
		t.Errorf("%+v", a)
	}

	aboard, err := unpack(t, boat, "boat", out)
	if err != nil {
		t.Fatal(err)
	}
	behind := time.Now().Add(-time.Hour) // the clock of the boat computer
	aboard.SetClock(func() time.Time { return behind }, func() string { return "system" })
	say(t, aboard, Note, nil, Words{Text: "aboard"})
	if err := aboard.Put(t.Context(), Attached, "Ben", FileLine{File: "files/a.txt", What: Other}, []byte("aboard")); err != nil {
		t.Fatal(err)
	}
	back := packed(t, aboard, "the laptop")
	home, err := unpack(t, laptop.Dir, "laptop", back)
	if err != nil {
		t.Fatal(err)
	}
	say(t, home, Note, nil, Words{Text: "home"})
	p, err := Check(t.Context(), home.Dir)
	if err != nil || len(p.Problems)+len(p.Strange) > 0 || len(home.Notes) != 2 || !home.Has("files/a.txt") {
		t.Fatalf("%+v, %v; %d notes", p, err, len(home.Notes))
	}
	var on []string
	for _, line := range home.Ledger.Lines {
		on = append(on, line.On)
	}
	if got := strings.Join(on, " "); got != "laptop laptop laptop laptop boat boat boat boat boat laptop laptop" {
		t.Errorf("written on: %s", got)
	}
	if _, err := unpack(t, laptop.Dir, "laptop", back); err == nil || !strings.Contains(err.Error(), "was not handed over") {
		t.Errorf("taken over while it is open: %v", err)
	}
}

// TestHandOverRefused: what is not the job that was handed over is not taken over, and leaves nothing behind.
func TestHandOverRefused(t *testing.T) {
	v := visited(t, true)
	copied := packed(t, v, "")
	other := packed(t, visited(t, true), "the boat computer")
	out := packed(t, v, "the boat computer")
	closed := visited(t, true)
	if err := closed.Close(t.Context(), "Ana"); err != nil {
		t.Fatal(err)
	}
	first, err := unpack(t, filepath.Join(t.TempDir(), "first"), "boat", out)
	if err != nil {
		t.Fatal(err)
	}
	say(t, first, Note, nil, Words{Text: "in the one place"})
	second, err := unpack(t, filepath.Join(t.TempDir(), "second"), "boat", out)
	if err != nil {
		t.Fatal(err)
	}
	say(t, second, Note, nil, Words{Text: "in the other"})
	home, err := unpack(t, v.Dir, "laptop", packed(t, first, "the laptop"))
	if err != nil {
		t.Fatal(err)
	}
	if err := home.HandOver(t.Context(), "Ana", "the boat computer"); err != nil {
		t.Fatal(err)
	}
	empty := filepath.Join(t.TempDir(), "job")
	for _, c := range []struct {
		name, dir string
		pack      []byte
		want      string
	}{
		{"a copy", empty, copied, "it is a copy"},
		{"closed", empty, packed(t, closed, ""), "closed"},
		{"another job", v.Dir, other, "another job"},
		{"went on in two places", v.Dir, packed(t, second, "the laptop"), "two places"},
		{"no zip", empty, []byte("PK"), "muster job pack"},
		{"out of the folder", empty, rezip(t, out, func(name string, text []byte) (string, []byte) {
			return strings.Replace(name, "order.json", "../order.json", 1), text
		}), "no file of a job"},
		{"altered", empty, rezip(t, out, func(name string, text []byte) (string, []byte) {
			return name, bytes.Replace(text, []byte("LF9"), []byte("LF8"), 1)
		}), "not as it was written"},
		{"a stranger", empty, rezip(t, out, func(name string, text []byte) (string, []byte) {
			return strings.Replace(name, "order.json", "other.json", 1), text
		}), "missing"},
	} {
		t.Run(c.name, func(t *testing.T) {
			before := listed(t, filepath.Dir(c.dir))
			if _, err := unpack(t, c.dir, "laptop", c.pack); err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%v", err)
			}
			if after := listed(t, filepath.Dir(c.dir)); after != before {
				t.Errorf("left behind: %s", after)
			}
		})
	}
	if _, err := Unpack(t.Context(), empty, "boat", bytes.NewReader(out), int64(len(out)), func(*Visit) error { return ErrNoJob }); !errors.Is(err, ErrNoJob) {
		t.Errorf("of another boat: %v", err)
	}
}

// rezip changes the names and texts in a zip file.
func rezip(t *testing.T, pack []byte, change func(name string, text []byte) (string, []byte)) []byte {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(pack), int64(len(pack)))
	if err != nil {
		t.Fatal(err)
	}
	var b bytes.Buffer
	w := zip.NewWriter(&b)
	for _, f := range z.File {
		var text bytes.Buffer
		from, err := f.Open()
		if err == nil {
			_, err = text.ReadFrom(from)
		}
		if err != nil {
			t.Fatal(err)
		}
		name, changed := change(f.Name, text.Bytes())
		to, err := w.Create(name)
		if err == nil {
			_, err = to.Write(changed)
		}
		if err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Close(); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

func listed(t *testing.T, dir string) string {
	t.Helper()
	entries, err := os.ReadDir(dir)
	if err != nil {
		t.Fatal(err)
	}
	return fmt.Sprint(entries)
}
