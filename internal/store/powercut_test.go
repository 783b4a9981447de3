//go:build unix

package store

import (
	"bufio"
	"bytes"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"
)

const childKey = "MUSTER_STORE_CHILD"

func TestMain(m *testing.M) {
	switch dir := os.Getenv(childKey); {
	case dir == "":
		os.Exit(m.Run())
	case os.Getenv(childKey+"_FULL") == "start":
		if err := fullFromStart(dir); err != nil {
			fmt.Println(err)
			os.Exit(1)
		}
		os.Exit(0)
	case os.Getenv(childKey+"_MIGRATES") != "":
		os.Exit(dieMigrating(dir, os.Getenv(childKey+"_MIGRATES")))
	case os.Getenv(childKey+"_FULL") != "":
		os.Exit(fullChild(dir))
	default:
		os.Exit(child(dir))
	}
}

// child puts numbers for ever and prints each number that is on the card.
func child(dir string) int {
	s, err := Open(dir, Options{})
	if err != nil || s.SetAside() != nil {
		fmt.Println("bad", err, s.SetAside())
		return 1
	}
	fmt.Println("open")
	for n := s.next; ; {
		for range 1 + n%5 {
			n = s.Queue("t", fmt.Appendf(nil, "body %d %s", s.next+1, strings.Repeat("x", int(s.next%700))))
			s.Put(Devices, fmt.Sprint(n%50), fmt.Appendf(nil, "%d", n))
		}
		if n > 300 {
			for _, it := range s.Waiting("t", 20) {
				if it.ID+200 < n {
					s.Delivered("t", it.ID)
				}
			}
		}
		if err := s.Sync(); err != nil {
			fmt.Println("bad", err)
			return 1
		}
		fmt.Println("kept", n)
	}
}

// TestKilled kills a process that writes at random moments: nothing that it printed as kept may be missing.
func TestKilled(t *testing.T) {
	runs := 200
	if testing.Short() {
		runs = 20
	}
	dir := t.TempDir()
	rng := rand.New(rand.NewPCG(1, 2))
	said, kills := uint64(0), 0
	for range runs {
		cmd := exec.Command(os.Args[0])
		cmd.Env = append(os.Environ(), childKey+"="+dir)
		out, err := cmd.StdoutPipe()
		if err != nil {
			t.Fatal(err)
		}
		if err := cmd.Start(); err != nil {
			t.Fatal(err)
		}
		lines := bufio.NewScanner(out)
		if !lines.Scan() || lines.Text() != "open" {
			t.Fatalf("child: %q", lines.Text())
		}
		after := time.Duration(rng.IntN(8000)) * time.Microsecond
		time.AfterFunc(after, func() { _ = cmd.Process.Kill() })
		for lines.Scan() {
			if _, err := fmt.Sscanf(lines.Text(), "kept %d", &said); err != nil {
				t.Fatalf("child: %q", lines.Text())
			}
		}
		_ = cmd.Wait()
		kills++

		s, err := Open(dir, Options{})
		if err != nil || s.SetAside() != nil {
			t.Fatalf("after kill %d: %v, %v", kills, err, s.SetAside())
		}
		if s.next < said {
			t.Fatalf("kill %d: %d was kept, the store knows %d", kills, said, s.next)
		}
		waiting := s.Waiting("t", 1<<20)
		for i, it := range waiting {
			if want := s.next - uint64(len(waiting)-1-i); it.ID != want || !strings.HasPrefix(string(it.Body), fmt.Sprintf("body %d ", it.ID)) {
				t.Fatalf("kill %d: delivery %d is %.20q, want %d", kills, it.ID, it.Body, want)
			}
		}
		if err := s.db.Close(); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("%d kills, %d values kept", kills, said)
}

// TestTornWrites puts together what a card may hold when the power goes during a write: any of the pages that were being
// written, whole or in part. The store must show the state before or after the write, and nothing else.
func TestTornWrites(t *testing.T) {
	const page = 4096
	dir := t.TempDir()
	file := filepath.Join(dir, fileName)
	s := mustOpen(t, dir, Options{})
	rng := rand.New(rand.NewPCG(3, 4))
	read := func() []byte {
		b, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		return b
	}
	write := func(step int) {
		for i := range 40 {
			s.Put(Devices, fmt.Sprint(i), fmt.Appendf(nil, "step %d %s", step, strings.Repeat("y", rng.IntN(300))))
		}
		if err := s.Sync(); err != nil {
			t.Fatal(err)
		}
	}
	write(0)
	for step := 1; step <= 10; step++ {
		before := read()
		write(step)
		after := read()
		for range 20 {
			// The pages are flushed before the head page that makes them count: while the head is old or torn, they
			// may be anything.
			torn := append([]byte(nil), before...)
			torn = append(torn, make([]byte, len(after)-len(before))...)
			headTorn := rng.IntN(2) == 0
			for p := 2 * page; p < len(after); p += page {
				if headTorn || rng.IntN(2) == 0 {
					n := page
					if !headTorn && rng.IntN(3) == 0 {
						n = 512 * rng.IntN(8)
					}
					copy(torn[p:p+n], after[p:p+n])
				}
			}
			if headTorn {
				n := 8 * rng.IntN(11) // the part of the head page that was written
				for p := 0; p < 2*page; p += page {
					copy(torn[p:p+n], after[p:p+n])
				}
			}
			got := reopen(t, torn)
			if got.SetAside() != nil {
				t.Fatalf("step %d: %v", step, got.SetAside())
			}
			want := strings.Fields(string(got.Get(Devices, "0")))[1]
			if want != fmt.Sprint(step) && want != fmt.Sprint(step-1) {
				t.Fatalf("step %d: shows step %s", step, want)
			}
			for k, v := range got.All(Devices) {
				if f := strings.Fields(string(v)); f[1] != want {
					t.Fatalf("step %d: device %s is of step %s, others of %s", step, k, f[1], want)
				}
			}
			_ = got.db.Close()
		}
	}
}

// TestRottenCard damages bytes anywhere: no value is ever wrong, and what was not hit is kept. What is lost is named, and the damaged
// file is kept. A hit on a page's own header costs that page.
func TestRottenCard(t *testing.T) {
	dir := t.TempDir()
	s := mustOpen(t, dir, Options{})
	for i := range 60 {
		s.Put(Devices, fmt.Sprint(i), fmt.Appendf(nil, "value %d %s", i, strings.Repeat("z", i*5)))
	}
	s.Put(Manual, "m1", []byte("plotter"))
	for range 2 { // the second time as a start leaves it: both of its first pages lead to all values
		if err := s.Close(); err != nil {
			t.Fatal(err)
		}
		s = mustOpen(t, dir, Options{})
	}
	if err := s.Close(); err != nil {
		t.Fatal(err)
	}
	whole, err := os.ReadFile(filepath.Join(dir, fileName))
	if err != nil {
		t.Fatal(err)
	}
	rng := rand.New(rand.NewPCG(5, 6))
	const tries = 320
	costMore, aside, rotten := 0, 0, 0
	for range tries {
		bad := append([]byte(nil), whole...)
		cut := false
		switch rng.IntN(4) {
		case 0:
			cut = true
			bad = bad[:1+rng.IntN(len(bad)-1)]
		case 1, 2:
			for range 1 + rng.IntN(4) {
				bad[rng.IntN(len(bad))] ^= byte(1 + rng.IntN(255))
			}
		case 3:
			at := rng.IntN(len(bad)/512) * 512
			clear(bad[at : at+512])
		}
		if !cut {
			rotten++
		}
		got := reopen(t, bad)
		missing, hit := 0, 0
		for key, r := range s.values[Devices] {
			v := got.Get(Devices, key)
			if v != nil && string(v) != string(r.value) {
				t.Fatalf("device %s reads %.30q", key, v)
			}
			if !bytes.Contains(bad, append([]byte(key), encode(key, r)...)) {
				hit++
			}
			if v == nil {
				missing++
			}
		}
		if a := got.SetAside(); missing > 0 {
			if aside++; a == nil {
				t.Fatalf("%d values are missing of a file of %d bytes, and nothing says so", missing, len(bad))
			}
			if kept, err := os.ReadFile(a.As); err != nil || !bytes.Equal(kept, bad) {
				t.Errorf("the damaged file: %v", err)
			}
			if n := len(got.All(Devices)) + len(got.All(Manual)); a.Kept != n || n > 0 && a.Lost != "" && !strings.Contains(a.Error(), fmt.Sprintf("%d of 60 devices", missing)) {
				t.Errorf("%d kept, %d missing: %v", n, missing, a)
			}
		}
		if missing > hit && !cut { // the list of pages is at the file's end
			costMore++
		}
		if id := got.Queue("hook", nil); got.SetAside() != nil && id <= numbersLost && len(got.All(Devices)) > 0 {
			t.Errorf("delivery %d may have been made before", id)
		}
		_ = got.db.Close()
	}
	t.Logf("%d of %d set aside; %d of %d not cut off cost more than they hit", aside, tries, costMore, rotten)
	if costMore > rotten*5/80 {
		t.Errorf("%d of %d cost more than they hit, want at most %d", costMore, rotten, rotten*5/80)
	}
}

func reopen(t *testing.T, content []byte) *Store {
	t.Helper()
	dir := t.TempDir()
	if err := os.WriteFile(filepath.Join(dir, fileName), content, 0o600); err != nil {
		t.Fatal(err)
	}
	s, err := Open(dir, Options{Now: fixed(day)})
	if err != nil {
		t.Fatal(err)
	}
	return s
}

// fullChild fills a store on a file that may not grow.
func fullChild(dir string) int {
	signal.Ignore(syscall.SIGXFSZ)
	s, err := Open(dir, Options{})
	if err != nil {
		fmt.Println(err)
		return 1
	}
	s.Put(Devices, "a", []byte("before"))
	if err := s.Sync(); err != nil {
		fmt.Println(err)
		return 1
	}
	if err := room(128 << 10); err != nil {
		fmt.Println(err)
		return 1
	}
	s.Put(Devices, "a", []byte("after"))
	s.Put(Baseline, "big", make([]byte, 1<<20))
	if err := s.Sync(); err == nil {
		fmt.Println("a full card took a megabyte")
		return 1
	}
	if string(s.Get(Devices, "a")) != "after" || s.Stats().Failures != 1 || s.Stats().Pending == 0 {
		fmt.Printf("%+v\n", s.Stats())
		return 1
	}
	s.Delete(Baseline, "big") // room is made
	if err := s.Sync(); err != nil {
		fmt.Println(err)
		return 1
	}
	return 0
}

// room is how large a file may be from now on.
func room(bytes uint64) error {
	return syscall.Setrlimit(syscall.RLIMIT_FSIZE, &syscall.Rlimit{Cur: bytes, Max: 1 << 40})
}

// fullFromStart opens stores, one of them with a value, on a card that takes nothing until later.
func fullFromStart(dir string) error {
	signal.Ignore(syscall.SIGXFSZ)
	for _, name := range []string{"fresh", "used"} {
		path := filepath.Join(dir, name)
		if name == "used" {
			s, err := Open(path, Options{})
			if err != nil {
				return err
			}
			s.Put(Devices, "before", []byte("kept"))
			s.Put(Devices, "gone", []byte("kept"))
			if err := s.Close(); err != nil {
				return err
			}
		}
		if err := room(0); err != nil {
			return err
		}
		s, err := Open(path, Options{})
		if err != nil {
			return fmt.Errorf("%s: %w", name, err)
		}
		s.Put(Devices, "a", []byte("heard"))
		s.Delete(Devices, "gone")
		for range 2 {
			if s.Sync() == nil {
				return fmt.Errorf("%s: a full card took something", name)
			}
		}
		if st := s.Stats(); st.Failures < 2 || st.Pending == 0 || st.Syncs != 0 {
			return fmt.Errorf("%s: %+v", name, st)
		}
		if id := s.Queue("t", []byte("alert")); len(s.Waiting("t", 9)) != 0 || s.Sync() == nil || len(s.Waiting("t", 9)) != 1 {
			return fmt.Errorf("%s: delivery %d is not offered", name, id)
		}
		if err := room(1 << 40); err != nil {
			return err
		}
		if err := s.Close(); err != nil {
			return fmt.Errorf("%s: with room again: %w", name, err)
		}
	}
	return nil
}

// TestFullFromStart: on a card that takes nothing from the start a store keeps its values in memory, and writes them when there is room.
func TestFullFromStart(t *testing.T) {
	dir := t.TempDir()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), childKey+"="+dir, childKey+"_FULL=start")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	for name, want := range map[string]int{"fresh": 1, "used": 2} {
		s := mustOpen(t, filepath.Join(dir, name), Options{})
		if s.SetAside() != nil || string(s.Get(Devices, "a")) != "heard" || len(s.All(Devices)) != want || s.Unsent("t") != 1 {
			t.Errorf("%s: %q; %v", name, s.All(Devices), s.SetAside())
		}
	}
}

// TestFullCard: a card that takes no more is an error, what was kept stays, and when there is room again everything is written.
func TestFullCard(t *testing.T) {
	dir := t.TempDir()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), childKey+"="+dir, childKey+"_FULL=1")
	if out, err := cmd.CombinedOutput(); err != nil {
		t.Fatalf("%v: %s", err, out)
	}
	s := mustOpen(t, dir, Options{})
	if s.SetAside() != nil || string(s.Get(Devices, "a")) != "after" {
		t.Errorf("reads %q; %v", s.Get(Devices, "a"), s.SetAside())
	}
}
