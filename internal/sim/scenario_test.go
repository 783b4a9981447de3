package sim

import (
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"muster/internal/event"
)

const oneDevice = "devices:\n  - {id: a, manufacturer: 2001, class: 60, function: 130}\n"

func TestParseRefuses(t *testing.T) {
	for _, c := range []struct{ name, src, want string }{
		{"unknown key", "title: x\ncolour: red\n", `bad.yaml:2:1: unknown key "colour"`},
		{"unknown key of a device", "devices:\n  - id: a\n    manufacturer: 2001\n    colour: red\n", `bad.yaml:4:5: unknown key "colour"`},
		{"not YAML", "devices: [\n", "bad.yaml:1:10: "},
		{"wrong type", "devices:\n  - id: a\n    manufacturer: many\n", "bad.yaml:3:19: "},
		{"too big a number", "devices:\n  - id: a\n    class: 300\n", "bad.yaml:3:12: "},
		{"no id", "devices:\n  - manufacturer: 2001\n", "bad.yaml:2:5: a device needs an id"},
		{"no manufacturer", "devices:\n  - id: a\n", "bad.yaml:2:5: manufacturer must be a code from 1 to 2047"},
		{"two of one id", oneDevice + "  - {id: a, manufacturer: 2001}\n", `bad.yaml:3:10: a second device "a"; ids must differ`},
		{"two of one NAME", oneDevice + "  - {id: b, manufacturer: 2001, class: 60, function: 130, unique: 1000}\n", `bad.yaml:3:67: "b" has the NAME of "a"; give it another unique number, or use the action duplicate-name`},
		{"message not known", "devices:\n  - id: a\n    manufacturer: 2001\n    sends:\n      - {pgn: 129025}\n      - {pgn: 4711}\n", "bad.yaml:6:15: the simulator cannot send PGN 4711; it sends 126992 127237 "},
		{"too often", "devices:\n  - id: a\n    manufacturer: 2001\n    sends:\n      - {pgn: 129025, every: 1ms}\n", "bad.yaml:5:30: every must be between 5ms and 24h"},
		{"not a duration", "devices:\n  - id: a\n    manufacturer: 2001\n    sends:\n      - {pgn: 129025, every: soon}\n", `bad.yaml:5:30: "soon" is not a time: write 10s, 5m or 2h`},
		{"text too long", "devices:\n  - id: a\n    manufacturer: 2001\n    model: " + strings.Repeat("x", 33) + "\n", "bad.yaml:4:12: model holds 32 bytes at most"},
		{"address", "devices:\n  - {id: a, manufacturer: 2001, address: 252}\n", "bad.yaml:2:42: address must be at most 251"},
		{"load", "load: 1.5\n", "bad.yaml:1:7: load must be between 0 and 0.99"},
		{"too many devices", "generate: 253\n", "bad.yaml:1:11: a backbone has addresses for 252 devices at most"},
		{"nowhere", "boat: {latitude: 95}\n", "bad.yaml:1:18: latitude must be within 80 degrees of the equator"},
		{"sentence", "lines:\n  - id: x\n    sentences:\n      - {talker: GP, formatter: XYZ}\n", `bad.yaml:4:33: the simulator cannot write "XYZ"; it writes DBT DPT `},
		{"talker", "lines:\n  - id: x\n    sentences:\n      - {talker: GPS, formatter: RMC}\n", `bad.yaml:4:18: talker "GPS" must be two letters`},
		{"line id taken", "lines:\n  - id: n2k\n", `bad.yaml:2:9: a second network "n2k"; ids must differ`},
		{"unknown action", oneDevice + "timeline:\n  - {at: 1s, do: explode, device: a}\n", `bad.yaml:4:18: cannot do "explode"; can do bad-checksums corrupt drop-frames `},
		{"action on nobody", oneDevice + "timeline:\n  - {at: 1s, do: silence, device: b, for: 5s}\n", `bad.yaml:4:35: silence: no device "b" in this scenario`},
		{"action without its time", oneDevice + "timeline:\n  - {at: 1s, do: silence, device: a}\n", "bad.yaml:4:5: silence needs a time in for, such as 30s"},
		{"wrong quantity", oneDevice + "timeline:\n  - {at: 1s, do: wrong-data, device: a, quantity: mood}\n", `bad.yaml:4:51: wrong-data: no quantity "mood"; there are clock course `},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := Parse(t.Context(), "bad.yaml", []byte(c.src))
			if err == nil {
				t.Fatal("accepted")
			}
			if got := err.Error(); !strings.HasPrefix(got, "scenario "+c.want) || strings.Contains(got, "\n") {
				t.Errorf("error\n%s\nwant\nscenario %s", got, c.want)
			}
		})
	}
}

func TestLoad(t *testing.T) {
	if _, err := Load(t.Context(), "no-such"); err == nil || !strings.Contains(err.Error(), "built in are demo, faults, fifty, saturated") {
		t.Errorf("Load of nothing: %v", err)
	}
	file := filepath.Join(t.TempDir(), "mine.yaml")
	if err := os.WriteFile(file, []byte("generate: 3\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	sc, err := Load(t.Context(), file)
	if err != nil || sc.Name != "mine" || len(sc.Devices) != 3 {
		t.Errorf("Load of a file: %+v, %v", sc, err)
	}
	for _, name := range Names() {
		if sc := load(t, name); sc.Title == "" {
			t.Errorf("%s has no title", name)
		}
	}
}

func FuzzParse(f *testing.F) {
	for _, name := range Names() {
		src, err := builtin.ReadFile("scenarios/" + name + ".yaml")
		if err != nil {
			f.Fatal(err)
		}
		f.Add(src)
	}
	f.Add([]byte(oneDevice + "timeline:\n  - {at: 1s, do: duplicate-name, device: a}\n  - {at: 2s, do: fight, device: a, address: 3}\n"))
	f.Fuzz(func(t *testing.T, src []byte) {
		sc, err := Parse(t.Context(), "fuzz", src)
		if err != nil {
			if strings.Contains(err.Error(), "\n") {
				t.Errorf("more than a line: %q", err)
			}
			return
		}
		s := New(sc, 1, t0)
		var events [16]event.Event
		for range 20 {
			if _, err := s.ReadUntil(t0.Add(5*time.Second), events[:]); err != nil {
				break
			}
		}
	})
}
