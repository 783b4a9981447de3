package fleet

import (
	"bytes"
	"encoding/json"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/klauspost/compress/zstd"
	"github.com/nats-io/jwt/v2"

	"muster/internal/boat"
)

func TestCodec(t *testing.T) {
	c, err := NewCodec()
	if err != nil {
		t.Fatal(err)
	}
	e := &Envelope{Schema: Schema, Boat: boat.Identity{ID: "plover"}, MadeAt: time.Unix(1_777_000_000, 0).UTC(), Clock: boat.ClockGNSS, Body: json.RawMessage(`{"a":1}`)}
	data, err := c.Encode(e)
	if err != nil {
		t.Fatal(err)
	}
	got, err := c.Decode(data)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(e, got); d != "" {
		t.Error(d)
	}
	pack := func(text string) []byte {
		w, err := zstd.NewWriter(nil)
		if err != nil {
			t.Fatal(err)
		}
		return w.EncodeAll([]byte(text), nil)
	}
	for _, tt := range []struct {
		name string
		in   []byte
		want string
	}{
		{"nothing", nil, "it ends too early"},
		{"no zstd", []byte("hello"), "magic"},
		{"cut off", data[:len(data)/2], "EOF"},
		{"no JSON", pack("hello"), "expected keys with values"},
		{"two", pack(`{"schema":"muster.uplink/v1"}{}`), "something follows after the end"},
		{"another schema", pack(`{"schema":"muster.uplink/v9"}`), "may be older"},
		{"bomb", pack(strings.Repeat(" ", MaxDecoded+1) + "{}"), "decompressed"},
		{"too large", bytes.Repeat([]byte("x"), MaxEncoded+1), "too large"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if _, err := c.Decode(tt.in); err == nil || !strings.Contains(err.Error(), tt.want) {
				t.Errorf("got %v, want %q", err, tt.want)
			}
		})
	}
	if _, err := c.Encode(&Envelope{Body: json.RawMessage(`"` + strings.Repeat("x", MaxDecoded) + `"`)}); !errors.Is(err, ErrTooLarge) {
		t.Errorf("got %v", err)
	}
}

func TestNames(t *testing.T) {
	for _, id := range []string{"", "Plover", "a b", "-a", "a.b", "a*", ">", strings.Repeat("a", 65)} {
		if CheckBoatID(id) == nil {
			t.Errorf("boat id %q was taken", id)
		}
	}
	for _, s := range []string{"", "muster.v1.boat", "muster.v1.boat.plover", "muster.v2.boat.plover.report", "muster.v1.boat.*.report", "muster.v1.boat.plover.a.b"} {
		if _, _, err := ParseSubject(s); err == nil {
			t.Errorf("subject %q was taken", s)
		}
	}
	for _, id := range []string{"", "board", "board.", "board.0", "board.-1", "board.1.2", ".1", "board.99999999999999999999"} {
		if _, _, err := ParseMessageID(id); err == nil {
			t.Errorf("message id %q was taken", id)
		}
	}
}

func TestCredentials(t *testing.T) {
	h := &hub{t: t}
	h.seed = seedOf(t)
	good := h.enroll("plover", asBoat)
	c, err := ReadCredentials(good)
	if err != nil || c.Boat != "plover" || c.Open || c.Issued.IsZero() || !c.Expires.IsZero() {
		t.Fatalf("%+v: %v", c, err)
	}
	if err := c.Check("plover", time.Now()); err != nil {
		t.Error(err)
	}
	if err := c.Check("wagtail", time.Now()); err == nil || !strings.Contains(err.Error(), `boat "plover", and this is boat "wagtail"`) {
		t.Error(err)
	}
	ended, err := ReadCredentials(h.enroll("plover", func(c *jwt.UserClaims) { c.Expires = 1_600_000_000 }))
	if err != nil {
		t.Fatal(err)
	}
	if err := ended.Check("plover", time.Now()); err == nil || !strings.Contains(err.Error(), "ended on 2020-09-13") {
		t.Error(err)
	}
	text, err := os.ReadFile(good)
	if err != nil {
		t.Fatal(err)
	}
	other, err := os.ReadFile(h.enroll("wagtail", asBoat))
	if err != nil {
		t.Fatal(err)
	}
	end := []byte("------END NATS USER JWT------")
	token, key, _ := bytes.Cut(text, end)
	_, otherKey, _ := bytes.Cut(other, end)
	for _, tt := range []struct {
		name string
		in   []byte
		want string
	}{
		{"empty", nil, "no user's token"},
		{"half", token, "no user's key"},
		{"only the key", key, "token"},
		{"another's key", slices.Concat(token, end, otherKey), "not that of its token"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			file := filepath.Join(t.TempDir(), "x.creds")
			if err := os.WriteFile(file, tt.in, 0o644); err != nil {
				t.Fatal(err)
			}
			_, err := ReadCredentials(file)
			if err == nil || !strings.Contains(err.Error(), tt.want) || !strings.Contains(err.Error(), newFile) {
				t.Errorf("got %v, want %q", err, tt.want)
			}
		})
	}
	if err := os.Chmod(good, 0o640); err != nil {
		t.Fatal(err)
	}
	if c, err := ReadCredentials(good); err != nil || !c.Open {
		t.Errorf("%+v: %v", c, err)
	}
}

func FuzzDecode(f *testing.F) {
	c, err := NewCodec()
	if err != nil {
		f.Fatal(err)
	}
	good, err := c.Encode(&Envelope{Schema: Schema, Boat: boat.Identity{ID: "plover"}, Body: json.RawMessage(`{"a":[1,2]}`)})
	if err != nil {
		f.Fatal(err)
	}
	f.Add(good)
	f.Add(good[:len(good)/2])
	f.Add([]byte("\x28\xb5\x2f\xfd"))
	f.Fuzz(func(t *testing.T, data []byte) {
		e, err := c.Decode(data)
		if err != nil {
			return
		}
		again, err := c.Encode(e)
		if err != nil {
			return // what compresses badly may be too large
		}
		if _, err := c.Decode(again); err != nil {
			t.Error(err)
		}
	})
}

func FuzzNames(f *testing.F) {
	for _, s := range []string{"muster.v1.boat.plover.report", "muster.v1.boat.plover.", "muster.v1.boat.*.>", "q3cz5kfs2a.17", "a.18446744073709551615", "a.01"} {
		f.Add(s)
	}
	f.Fuzz(func(t *testing.T, s string) {
		if boat, k, err := ParseSubject(s); err == nil && Subject(boat, k) != s {
			t.Errorf("subject %q is %q of %q", s, k, boat)
		}
		if board, seq, err := ParseMessageID(s); err == nil {
			if b, n, err := ParseMessageID(MessageID(board, seq)); err != nil || b != board || n != seq {
				t.Errorf("message id %q is %d of %q", s, seq, board)
			}
		}
	})
}

func FuzzCredentials(f *testing.F) {
	f.Add([]byte("-----BEGIN NATS USER JWT-----\na.eyJuYW1lIjoia2VzdHJlbCJ9.c\n------END NATS USER JWT------\n"))
	f.Fuzz(func(_ *testing.T, text []byte) { _, _ = ParseCredentials(text) })
}
