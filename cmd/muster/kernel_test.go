package main

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"muster/internal/capture"
	"muster/internal/event"
	"muster/internal/report"
	"muster/internal/transport"
	"muster/pgn"
)

// need skips a test by name when a program is not installed, or fails it where nothing may skip.
func need(t *testing.T, programs ...string) {
	t.Helper()
	for _, p := range programs {
		if _, err := exec.LookPath(p); err != nil {
			if os.Getenv("MUSTER_TEST_ALL") == "1" {
				t.Fatalf("%s is not installed", p)
			}
			t.Skipf("%s is not installed", p)
		}
	}
}

// boot runs a script of testdata/kernel in a user-mode Linux with a real CAN stack and returns the folder of its results.
func boot(t *testing.T, name string) string {
	t.Helper()
	need(t, "linux.uml", "insmod", "ip", "setpriv", "candump", "cansend", "j1939acd", "testj1939", "gpsd", "gpspipe", "canbusload", "canplayer", "socat", "slcand", "curl")
	dir, err := filepath.EvalSymlinks(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	out := filepath.Join(dir, "out")
	script, err := os.ReadFile(filepath.Join("testdata/kernel", name))
	if err != nil {
		t.Fatal(err)
	}
	muster := filepath.Join(dir, "muster")
	build := exec.Command("go", "build", "-o", muster, ".")
	build.Env = append(os.Environ(), "CGO_ENABLED=0")
	if text, err := build.CombinedOutput(); err != nil {
		t.Fatalf("build: %v: %s", err, text)
	}
	helpers := exec.Command("go", "build", "-o", dir, "./testdata/kernel/talk", "./testdata/kernel/flood")
	helpers.Env = build.Env
	if text, err := helpers.CombinedOutput(); err != nil {
		t.Fatalf("build helpers: %v: %s", err, text)
	}
	guest := filepath.Join(dir, "guest.sh")
	env := fmt.Sprintf("MUSTER=%s\nOUT=%s\nALL=%s\n", muster, out, os.Getenv("MUSTER_TEST_ALL"))
	if err := errors.Join(os.Mkdir(out, 0o755), os.WriteFile(guest, script, 0o755), copyFiles(dir, "common.sh", "../../../../deploy/systemd/10-muster.conf", "gnss.yaml", "instruments.yaml", "power.yaml", "ais.yaml"),
		os.WriteFile(filepath.Join(dir, "work.yaml"), workScenario(t), 0o644), os.CopyFS(filepath.Join(dir, "sheets"), os.DirFS("../../deploy/sheets")),
		os.WriteFile(filepath.Join(dir, "env"), []byte(env), 0o644)); err != nil {
		t.Fatal(err)
	}
	text, err := userModeLinux(t, dir, "mem=512M", "init="+guest)
	if _, missing := os.Stat(filepath.Join(out, "finished")); missing != nil {
		log, _ := os.ReadFile(filepath.Join(out, "guest.log"))
		t.Fatalf("the guest did not finish (%v): %s\n%s", err, text, log)
	}
	return out
}

// userModeLinux boots one on this machine's files, with a console of which it gives what was said there. A guest that does not end within
// 25 minutes is ended with all its processes, which are a session.
func userModeLinux(t *testing.T, dir string, args ...string) ([]byte, error) {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), 25*time.Minute)
	defer cancel()
	uml := exec.CommandContext(ctx, "linux.uml", append([]string{"root=/dev/root", "rootfstype=hostfs", "rootflags=/", "rw",
		"con=null", "con0=fd:0,fd:1", "quiet"}, args...)...)
	uml.Cancel = func() error { return exec.Command("kill", "-KILL", "--", fmt.Sprint(-uml.Process.Pid)).Run() }
	uml.WaitDelay = 10 * time.Second              // what it started may outlive it and hold the console
	uml.Env = append(os.Environ(), "TMPDIR="+dir) // where its memory file goes
	return uml.CombinedOutput()
}

func copyFiles(dir string, names ...string) error {
	var errs []error
	for _, n := range names {
		data, err := os.ReadFile(filepath.Join("testdata/kernel", n))
		errs = append(errs, err, os.WriteFile(filepath.Join(dir, filepath.Base(n)), data, 0o644))
	}
	return errors.Join(errs...)
}

// frames reads a candump log.
func frames(t *testing.T, file string) []event.Event {
	t.Helper()
	f, err := os.Open(file)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r, err := capture.NewReader(f)
	if err != nil {
		t.Fatalf("%s: %v", file, err)
	}
	defer r.Close()
	var all []event.Event
	buffer := make([]event.Event, 512)
	for {
		n, err := r.Read(buffer)
		for _, e := range buffer[:n] {
			switch e.Kind {
			case event.KindFrame:
				all = append(all, e)
			case event.KindDamaged:
				t.Errorf("%s: damaged line: %s", file, e.Line)
			}
		}
		if errors.Is(err, io.EOF) {
			return all
		}
		if err != nil {
			t.Fatalf("%s: %v", file, err)
		}
	}
}

// message is one reassembled message.
type message struct {
	PGN  uint32
	Src  uint8
	Data string
}

func messages(t *testing.T, file string) []message {
	t.Helper()
	a := transport.NewAssembler(transport.Options{})
	var all []message
	for _, e := range frames(t, file) {
		if m := a.Feed(&e); m != nil {
			all = append(all, message{m.PGN(), m.Source(), fmt.Sprintf("% x", m.Data)})
		}
	}
	return all
}

func readReport(t *testing.T, file string) *report.Report {
	t.Helper()
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	r := new(report.Report)
	if err := json.Unmarshal(data, r); err != nil {
		t.Fatalf("%s: %v: %.200s", file, err, data)
	}
	return r
}

func content(t *testing.T, file string) string {
	t.Helper()
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	return string(data)
}

// TestKernel holds muster against programs and a kernel that nobody here wrote, on real CAN interfaces.
func TestKernel(t *testing.T) {
	if testing.Short() {
		t.Skip("boots a kernel; -short is set")
	}
	out := boot(t, "guest.sh")
	at := func(parts ...string) string { return filepath.Join(append([]string{out}, parts...)...) }

	t.Run("address list against j1939acd", func(t *testing.T) {
		r := readReport(t, at("claims", "live.json"))
		got := map[string]uint8{}
		for _, d := range r.Devices {
			if d.Address != nil {
				got[d.ID] = *d.Address
			}
		}
		want := map[string]uint8{"00F7CC40E0FF0001": 80, "00F7CC40E0FF0002": 81}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Error(diff)
		}
	})

	t.Run("ISO transport against testj1939", func(t *testing.T) {
		pattern := func(n int) string { // testj1939 sends 01 23 45 67 89 AB CD EF over and over
			b := make([]byte, n)
			for i := range b {
				b[i] = [8]byte{0x01, 0x23, 0x45, 0x67, 0x89, 0xAB, 0xCD, 0xEF}[i%8]
			}
			return fmt.Sprintf("% x", b)
		}
		want := []message{{126996, 0x50, pattern(30)}, {0x1EF00, 0x50, pattern(100)}}
		if diff := cmp.Diff(want, messages(t, at("transport", "candump.log"))); diff != "" {
			t.Error(diff)
		}
	})

	t.Run("messages against gpsd, byte for byte", func(t *testing.T) {
		gpsdBytes(t, at("gpsd", "gnss"), 126992, 129025, 129026, 129029, 129539, 129540)
		gpsdBytes(t, at("gpsd", "instruments"), 127245, 127250, 127258, 128259, 128267, 130306)
		gpsdBytes(t, at("gpsd", "power"), 127506)
		gpsdBytes(t, at("gpsd", "ais"), 129038, 129039, 129794, 129809, 129810)
	})
	t.Run("values against gpsd", func(t *testing.T) { gpsdValues(t, at("gpsd", "gnss")) })

	t.Run("bus load against canbusload", func(t *testing.T) {
		count, bits := 0, 0
		for _, e := range frames(t, at("gpsd", "gnss.candump")) {
			count++
			bits += transport.FrameBits(&e.Frame)
		}
		theirCount, theirBits := 0, 0
		for _, m := range regexp.MustCompile(`can3@250000 +(\d+) +(\d+) `).FindAllStringSubmatch(content(t, at("gpsd", "busload.txt")), -1) {
			n, _ := strconv.Atoi(m[1])
			b, _ := strconv.Atoi(m[2])
			theirCount, theirBits = theirCount+n, theirBits+b
		}
		if theirCount < count/2 {
			t.Fatalf("canbusload saw %d of %d frames", theirCount, count)
		}
		ours, theirs := float64(bits)/float64(count), float64(theirBits)/float64(theirCount)
		t.Logf("%.2f bits a frame, canbusload %.2f; frames %d and %d", ours, theirs, count, theirCount)
		if math.Abs(ours/theirs-1) > .01 {
			t.Errorf("%.2f bits a frame, canbusload says %.2f", ours, theirs)
		}
	})

	t.Run("candump log through canplayer and back", func(t *testing.T) {
		line := func(events []event.Event) []string {
			var all []string
			for _, e := range events {
				all = append(all, e.Frame.String())
			}
			return all
		}
		want, got := line(frames(t, at("canplayer", "fifty.log"))), line(frames(t, at("canplayer", "candump.log")))
		if len(want) < 50 {
			t.Fatalf("only %d frames", len(want))
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Error(diff)
		}
	})

	t.Run("serial adapter against the kernel's slcan", func(t *testing.T) {
		r := readReport(t, at("slcan", "report.json"))
		d := r.Device("00F7CC40E0FF0001")
		if d == nil || d.Address == nil || *d.Address != 0x21 || r.Networks[0].Frames != 20 {
			t.Errorf("heard %+v", r.Networks)
		}
		if n := len(frames(t, at("slcan", "sent.log"))); n < 50 {
			t.Errorf("the kernel received %d frames from us", n)
		}
	})

	t.Run("asking identifies every device", func(t *testing.T) { asked(t, at("ask")) })

	t.Run("live and replayed reports agree", func(t *testing.T) {
		var replayed, errs strings.Builder
		a := app{stdin: strings.NewReader(""), stdout: &replayed, stderr: &errs}
		if status := a.run(t.Context(), []string{"audit", at("replay", "candump.log"), "--format", "json"}); status != exitDone {
			t.Fatalf("status %d: %s", status, errs.String())
		}
		replay := new(report.Report)
		if err := json.Unmarshal([]byte(replayed.String()), replay); err != nil {
			t.Fatal(err)
		}
		live := readReport(t, at("replay", "live.json"))
		if diff := cmp.Diff(live.Networks[0].Frames, replay.Networks[0].Frames); diff != "" {
			t.Error(diff)
		}
		// Stamps differ by less than a microsecond, which candump cuts off; states depend on how long muster listened on.
		same := cmp.Options{
			cmp.Comparer(func(a, b event.Time) bool { return a.Sub(b).Abs() < time.Microsecond }),
			cmp.Comparer(func(a, b float64) bool { return math.Abs(a-b) < .002 }),
			cmp.FilterPath(func(p cmp.Path) bool {
				switch p.Last().String() {
				case ".State", ".StateSince", ".LastRestarts", ".ClaimedAt", ".First", ".Last", ".EmptySince", ".Recent":
					return true
				}
				return false
			}, cmp.Ignore()),
		}
		if diff := cmp.Diff(live.Devices, replay.Devices, same); diff != "" {
			t.Error(diff)
		}
	})

	t.Run("AIS values against gpsd", func(t *testing.T) { gpsdAIS(t, at("gpsd", "ais")) })
	t.Run("gpsd through an hour", func(t *testing.T) { gpsdHour(t, at("hour")) })
	t.Run("the kernel finds muster by its NAME and talks with it by connection", func(t *testing.T) { peer(t, at("peer")) })

	t.Run("interface down in the middle of a claim", func(t *testing.T) {
		if strings.TrimSpace(content(t, at("midclaim", "alive"))) != "alive" {
			t.Fatalf("muster ended: %s", content(t, at("midclaim", "run.log")))
		}
		claims := 0
		again := frames(t, at("midclaim", "again.log"))
		for _, e := range again {
			id := pgn.ID(e.Frame.ID)
			if n, _ := pgn.DecodeNAME(e.Frame.Data[:]); id.PGN() == 60928 && id.Source() < pgn.Null && n.Manufacturer() == 2040 {
				claims++
			}
		}
		if claims == 0 || len(again) > 30 { // it says where it is, and makes no storm of it
			t.Errorf("%d claims among %d frames after the interface came back", claims, len(again))
		}
	})

	t.Run("interface down and up", func(t *testing.T) {
		r := readReport(t, at("down", "audit.json"))
		if n := r.Networks[0]; n.Faults.SourceLost != 1 || n.Frames != 2 {
			t.Errorf("lost %d times, %d frames; want once, 2 frames", n.Faults.SourceLost, n.Frames)
		}
	})

	t.Run("adapters pulled out and put back", func(t *testing.T) { unplugged(t, at("unplug")) })
	t.Run("bus-off and restart", func(t *testing.T) { busOff(t, at("busoff")) })
	t.Run("a full card", func(t *testing.T) { fullCard(t, at("card")) })

	t.Run("a work order followed live", func(t *testing.T) { followed(t, at("follow")) })

	t.Run("contest with j1939acd", func(t *testing.T) {
		for _, c := range []struct {
			side  string
			keeps bool // muster keeps its address
		}{{"lower", false}, {"higher", true}} {
			t.Run(c.side, func(t *testing.T) { contest(t, at("contest"), c.side, c.keeps) })
		}
	})
}

// framesSent is how many frames muster simulate says that it sent.
func framesSent(t *testing.T, log string) uint64 {
	t.Helper()
	text, _, _ := strings.Cut(content(t, log), "frames")
	n, err := strconv.ParseUint(regexp.MustCompile(`\D`).ReplaceAllString(text, ""), 10, 64)
	if err != nil {
		t.Fatalf("%s: %v", log, err)
	}
	return n
}

// gpsdBytes: gpsd prints the length and the first 20 bytes of every message that it knows, after reassembly.
// Each must be one of ours, and nearly all of ours must be there; gpsd starts and ends at other moments than candump.
func gpsdBytes(t *testing.T, name string, known ...uint32) {
	type seen struct{ ours, theirs bool }
	all := map[uint32]map[string]*seen{}
	note := func(p uint32, length int, data string) *seen {
		if all[p] == nil {
			all[p] = map[string]*seen{}
		}
		key := fmt.Sprintf("%d: %s", length, data)
		if all[p][key] == nil {
			all[p][key] = new(seen)
		}
		return all[p][key]
	}
	for _, m := range messages(t, name+".candump") {
		bytes := strings.Fields(m.Data)
		note(m.PGN, len(bytes), strings.Join(bytes[:min(20, len(bytes))], " ")).ours = true
	}
	for _, l := range regexp.MustCompile(`got data: ?(\d+): *(\d+): ([0-9x ]+)`).FindAllStringSubmatch(content(t, name+".log"), -1) {
		p, _ := strconv.Atoi(l[1])
		length, _ := strconv.Atoi(l[2])
		var data []string
		for _, word := range strings.Fields(strings.ReplaceAll(l[3], "x", " ")) { // decimal, each with an x behind it
			v, err := strconv.ParseUint(word, 10, 8)
			if err != nil {
				t.Fatalf("gpsd line %q: %v", l[0], err)
			}
			data = append(data, fmt.Sprintf("%02x", v))
		}
		note(uint32(p), length, strings.Join(data, " ")).theirs = true
	}
	compared := map[uint32]int{}
	for _, p := range known {
		ours := 0
		for key, s := range all[p] {
			switch {
			case s.theirs && !s.ours:
				t.Errorf("gpsd read %d %s, which we did not", p, key)
			case s.theirs:
				compared[p]++
			}
			if s.ours {
				ours++
			}
		}
		if compared[p] == 0 || compared[p] < ours*8/10 {
			t.Errorf("gpsd read %d of %d messages %d (%s)", compared[p], ours, p, pgn.Lookup(p).Title)
		}
	}
	t.Logf("different messages compared by PGN: %v", compared)
}

// gpsdValues: the positions, courses and speeds that gpsd prints as JSON are among those that we decode.
// It prints heading and depth only together with a fix of the same device, so those are compared by bytes alone.
func gpsdValues(t *testing.T, name string) {
	type tpv struct {
		Class string   `json:"class"`
		Lat   *float64 `json:"lat"`
		Lon   *float64 `json:"lon"`
		Speed *float64 `json:"speed"`
		Track *float64 `json:"track"`
	}
	ours := map[string][]float64{}
	var values []pgn.Value
	a := transport.NewAssembler(transport.Options{})
	for _, e := range frames(t, name+".candump") {
		m := a.Feed(&e)
		if m == nil {
			continue
		}
		d := pgn.Lookup(m.PGN())
		if d == nil {
			continue
		}
		var err error
		if values, err = d.Decode(m.Data, values); err != nil {
			t.Errorf("%d: %v", d.PGN, err)
		}
		for _, v := range values {
			if v.State == pgn.Available {
				key := fmt.Sprintf("%d %s", d.PGN, v.Field.Key)
				ours[key] = append(ours[key], v.Number)
			}
		}
	}
	const degree = 180 / math.Pi
	checks := map[string]struct {
		keys      []string
		scale     float64
		tolerance float64 // of gpsd's printing
	}{
		"lat":   {[]string{"129025 latitude", "129029 latitude"}, 1, 1e-7},
		"lon":   {[]string{"129025 longitude", "129029 longitude"}, 1, 1e-7},
		"speed": {[]string{"129026 sog"}, 1, 6e-4},
		"track": {[]string{"129026 cog"}, degree, 6e-3},
	}
	seen := map[string]int{}
	for _, line := range strings.Split(content(t, name+".json"), "\n") {
		var r tpv
		if json.Unmarshal([]byte(line), &r) != nil || r.Class != "TPV" {
			continue
		}
		for name, v := range map[string]*float64{"lat": r.Lat, "lon": r.Lon, "speed": r.Speed, "track": r.Track} {
			if v == nil {
				continue
			}
			c := checks[name]
			if !slices.ContainsFunc(c.keys, func(key string) bool {
				return slices.ContainsFunc(ours[key], func(x float64) bool { return math.Abs(x*c.scale-*v) <= c.tolerance })
			}) {
				t.Errorf("gpsd says %s %v, which we do not", name, *v)
			}
			seen[name]++
		}
	}
	t.Logf("values compared: %v", seen)
	for name := range checks {
		if seen[name] == 0 {
			t.Errorf("gpsd printed no %s", name)
		}
	}
}

// asked: with --ask every device that answers is known by model and software, and muster shows itself as its own.
func asked(t *testing.T, dir string) {
	r := readReport(t, filepath.Join(dir, "asked.json"))
	own, identified, given := 0, 0, 0
	for _, d := range r.Devices {
		switch {
		case d.Own:
			own++
		case d.Product != nil && d.Product.Model != "" && d.Product.Software != "":
			identified++
		case d.Unanswered != "":
			given++
		default:
			t.Errorf("%s is neither identified nor given up on", d.Label())
		}
	}
	if own != 1 || identified < 10 {
		t.Errorf("%d own, %d identified, %d given up on", own, identified, given)
	}
	// The rules of claiming, seen on the wire: a device waits 250 ms after its claim before it sends anything else (SAE J1939-81).
	var name, claimed = "", event.Time(0)
	for _, d := range r.Devices {
		if d.Own {
			name = d.ID
		}
	}
	for _, e := range frames(t, filepath.Join(dir, "candump.log")) {
		id := pgn.ID(e.Frame.ID)
		switch n, ok := pgn.DecodeNAME(e.Frame.Data[:]); {
		case id.PGN() == 60928 && ok && n.String() == name && claimed == 0:
			claimed = e.Time
			for _, d := range r.Devices {
				if d.Own && d.Address != nil && *d.Address != id.Source() {
					claimed = 0
				}
			}
		case claimed != 0 && id.Source() != pgn.Null && id.PGN() != 60928:
			for _, d := range r.Devices {
				if d.Own && d.Address != nil && *d.Address == id.Source() && e.Time.Sub(claimed) < 250*time.Millisecond {
					t.Errorf("spoke %v after the claim", e.Time.Sub(claimed))
				}
			}
		}
	}
	if claimed == 0 {
		t.Error("muster never claimed an address")
	}
}

// contest: who holds muster's first address at the end.
func contest(t *testing.T, dir, side string, keeps bool) {
	address, err := strconv.ParseUint(strings.TrimSpace(content(t, filepath.Join(dir, side+".address"))), 16, 8)
	if err != nil {
		t.Fatalf("muster claimed no address: %v", err)
	}
	var holder pgn.NAME
	holds := map[pgn.NAME]uint8{}
	for _, e := range frames(t, filepath.Join(dir, side+".log")) {
		id := pgn.ID(e.Frame.ID)
		if id.PGN() != 60928 {
			continue
		}
		n, _ := pgn.DecodeNAME(e.Frame.Data[:])
		holds[n] = id.Source()
		if id.Source() == uint8(address) && (holder == 0 || n <= holder || holds[holder] != uint8(address)) {
			holder = n
		}
	}
	const muster = 2040
	if got := holder.Manufacturer() == muster; got != keeps {
		t.Errorf("address %d is held by %s; muster keeps it: %v, want %v", address, holder, got, keeps)
	}
	if !keeps {
		for n, a := range holds {
			if n.Manufacturer() == muster && (a == uint8(address) || a >= pgn.Null) {
				t.Errorf("muster did not move to a free address: it is at %d", a)
			}
		}
	}
}
