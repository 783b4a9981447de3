package main

import (
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
				if e.Frame.ID != 1<<29-1 { // the mark at the end, see part.sh
					all = append(all, e)
				}
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
	r.Complete()
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

// TestKernel tests muster on a kernel that has CAN. The emulated PC is off when these tests are through: other tests need the processor.
func TestKernel(t *testing.T) {
	t.Cleanup(func() {
		if benchPC != nil {
			benchPC.off()
		}
	})
	t.Run("controllers", kernelControllers)
	t.Run("vcan", kernelVirtual)
	t.Run("load", kernelLoad)
}

// kernelVirtual tests muster with independent programs, on virtual CAN interfaces.
func kernelVirtual(t *testing.T) {
	for _, c := range []struct {
		name  string // what is compared with what
		part  string
		judge func(t *testing.T, dir string)
	}{
		{"address list against j1939acd", "claims", claims},
		{"ISO transport against testj1939", "transport", isoTransport},
		{"messages, values and bus load against gpsd and canbusload", "gpsd", gpsd},
		{"candump log through canplayer and back", "canplayer", canplayer},
		{"asking identifies every device", "ask", asked},
		{"live and replayed reports agree", "replay", replayed},
		{"the kernel finds muster by its NAME and talks with it by connection", "peer", peer},
		{"interface down in the middle of a claim", "midclaim", midClaim},
		{"interface down and up", "down", downAndUp},
		{"bus-off and restart", "busoff", busOff},
		{"a full card", "card", fullCard},
		{"a work order followed live", "follow", followed},
		{"contest with j1939acd", "contest", contests},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			c.judge(t, vcanPart(t, c.part))
		})
	}
	t.Run("gpsd through an hour", func(t *testing.T) {
		if os.Getenv("MUSTER_TEST_ALL") != "1" {
			t.Skip("takes minutes; set MUSTER_TEST_ALL=1")
		}
		t.Parallel()
		gpsdHour(t, vcanPart(t, "hour"))
	})
	t.Run("on a kernel that has CAN of its own", func(t *testing.T) {
		if os.Getenv("MUSTER_TEST_ALL") != "1" {
			t.Skip("is the others once more, inside the emulated PC; set MUSTER_TEST_ALL=1")
		}
		if os.Getenv(benchBuilt) != "" {
			t.Skip("this is that kernel")
		}
		t.Parallel()
		ownKernelTests(t, runPart(t, "own", "--net", func(string) (runner, error) { return startedPC() }))
	})
	t.Run("serial adapter against the kernel's slcan", func(t *testing.T) {
		t.Parallel()
		serialAdapter(t, pcPart(t, "slcan"))
	})
	t.Run("adapters pulled out and put back", func(t *testing.T) {
		t.Parallel()
		unplugged(t, pcPart(t, "unplug"))
	})
}

// claims: the devices that muster lists are those that j1939acd claimed.
func claims(t *testing.T, dir string) {
	r := readReport(t, filepath.Join(dir, "live.json"))
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
}

// isoTransport: what the kernel sends in several packets is put together.
func isoTransport(t *testing.T, dir string) {
	pattern := func(n int) string { // testj1939 sends 01 23 45 67 89 AB CD EF over and over
		b := make([]byte, n)
		for i := range b {
			b[i] = [8]byte{0x01, 0x23, 0x45, 0x67, 0x89, 0xAB, 0xCD, 0xEF}[i%8]
		}
		return fmt.Sprintf("% x", b)
	}
	want := []message{{126996, 0x50, pattern(30)}, {0x1EF00, 0x50, pattern(100)}}
	if diff := cmp.Diff(want, messages(t, filepath.Join(dir, "candump.log"))); diff != "" {
		t.Error(diff)
	}
}

// gpsd: every message is read as gpsd reads it, and the bus load is that of canbusload.
func gpsd(t *testing.T, dir string) {
	gpsdBytes(t, filepath.Join(dir, "gnss"), 126992, 129025, 129026, 129029, 129539, 129540)
	gpsdBytes(t, filepath.Join(dir, "instruments"), 127245, 127250, 127258, 128259, 128267, 130306)
	gpsdBytes(t, filepath.Join(dir, "power"), 127506)
	gpsdBytes(t, filepath.Join(dir, "ais"), 129038, 129039, 129794, 129809, 129810)
	gpsdValues(t, filepath.Join(dir, "gnss"))
	gpsdAIS(t, filepath.Join(dir, "ais"))
	busLoad(t, dir)
}

// busLoad: a frame has as many bits as canbusload counts.
func busLoad(t *testing.T, dir string) {
	count, bits := 0, 0
	for _, e := range frames(t, filepath.Join(dir, "gnss.candump")) {
		count++
		bits += transport.FrameBits(&e.Frame)
	}
	theirCount, theirBits := 0, 0
	for _, m := range regexp.MustCompile(`can3@250000 +(\d+) +(\d+) `).FindAllStringSubmatch(content(t, filepath.Join(dir, "busload.txt")), -1) {
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
}

// canplayer: a log that muster wrote is put on a bus as it is.
func canplayer(t *testing.T, dir string) {
	line := func(events []event.Event) []string {
		var all []string
		for _, e := range events {
			all = append(all, e.Frame.String())
		}
		return all
	}
	want, got := line(frames(t, filepath.Join(dir, "fifty.log"))), line(frames(t, filepath.Join(dir, "candump.log")))
	if len(want) < 50 {
		t.Fatalf("only %d frames", len(want))
	}
	if diff := cmp.Diff(want, got); diff != "" {
		t.Error(diff)
	}
}

// serialAdapter: muster and the kernel's slcan understand each other.
func serialAdapter(t *testing.T, dir string) {
	r := readReport(t, filepath.Join(dir, "report.json"))
	d := r.Device("00F7CC40E0FF0001")
	if d == nil || d.Address == nil || *d.Address != 0x21 || r.Networks[0].Frames != 20 {
		t.Errorf("heard %+v", r.Networks)
	}
	if n := len(frames(t, filepath.Join(dir, "sent.log"))); n < 50 {
		t.Errorf("the kernel received %d frames from us", n)
	}
}

// replayed: the same traffic gives the same devices, received live and replayed from what candump received.
func replayed(t *testing.T, dir string) {
	var printed, errs strings.Builder
	a := app{stdin: strings.NewReader(""), stdout: &printed, stderr: &errs}
	if status := a.run(t.Context(), []string{"audit", filepath.Join(dir, "candump.log"), "--format", "json"}); status != exitDone {
		t.Fatalf("status %d: %s", status, errs.String())
	}
	replay := new(report.Report)
	if err := json.Unmarshal([]byte(printed.String()), replay); err != nil {
		t.Fatal(err)
	}
	replay.Complete()
	live := readReport(t, filepath.Join(dir, "live.json"))
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
}

// midClaim: muster lives on, and claims its address again once the interface is back.
func midClaim(t *testing.T, dir string) {
	if strings.TrimSpace(content(t, filepath.Join(dir, "alive"))) != "alive" {
		t.Fatalf("muster ended: %s", content(t, filepath.Join(dir, "run.log")))
	}
	claims := 0
	again := frames(t, filepath.Join(dir, "again.log"))
	for _, e := range again {
		id := pgn.ID(e.Frame.ID)
		if n, _ := pgn.DecodeNAME(e.Frame.Data[:]); id.PGN() == 60928 && id.Source() < pgn.Null && n.Manufacturer() == 2040 {
			claims++
		}
	}
	if claims == 0 || len(again) > 30 { // it claims its address again, without a storm
		t.Errorf("%d claims among %d frames after the interface came back", claims, len(again))
	}
}

// downAndUp: an interface that was lost is read again.
func downAndUp(t *testing.T, dir string) {
	r := readReport(t, filepath.Join(dir, "down.json"))
	if n := r.Networks[0]; n.Faults.SourceLost != 1 || n.Frames != 2 {
		t.Errorf("lost %d times, %d frames; want once, 2 frames", n.Faults.SourceLost, n.Frames)
	}
}

// contests: who has the lower NAME has the address, see contest.
func contests(t *testing.T, dir string) {
	contest(t, dir, "lower", false)
	contest(t, dir, "higher", true)
}

// ownKernelTests: the tests passed on the kernel that they ran on.
func ownKernelTests(t *testing.T, dir string) {
	said := content(t, filepath.Join(dir, "own.log"))
	if got := strings.Count(said, " on this machine's own kernel"); got != 3 || strings.Count(said, "\n        --- PASS") != 3 || !strings.HasSuffix(said, "PASS\n0\n") {
		t.Errorf("%d of 3 tests ran there: %s", got, said)
	}
}

// gpsdBytes: gpsd prints the length and the first 20 bytes of every message in its tables, after reassembly. Each
// must be one of ours, and nearly all of ours must be there; gpsd starts and ends at other moments than candump.
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
