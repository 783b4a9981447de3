package trust

import (
	"errors"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/jwt/v2"
	"github.com/nats-io/nkeys"
)

func boatKey(t *testing.T) string {
	t.Helper()
	pair, err := nkeys.CreateUser()
	if err != nil {
		t.Fatal(err)
	}
	key, err := pair.PublicKey()
	if err != nil {
		t.Fatal(err)
	}
	return key
}

// TestCodes: a code enrols its boat once, within its time, with a key that the hub never had; every refusal says why, and the list of codes
// shows it.
func TestCodes(t *testing.T) {
	tr, err := Open(filepath.Join(t.TempDir(), "trust"))
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2026, 5, 2, 8, 0, 0, 0, time.UTC)
	first, _, err := tr.NewCode("wagtail", "Tern Quay", now)
	if err != nil {
		t.Fatal(err)
	}
	code, _, err := tr.NewCode("wagtail", "Tern Quay", now)
	if err != nil {
		t.Fatal(err)
	}
	late, _, err := tr.NewCode("dunlin", "", now)
	if err != nil {
		t.Fatal(err)
	}
	key := boatKey(t)
	for _, tt := range []struct {
		name, code, boat, key string
		at                    time.Time
		want                  error
	}{
		{"a code that another replaced", first, "", key, now, ErrNoCode},
		{"a wrong code", "2222-2222-2222", "", key, now, ErrNoCode},
		{"another boat's code", code, "plover", key, now, ErrOtherBoat},
		{"an expired code", late, "", key, now.Add(CodeLasts + time.Second), ErrCodeExpired},
	} {
		if _, token, err := tr.Join(tt.code, tt.boat, tt.key, tt.at); !errors.Is(err, tt.want) || token != "" {
			t.Errorf("%s: %v, token %q", tt.name, err, token)
		}
	}
	if _, _, err := tr.Join(code, "", "SUAB", now); err == nil {
		t.Error("a private key was taken")
	}
	if list, _, _ := tr.Boats(); len(list) != 0 {
		t.Fatalf("enrolled by refused codes: %+v", list)
	}

	e, token, err := tr.Join(strings.ToLower(strings.ReplaceAll(code, "-", " ")), "wagtail", key, now)
	if err != nil || e.Boat != "wagtail" || e.Marina != "Tern Quay" || e.Key != key {
		t.Fatalf("%+v: %v", e, err)
	}
	claims, err := jwt.DecodeUserClaims(token)
	if err != nil || claims.Subject != key || claims.Name != "wagtail" || len(claims.Pub.Allow) == 0 {
		t.Errorf("%+v: %v", claims, err)
	}
	if _, _, err := tr.Join(code, "wagtail", boatKey(t), now); !errors.Is(err, ErrCodeUsed) {
		t.Errorf("a used code: %v", err)
	}
	codes, err := tr.Codes()
	if err != nil || len(codes) != 2 ||
		codes[0].Refused != ErrCodeExpired.Error() || codes[1].Used.IsZero() || codes[1].Refused != ErrCodeUsed.Error() {
		t.Errorf("%+v: %v", codes, err)
	}
	creds, err := tr.Enroll("wagtail", now.Add(time.Hour)) // by file: the marina stays
	if list, _, _ := tr.Boats(); err != nil || len(creds) == 0 || list[0].Marina != "Tern Quay" || list[0].Key == key {
		t.Errorf("%+v: %v", list, err)
	}
}
