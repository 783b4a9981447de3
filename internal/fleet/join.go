package fleet

import (
	"bytes"
	"context"
	"crypto/tls"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"net/url"
	"strings"
	"time"

	"github.com/nats-io/nkeys"

	"muster/internal/input"
)

// JoinPath is where a boat computer enrols itself at a hub, and JoinPrefix what the address of a code begins with after its host.
const (
	JoinPath   = "/api/v1/join"
	JoinPrefix = "/join/"
)

// JoinRequest is what a boat computer sends to enrol itself. Its private key stays aboard.
type JoinRequest struct {
	Code    string `json:"code"`
	Boat    string `json:"boat,omitempty"` // id that the boat computer has already
	Key     string `json:"key"`            // public key
	Version string `json:"version,omitempty"`
}

// Joined is what the hub answers.
type Joined struct {
	Boat  string   `json:"boat"`
	URLs  []string `json:"urls"` // where boats reach the hub
	Token string   `json:"token"`
}

// ErrRefused means that the hub refused a code.
var ErrRefused = errors.New("the hub refused it")

// maxJoined bounds the answer of a hub in bytes.
const maxJoined = 64 << 10

// ParseCode takes apart the code that the hub shows: https://HOST/join/CODE.
func ParseCode(text string) (hub *url.URL, code string, err error) {
	const example = "copy it from the hub's page, as in https://hub.example.org/join/ABCD-EFGH-JKLM"
	u, err := url.Parse(strings.TrimSpace(text))
	if err != nil || u.Host == "" || u.User != nil || u.Scheme != "https" && u.Scheme != "http" {
		return nil, "", fmt.Errorf("it is no code of a hub: %s", example)
	}
	at, code, ok := strings.Cut(u.Path, JoinPrefix)
	if !ok || code == "" || strings.Contains(code, "/") {
		return nil, "", fmt.Errorf("it holds no code: %s", example)
	}
	if ip := net.ParseIP(u.Hostname()); u.Scheme == "http" && u.Hostname() != "localhost" && (ip == nil || !ip.IsLoopback()) {
		return nil, "", fmt.Errorf("http://%s would be asked in the clear: the hub's pages need TLS, and the code begins with https", u.Host)
	}
	u.Path, u.RawQuery, u.Fragment = at, "", ""
	return u, code, nil
}

// Join makes a key, enrols its public part with a code at a hub, and returns the text of the credentials file. boat is the id that the
// boat computer has already, empty for none; ca names a PEM file of the authorities to trust, empty for those of the computer.
func Join(ctx context.Context, text, boat, ca, version string) (*Joined, []byte, error) {
	hub, code, err := ParseCode(text)
	if err != nil {
		return nil, nil, err
	}
	pool, err := (&Options{CA: ca}).trusted()
	if err != nil {
		return nil, nil, err
	}
	pair, err := nkeys.CreateUser()
	if err != nil {
		return nil, nil, fmt.Errorf("make a key: %w", err)
	}
	defer pair.Wipe()
	key, err := pair.PublicKey()
	if err != nil {
		return nil, nil, fmt.Errorf("make a key: %w", err)
	}
	body, err := json.Marshal(JoinRequest{Code: code, Boat: boat, Key: key, Version: version})
	if err != nil {
		return nil, nil, err
	}
	secure := &tls.Config{RootCAs: pool, MinVersion: tls.VersionTLS12}
	client := http.Client{Timeout: 30 * time.Second, Transport: &http.Transport{TLSClientConfig: secure},
		CheckRedirect: func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }}
	defer client.CloseIdleConnections()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, hub.String()+JoinPath, bytes.NewReader(body))
	if err != nil {
		return nil, nil, err
	}
	req.Header.Set("Content-Type", "application/json")
	resp, err := client.Do(req)
	if err != nil {
		return nil, nil, fmt.Errorf("ask the hub: %w", explain(err))
	}
	defer resp.Body.Close()
	answer, err := input.Read(ctx, "", resp.Body, maxJoined)
	if err != nil {
		return nil, nil, fmt.Errorf("ask the hub: %w", err)
	}
	if resp.StatusCode != http.StatusOK {
		var problem struct {
			Detail string `json:"detail"`
		}
		if input.OpenJSON(ctx, "", answer, &problem) != nil || problem.Detail == "" {
			return nil, nil, fmt.Errorf("ask the hub: it answered %s: is %s the address of its pages?", resp.Status, hub)
		}
		return nil, nil, fmt.Errorf("%w: %s", ErrRefused, problem.Detail)
	}
	var j Joined
	if err := input.OpenJSON(ctx, "", answer, &j); err != nil || CheckBoatID(j.Boat) != nil || len(j.URLs) == 0 {
		return nil, nil, fmt.Errorf("ask the hub: its answer cannot be read: is %s the address of its pages?", hub)
	}
	seed, err := pair.Seed()
	if err != nil {
		return nil, nil, fmt.Errorf("make a key: %w", err)
	}
	creds := fmt.Appendf(nil, "-----BEGIN NATS USER JWT-----\n%s\n------END NATS USER JWT------\n\n"+
		"-----BEGIN USER NKEY SEED-----\n%s\n------END USER NKEY SEED------\n", j.Token, seed)
	c, err := ParseCredentials(creds)
	if err == nil {
		err = c.Check(j.Boat, time.Now())
	}
	return &j, creds, err
}
