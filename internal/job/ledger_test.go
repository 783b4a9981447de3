package job

import (
	"bufio"
	"context"
	"crypto/ed25519"
	"encoding/json"
	"errors"
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"
)

var kills = flag.Int("kills", 8, "how often a writer of a ledger is killed")

// asWriter makes this test binary a writer of the ledger in that folder.
const asWriter = "MUSTER_LEDGER_WRITER"

func TestMain(m *testing.M) {
	if dir := os.Getenv(asWriter); dir != "" {
		os.Exit(writeNotes(dir))
	}
	os.Exit(m.Run())
}

// writeNotes adds notes until it is killed, or so many as asked for, and prints each that was acknowledged.
func writeNotes(dir string) int {
	ctx := context.Background()
	name, most := os.Getenv(asWriter+"_NAME"), 1<<30
	_, _ = fmt.Sscan(os.Getenv(asWriter+"_MOST"), &most)
	l, err := OpenLedger(ctx, dir, "laptop")
	for i := 0; err == nil && i < most; i++ {
		note := fmt.Sprintf("%s-%d", name, i)
		if err = l.Append(ctx, Entry{Kind: Note, By: name, Data: Words{Text: note}}); err == nil {
			fmt.Println(note)
		}
	}
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		return 1
	}
	return 0
}

func writer(t *testing.T, dir, name string, most int) *exec.Cmd {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), asWriter+"="+dir, asWriter+"_NAME="+name, asWriter+"_MOST="+fmt.Sprint(most))
	cmd.Stderr = os.Stderr
	return cmd
}

func opened(t *testing.T, dir string) *Ledger {
	t.Helper()
	l, err := OpenLedger(t.Context(), dir, "laptop")
	if err != nil {
		t.Fatal(err)
	}
	return l
}

func content(t testing.TB, name string) []byte {
	t.Helper()
	b, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return b
}

// noted is every note of a ledger, read again.
func noted(t *testing.T, dir string) map[string]int {
	t.Helper()
	notes := map[string]int{}
	for _, line := range opened(t, dir).Lines {
		var w Words
		if line.Kind == Note {
			if err := line.Into(&w); err != nil {
				t.Fatal(err)
			}
			notes[w.Text]++
		}
	}
	return notes
}

func note(t *testing.T, l *Ledger, texts ...string) {
	t.Helper()
	for _, text := range texts {
		if err := l.Append(t.Context(), Entry{Kind: Note, By: "Ana", Data: Words{Text: text}}); err != nil {
			t.Fatal(err)
		}
	}
}

// TestWriters: what several writers add, in one process and in several, is all in the ledger once.
func TestWriters(t *testing.T) {
	dir := t.TempDir()
	var wait sync.WaitGroup
	var all []*exec.Cmd
	for i := range 2 {
		cmd := writer(t, dir, fmt.Sprint("process", i), 25)
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		all = append(all, cmd)
		wait.Go(func() {
			l, err := OpenLedger(t.Context(), dir, "laptop")
			for j := 0; err == nil && j < 25; j++ {
				err = l.Append(t.Context(), Entry{Kind: Note, By: "Ana", Data: Words{Text: fmt.Sprintf("routine%d-%d", i, j)}})
			}
			if err != nil {
				t.Error(err)
			}
		})
	}
	wait.Wait()
	for _, cmd := range all {
		if err := cmd.Wait(); err != nil {
			t.Error(err)
		}
	}
	notes := noted(t, dir)
	for _, who := range []string{"process0", "process1", "routine0", "routine1"} {
		for j := range 25 {
			if n := notes[fmt.Sprintf("%s-%d", who, j)]; n != 1 {
				t.Errorf("%s-%d stands %d times", who, j, n)
			}
		}
	}
}

// TestKills: whatever was answered for before a writer was killed is there afterwards, and the next one goes on. -kills 300 is the long run.
func TestKills(t *testing.T) {
	dir := t.TempDir()
	answered := map[string]bool{}
	for k := range *kills {
		cmd := writer(t, dir, fmt.Sprint("life", k), 1<<30)
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(out)
		if !lines.Scan() {
			t.Fatal("the writer wrote nothing")
		}
		answered[lines.Text()] = true
		go func() {
			time.Sleep(time.Duration(rand.IntN(15_000)) * time.Microsecond)
			_ = cmd.Process.Kill()
		}()
		for lines.Scan() {
			answered[lines.Text()] = true
		}
		_ = cmd.Wait()
	}
	notes := noted(t, dir)
	for text := range answered {
		if notes[text] != 1 {
			t.Errorf("%s was answered for and stands %d times", text, notes[text])
		}
	}
	t.Logf("%d kills, %d lines answered for, %d there", *kills, len(answered), len(notes))
}

// TestTorn: a last line that is cut anywhere loses nothing before it, and the next line takes its place.
func TestTorn(t *testing.T) {
	dir := t.TempDir()
	note(t, opened(t, dir), "one", "two", "three")
	file := filepath.Join(dir, ledgerName)
	whole := content(t, file)
	last := strings.LastIndexByte(strings.TrimSuffix(string(whole), "\n"), '\n') + 1
	for cut := last; cut < len(whole); cut++ {
		if err := os.WriteFile(file, whole[:cut], 0o644); err != nil {
			t.Fatal(err)
		}
		l := opened(t, dir)
		if len(l.Lines) != 2 || l.Torn != cut-last {
			t.Fatalf("cut at %d: %d lines, %d bytes torn", cut, len(l.Lines), l.Torn)
		}
		note(t, l, "again")
		if got := noted(t, dir); got["two"] != 1 || got["again"] != 1 || got["three"] != 0 || opened(t, dir).Torn != 0 {
			t.Fatalf("cut at %d: %v", cut, got)
		}
	}
}

// TestAltered: each single-byte change of a ledger is found, of an open one all but in the line that was written last.
func TestAltered(t *testing.T) {
	for _, closed := range []bool{false, true} {
		dir := t.TempDir()
		l := opened(t, dir)
		note(t, l, "one", "two", "three")
		if closed {
			_, key, err := ed25519.GenerateKey(nil)
			if err != nil {
				t.Fatal(err)
			}
			if err := l.Close(t.Context(), "Ana", Signer{"workshop", key}); err != nil {
				t.Fatal(err)
			}
			if err := l.Append(t.Context(), Entry{Kind: Note, Data: Words{Text: "late"}}); !errors.Is(err, ErrClosed) {
				t.Errorf("a line after the closing one: %v", err)
			}
		}
		whole := content(t, l.file())
		until := len(whole)
		if !closed {
			until = strings.LastIndexByte(strings.TrimSuffix(string(whole), "\n"), '\n') + 1
		}
		for at := range until {
			for _, flip := range []byte{1, 0x20, 0x80} {
				text := append([]byte{}, whole...)
				text[at] ^= flip
				if text[at] == whole[at] {
					continue
				}
				if err := os.WriteFile(l.file(), text, 0o644); err != nil {
					t.Fatal(err)
				}
				if err := sound(t, dir, closed); err == nil {
					t.Fatalf("closed %v: byte %d of %q is %q: not found", closed, at, whole[at], text[at])
				}
			}
		}
		if err := os.WriteFile(l.file(), whole, 0o644); err != nil {
			t.Fatal(err)
		}
		if err := sound(t, dir, closed); err != nil {
			t.Errorf("closed %v: as it was written: %v", closed, err)
		}
	}
}

// sound reads a ledger again and checks its signatures; a closed one must end with its closing line.
func sound(t *testing.T, dir string, closed bool) error {
	t.Helper()
	l, err := OpenLedger(t.Context(), dir, "laptop")
	if err != nil {
		return err
	}
	if closed && (!l.Closed() || l.Torn > 0) {
		return errors.New("it is not closed")
	}
	return l.verify()
}

// TestClock: time never goes back from one line to the next, but at a line that records that the clock was set.
func TestClock(t *testing.T) {
	l := opened(t, t.TempDir())
	noon := time.Date(2026, 5, 2, 12, 0, 0, 0, time.UTC)
	for i, at := range []time.Duration{0, time.Minute, time.Minute - 200*time.Millisecond, -time.Hour, -50 * time.Minute, 0} {
		l.now = func() time.Time { return noon.Add(at) }
		note(t, l, fmt.Sprint(i))
	}
	var got []string
	for _, line := range l.Lines {
		got = append(got, string(line.Kind)+" "+line.At.UTC().Format("15:04:05"))
	}
	want := "note 12:00:00, note 12:01:00, note 12:01:00, clock-set 11:00:00, note 11:00:00, note 11:10:00, note 12:00:00"
	if s := strings.Join(got, ", "); s != want {
		t.Errorf("got  %s\nwant %s", s, want)
	}
	var c ClockChange
	if err := l.Lines[3].Into(&c); err != nil || c.To.Sub(c.From) != -61*time.Minute {
		t.Errorf("%+v, %v", c, err)
	}
	if err := opened(t, l.dir).Refresh(t.Context()); err != nil {
		t.Error(err)
	}
}

// FuzzLedger: no text breaks the reader, and what it takes is written again as it was.
func FuzzLedger(f *testing.F) {
	dir := f.TempDir()
	l, err := OpenLedger(f.Context(), dir, "boat")
	if err != nil {
		f.Fatal(err)
	}
	for _, e := range []Entry{{Kind: Opened, By: "Ana", Data: map[string]string{"boat": "Wagtail", "place": "Övningså"}},
		{Kind: Left, About: &About{Unit: "C0789100FA400C45", Step: "1.2"}}, {Kind: Hours, Data: map[string]float64{"minutes": 90.5}}} {
		if err := l.Append(f.Context(), e); err != nil {
			f.Fatal(err)
		}
	}
	whole := content(f, l.file())
	f.Add(whole)
	f.Add(whole[:len(whole)-7])
	f.Add([]byte("{}\n"))
	f.Add([]byte(`{"n":1,"at":"","clock":"","by":"","on":"","kind":"","prev":""}` + "\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		got := &Ledger{dir: "fuzzed"}
		if err := got.read(t.Context(), text); err != nil {
			return
		}
		var again []byte
		for _, line := range got.Lines {
			b, err := line.encode()
			if err != nil {
				t.Fatal(err)
			}
			again = append(append(again, b...), '\n')
		}
		if string(again) != string(text[:len(text)-got.Torn]) {
			t.Errorf("read %q, wrote %q", text, again)
		}
		for _, line := range got.Lines {
			if line.Data != nil && !json.Valid(line.Data) {
				t.Errorf("line %d holds %q", line.N, line.Data)
			}
		}
	})
}

// TestLockStays: a ledger that is locked each second, as while a work order is followed, makes and removes no file.
func TestLockStays(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("there, the file is the lock")
	}
	v, err := Create(t.Context(), t.TempDir(), "boat", "Ana", Opening{Number: "1"})
	if err != nil {
		t.Fatal(err)
	}
	before, err := os.Stat(filepath.Join(v.Dir, lockName))
	if err != nil {
		t.Fatal(err)
	}
	if err := v.Update(t.Context(), func() ([]Entry, error) { return nil, nil }); err != nil {
		t.Fatal(err)
	}
	if after, err := os.Stat(filepath.Join(v.Dir, lockName)); err != nil || !os.SameFile(before, after) {
		t.Errorf("the lock is another file: %v", err)
	}
}
