package fleet

import (
	"context"
	"encoding/base64"
	"errors"
	"fmt"
	"os"
	"runtime"
	"strings"
	"time"

	"github.com/nats-io/nkeys"

	"muster/internal/input"
)

// Credentials are what a credentials file holds of the boat that it is for. The secret in it is not kept.
type Credentials struct {
	Boat    string    // the boat that it was made for
	User    string    // public key
	Issued  time.Time // absent when the file does not give it
	Expires time.Time // absent: never
	Open    bool      // other users of this computer may read the file
}

// newFile is the way out of most mistakes in a credentials file.
const newFile = "ask the marina for a new one: muster-hub enroll makes it"

// maxCredentials bounds a credentials file in bytes.
const maxCredentials = 64 << 10

// ReadCredentials reads the credentials file of a boat. It does not check who signed it: the hub does.
func ReadCredentials(file string) (*Credentials, error) {
	text, err := input.File(context.Background(), file, maxCredentials)
	if err != nil {
		return nil, fmt.Errorf("fleet credentials: %w", err)
	}
	c, err := ParseCredentials(text)
	if err != nil {
		return nil, fmt.Errorf("fleet credentials %s: %w", file, err)
	}
	if info, err := os.Stat(file); err == nil && runtime.GOOS != "windows" {
		c.Open = info.Mode().Perm()&0o077 != 0
	}
	return c, nil
}

// ParseCredentials reads the text of a credentials file. It does not check who signed it: the hub does.
func ParseCredentials(text []byte) (*Credentials, error) {
	token, err := nkeys.ParseDecoratedJWT(text)
	parts := strings.Split(token, ".")
	if err != nil || len(parts) != 3 {
		return nil, fmt.Errorf("no user's token in it: %s", newFile)
	}
	claims, err := base64.RawURLEncoding.DecodeString(parts[1])
	if err != nil {
		return nil, fmt.Errorf("the token in it is damaged: %s", newFile)
	}
	var c struct {
		Name    string `json:"name"`
		Subject string `json:"sub"`
		Issued  int64  `json:"iat"`
		Expires int64  `json:"exp"`
	}
	if err := input.OpenJSON(context.Background(), "", claims, &c); err != nil {
		return nil, fmt.Errorf("the token in it is damaged: %s", newFile)
	}
	key, err := nkeys.ParseDecoratedUserNKey(text)
	if err != nil {
		return nil, fmt.Errorf("no user's key in it: %s", newFile)
	}
	defer key.Wipe()
	if public, err := key.PublicKey(); err != nil || public != c.Subject {
		return nil, fmt.Errorf("its key is not that of its token: %s", newFile)
	}
	return &Credentials{Boat: c.Name, User: c.Subject, Issued: unix(c.Issued), Expires: unix(c.Expires)}, nil
}

func unix(seconds int64) time.Time {
	if seconds <= 0 {
		return time.Time{}
	}
	return time.Unix(seconds, 0).UTC()
}

// Check reports why the boat cannot use the credentials.
func (c *Credentials) Check(boat string, now time.Time) error {
	switch {
	case c.Boat != boat:
		return fmt.Errorf("fleet credentials are those of boat %q, and this is boat %q: give the right file under fleet.credentials, or the right id under boat.id", c.Boat, boat)
	case !c.Expires.IsZero() && now.After(c.Expires):
		return fmt.Errorf("fleet credentials ended on %s: %s", c.Expires.Format(time.DateOnly), newFile)
	}
	return nil
}

var errNoCA = errors.New("no certificate in it: give a PEM file")
