package snapshot

import (
	"crypto/ed25519"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"muster/internal/event"
	"muster/internal/input/inputtest"
)

const someKey = "9lnaTs2AvBgfBO3TQ1yjH6xSAziTKnbC8jncRdTffsg"

func TestWhose(t *testing.T) {
	day := func(text string) event.Time {
		at, err := time.Parse(time.DateTime, text)
		if err != nil {
			t.Fatal(err)
		}
		return event.At(at)
	}
	of := func(from, until string) *Keys {
		k := &Keys{}
		if err := k.Trust(TrustedKey{Key: someKey, Name: "A shop", Purpose: ForWorkshop, From: from, Until: until}); err != nil {
			t.Fatal(err)
		}
		return k
	}
	for _, tt := range []struct {
		name string
		keys *Keys
		key  string
		at   event.Time
		want error
	}{
		{"always", of("", ""), someKey, day("2026-05-02 12:00:00"), nil},
		{"another key", of("", ""), strings.Replace(someKey, "9", "8", 1), 0, ErrUnknownSigner},
		{"an empty list", &Keys{}, someKey, 0, ErrUnknownSigner},
		{"first second", of("2026-05-02", ""), someKey, day("2026-05-02 00:00:00"), nil},
		{"the second before", of("2026-05-02", ""), someKey, day("2026-05-01 23:59:59"), ErrNotThen},
		{"last second", of("", "2026-05-02"), someKey, day("2026-05-02 23:59:59"), nil},
		{"the second after", of("", "2026-05-02"), someKey, day("2026-05-03 00:00:00"), ErrNotThen},
		{"without a time", of("2026-05-02", "2026-05-02"), someKey, 0, nil},
	} {
		t.Run(tt.name, func(t *testing.T) {
			got, err := tt.keys.Whose(tt.key, tt.at)
			if !errors.Is(err, tt.want) || err == nil && got.Name != "A shop" {
				t.Errorf("%v, %v; want %v", got, err, tt.want)
			}
		})
	}
}

// TestKeysFile: what was written is read back, a key that is there already gets its new words, and a full file takes no more.
func TestKeysFile(t *testing.T) {
	k := &Keys{}
	for _, name := range []string{"A shop", "The shop"} {
		if err := k.Trust(TrustedKey{Key: someKey, Name: name, Purpose: ForBoard, From: "2026-01-01"}); err != nil {
			t.Fatal(err)
		}
	}
	text, err := k.Encode()
	if err != nil {
		t.Fatal(err)
	}
	got, err := ParseKeys(t.Context(), "keys.yaml", text)
	if err != nil {
		t.Fatal(err)
	}
	want := &Keys{Schema: KeysSchema, Keys: []TrustedKey{{Key: someKey, Name: "The shop", Purpose: ForBoard, From: "2026-01-01"}}}
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	for i := 1; i < MaxKeys; i++ {
		key := PublicKeyText(append(make(ed25519.PublicKey, 28), fmt.Sprintf("%04d", i)...))
		if err := k.Trust(TrustedKey{Key: key, Name: "A shop", Purpose: ForBoard}); err != nil {
			t.Fatal(err)
		}
	}
	if err := k.Trust(TrustedKey{Key: PublicKeyText(make(ed25519.PublicKey, 32)), Name: "A shop", Purpose: ForBoard}); err == nil {
		t.Error("a full file took one more")
	}
}

func TestKeysBombs(t *testing.T) {
	inputtest.YAML(t, func(text []byte) error { _, err := ParseKeys(t.Context(), "keys.yaml", text); return err }, "keys")
}

func FuzzKeys(f *testing.F) {
	f.Add([]byte("schema: muster.keys/v1\nkeys:\n  - {key: " + someKey + ", name: A, purpose: workshop, until: 2026-05-02}\n"))
	f.Add([]byte("schema: muster.keys/v1\nkeys: []\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		k, err := ParseKeys(t.Context(), "keys.yaml", text)
		if err != nil {
			return
		}
		again, err := k.Encode()
		if err != nil {
			t.Fatal(err)
		}
		got, err := ParseKeys(t.Context(), "keys.yaml", again)
		if err != nil || len(got.Keys) != len(k.Keys) {
			t.Errorf("%v: %d keys, of %d\n%s", err, len(got.Keys), len(k.Keys), again)
		}
	})
}
