package snapshot

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"flag"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/go-jose/go-jose/v4"
	"github.com/google/go-cmp/cmp"
	"github.com/gowebpki/jcs"

	"muster/internal/alert"
	"muster/internal/boat"
	"muster/internal/check"
	"muster/internal/event"
	"muster/internal/report"
)

var update = flag.Bool("update", false, "rewrite the golden files")

var noon = event.At(time.Date(2026, 5, 4, 12, 0, 0, 0, time.UTC))

func ptr[T any](v T) *T { return &v }

// device is one invented device; unique is its unique number, instance its device instance.
func device(id string, address uint8, role boat.Role, model, serial, software string, unique uint32, instance uint8) report.Device {
	return report.Device{ID: id, Network: "can0", Address: ptr(address), State: boat.Present, Role: role,
		Name:    &boat.Name{UniqueNumber: unique, Manufacturer: boat.Coded{Code: 2001, Name: "Larkfin Marine"}, DeviceInstance: instance},
		Product: &boat.Product{Model: model, Serial: serial, Software: software}}
}

// fixture is a small boat before the work.
func fixture() *report.Report {
	head := device("00000000000000A1", 3, boat.RoleDisplay, "LF9 display", "H-1", "4.47", 1, 0)
	head.Installation = &boat.Installation{Description1: "helm"}
	sounder := device("00000000000000A2", 35, boat.RoleDepth, "SD2 sounder", "S-7", "1.2", 2, 3)
	sounder.Installation = &boat.Installation{Description1: "transom, port"}
	sounder.Transmits = []report.Transmit{{PGN: 128267, Title: "Water Depth", Count: 60, Nominal: 1000, Available: ptr(true)}}
	battery := device("00000000000000A3", 40, boat.RolePower, "Tavrik 7 battery monitor", "B-3", "2.0", 3, 0)
	return &report.Report{Schema: report.V1, Boat: boat.Identity{ID: "wagtail", Name: "Wagtail"}, TakenAt: noon, Clock: boat.ClockSystem,
		Window:   boat.Window{From: noon.Add(-time.Minute), To: noon},
		Networks: []report.Network{{ID: "can0", Kind: event.NMEA2000, BitRate: 250000, Frames: 4000, Load: &boat.Load{Mean: .031, Peak: .06}}},
		Devices:  []report.Device{head, sounder, battery}, Talkers: []report.Talker{}, Manual: []boat.Manual{},
		Alerts: []alert.Alert{
			{Check: "software-differs", Severity: check.Warning, State: alert.StatusOpen, Devices: []string{"00000000000000A1"}, Summary: "two LF9 displays run different software", Remedy: "update the older one"},
			{Check: "bus-load-high", Severity: check.Info, State: alert.StatusOpen, Network: "can0", Summary: "the load of can0 is high"}}}
}

func seal(t *testing.T, r *report.Report, key ed25519.PrivateKey) *Snapshot {
	t.Helper()
	s := New(r)
	if err := s.Close(key); err != nil {
		t.Fatal(err)
	}
	return s
}

func TestSealSurvivesTheFile(t *testing.T) {
	private, public, err := NewKey()
	if err != nil {
		t.Fatal(err)
	}
	key, err := PrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	pub, err := PublicKey(public)
	if err != nil {
		t.Fatal(err)
	}
	data, err := seal(t, fixture(), key).Encode()
	if err != nil {
		t.Fatal(err)
	}
	s, err := Decode(data)
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Verify(pub); err != nil {
		t.Errorf("verify: %v", err)
	}
	other, _, _ := ed25519.GenerateKey(nil)
	if err := s.Verify(other); !errors.Is(err, ErrStranger) {
		t.Errorf("another key: %v, want ErrStranger", err)
	}
	altered, err := Decode(bytes.Replace(data, []byte("4.47"), []byte("4.50"), 1))
	if err != nil {
		t.Fatal(err)
	}
	if err := altered.Verify(nil); !errors.Is(err, ErrAltered) {
		t.Errorf("altered: %v, want ErrAltered", err)
	}
	if err := seal(t, fixture(), nil).Verify(pub); !errors.Is(err, ErrUnsigned) {
		t.Errorf("unsigned: %v, want ErrUnsigned", err)
	}
	if err := New(fixture()).Verify(nil); !errors.Is(err, ErrUnsealed) {
		t.Errorf("unsealed: %v, want ErrUnsealed", err)
	}
}

// The seal's two standards through the libraries that carry them out.
func TestStandards(t *testing.T) {
	for _, c := range []struct{ name, in, want string }{
		{"RFC 8785 section 3.2.2", `{"numbers":[333333333.33333329,1E30,4.50,2e-3,0.000000000000000000000000001],` +
			`"string":"\u20ac$\u000F\u000aA'\u0042\u0022\u005c\\\"\/","literals":[null,true,false]}`,
			`{"literals":[null,true,false],"numbers":[333333333.3333333,1e+30,4.5,0.002,1e-27],"string":"€$\u000f\nA'B\"\\\\\"/"}`},
		{"RFC 8785 section 3.2.3", `{"\u20ac":"Euro Sign","\r":"Carriage Return","\ufb33":"Hebrew Letter Dalet With Dagesh","1":"One",` +
			`"\ud83d\ude00":"Emoji: Grinning Face","\u0080":"Control","\u00f6":"Latin Small Letter O With Diaeresis"}`,
			"{\"\\r\":\"Carriage Return\",\"1\":\"One\",\"\u0080\":\"Control\",\"ö\":\"Latin Small Letter O With Diaeresis\",\"€\":\"Euro Sign\"," +
				"\"😀\":\"Emoji: Grinning Face\",\"\ufb33\":\"Hebrew Letter Dalet With Dagesh\"}"},
		{"RFC 8785 appendix B", `[5e-324,1.7976931348623157e308,9007199254740992,1e21,0.000001,333333333.3333332]`,
			`[5e-324,1.7976931348623157e+308,9007199254740992,1e+21,0.000001,333333333.3333332]`},
	} {
		t.Run(c.name, func(t *testing.T) {
			got, err := jcs.Transform([]byte(c.in))
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(c.want, string(got)); diff != "" {
				t.Error(diff)
			}
		})
	}
	t.Run("RFC 8037 appendix A.4", func(t *testing.T) {
		seed, _ := base64.RawURLEncoding.DecodeString("nWGxne_9WmC6hEr0kuwsxERJxWl7MmkZcDusAxyuf2A")
		signer, err := jose.NewSigner(jose.SigningKey{Algorithm: jose.EdDSA, Key: ed25519.NewKeyFromSeed(seed)}, nil)
		if err != nil {
			t.Fatal(err)
		}
		jws, err := signer.Sign([]byte("Example of Ed25519 signing"))
		if err != nil {
			t.Fatal(err)
		}
		got, err := jws.CompactSerialize()
		if err != nil {
			t.Fatal(err)
		}
		want := "eyJhbGciOiJFZERTQSJ9.RXhhbXBsZSBvZiBFZDI1NTE5IHNpZ25pbmc." +
			"hgyY0il_MGCjP0JzlnLWG1PPOt7-09PGcvMg3AIbQR6dWbhijcNR4ki4iylGjg5BhVsPt9g7sVvpAr_MuM0KAg"
		if got != want {
			t.Errorf("got  %s\nwant %s", got, want)
		}
	})
}

// need skips a test by name when a program is not installed, or fails it where nothing may skip.
func need(t *testing.T, program string) string {
	t.Helper()
	path, err := exec.LookPath(program)
	if err != nil {
		if os.Getenv("MUSTER_TEST_ALL") == "1" {
			t.Fatalf("%s is not installed", program)
		}
		t.Skipf("%s is not installed", program)
	}
	return path
}

// OpenSSL and sha256sum check a seal without any of our code, by the script of the format's description.
func TestSealCheckedByOthers(t *testing.T) {
	for _, program := range []string{"openssl", "sha256sum", "base64", "sh"} {
		need(t, program)
	}
	doc, err := os.ReadFile("../../deploy/examples/snapshot.md")
	if err != nil {
		t.Fatal(err)
	}
	_, script, _ := strings.Cut(string(doc), "```sh\n")
	script, _, _ = strings.Cut(script, "```")
	private, public, err := NewKey()
	if err != nil {
		t.Fatal(err)
	}
	key, err := PrivateKey(private)
	if err != nil {
		t.Fatal(err)
	}
	other, _, err := NewKey()
	if err != nil {
		t.Fatal(err)
	}
	stranger, err := PrivateKey(other)
	if err != nil {
		t.Fatal(err)
	}
	dir := t.TempDir()
	file := func(name string, data []byte) string {
		path := filepath.Join(dir, name)
		if err := os.WriteFile(path, data, 0o600); err != nil {
			t.Fatal(err)
		}
		return path
	}
	encode := func(s *Snapshot) []byte {
		data, err := s.Encode()
		if err != nil {
			t.Fatal(err)
		}
		return data
	}
	good := encode(seal(t, fixture(), key))
	pub := file("key.pub", public)
	for _, c := range []struct {
		name string
		data []byte
		key  string
		ok   bool
	}{
		{"signed", good, pub, true},
		{"signed, and no key given", good, "", true},
		{"not signed", encode(seal(t, fixture(), nil)), "", true},
		{"altered", bytes.Replace(good, []byte("4.47"), []byte("4.50"), 1), "", false},
		{"another key", encode(seal(t, fixture(), stranger)), pub, false},
	} {
		out, err := exec.Command("sh", "-c", script, "check", file("snapshot.json", c.data), c.key).CombinedOutput()
		if (err == nil) != c.ok {
			t.Errorf("%s: %v: %s", c.name, err, out)
		}
	}
}

// TestOldWords: a snapshot that an earlier version sealed keeps its seal, its digest and its bytes, and is read in the words of today.
func TestOldWords(t *testing.T) {
	text, err := seal(t, fixture(), nil).Encode()
	if err != nil {
		t.Fatal(err)
	}
	old := strings.Replace(string(text), `"role": "display"`, `"role": "`+"head"+`"`, 1)
	if old == string(text) {
		t.Fatal("the fixture has no display")
	}
	if s, err := Decode([]byte(old)); err != nil || !errors.Is(s.Verify(nil), ErrAltered) {
		t.Fatalf("another word under the same seal: %v, want %v", err, ErrAltered)
	}
	bare, _, _ := strings.Cut(old, `,
  "seal":`)
	bare = strings.Replace(bare, Schema, SchemaV1, 1)
	canonical, err := jcs.Transform([]byte(bare + "}"))
	if err != nil {
		t.Fatal(err)
	}
	sum := sha256.Sum256(canonical)
	old = fmt.Sprintf("%s,\n  \"seal\": {\"sha256\": \"%x\"}\n}\n", bare, sum)
	s, err := Decode([]byte(old))
	if err != nil {
		t.Fatal(err)
	}
	if err := s.Verify(nil); err != nil {
		t.Error(err)
	}
	if digest, err := s.Digest(); err != nil || digest != hex.EncodeToString(sum[:]) {
		t.Errorf("digest %s, %v", digest, err)
	}
	if role := s.Report.Devices[0].Role; role != boat.RoleDisplay {
		t.Errorf("role %q", role)
	}
	if again, err := s.Encode(); err != nil || string(again) != old {
		t.Errorf("written again it is %s, %v", again, err)
	}
}

func TestDecodeRefuses(t *testing.T) {
	good, err := seal(t, fixture(), nil).Encode()
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct{ name, in, want string }{
		{"empty", "", "line 1, column 1: it ends too early"},
		{"cut off", string(good[:bytes.LastIndexByte(good[:len(good)/2], ',')]), "it ends too early"},
		{"not JSON", "(1.0) can0 123#", "is this a file that muster snapshot wrote?"},
		{"a list", "[1]", "is this a file that muster snapshot wrote?"},
		{"other JSON", `{"schema":"muster.report/v1"}`, "is this a file that muster snapshot wrote?"},
		{"newer", `{"schema":"muster.snapshot/v3"}`, "update muster"},
		{"unknown field", strings.Replace(string(good), `"complete"`, `"finished"`, 1), "finished"},
		{"wrong type", strings.Replace(string(good), `"complete": true`, `"complete": "yes"`, 1), "expected true or false"},
		{"no report", `{"schema":"muster.snapshot/v1"}`, "it holds no report"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, err := Decode([]byte(c.in))
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("got %v, want it to say %q", err, c.want)
			}
		})
	}
}

func TestWaiting(t *testing.T) {
	r := fixture()
	r.Devices[0].Product, r.Devices[1].Product = nil, nil
	r.Devices[1].Unanswered = "no answer to 3 requests"
	s := New(r)
	if diff := cmp.Diff([]string{"00000000000000A1"}, s.Waiting); diff != "" || s.Complete {
		t.Errorf("complete %v %s", s.Complete, diff)
	}
}

func FuzzDecode(f *testing.F) {
	s := New(fixture())
	if err := s.Close(nil); err != nil {
		f.Fatal(err)
	}
	data, err := s.Encode()
	if err != nil {
		f.Fatal(err)
	}
	f.Add(data)
	f.Add([]byte(`{"schema":"muster.snapshot/v1","report":{"devices":[{}]}}`))
	f.Fuzz(func(t *testing.T, in []byte) {
		s, err := Decode(in)
		if err != nil {
			return
		}
		_ = s.Verify(nil)
		if _, err := Compare(s, s, Options{}); err != nil {
			t.Skip(err)
		}
	})
}
