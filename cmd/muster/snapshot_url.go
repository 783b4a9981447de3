package main

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	"muster/internal/api"
	"muster/internal/cli"
	"muster/internal/daemon"
	"muster/internal/input"
	"muster/internal/release"
	"muster/internal/report"
)

func isURL(source string) bool {
	return strings.HasPrefix(source, "http://") || strings.HasPrefix(source, "https://")
}

// fetch reads the report of a running muster until it is complete.
func (c *snapshotCmd) fetch(a *app) (*report.Report, error) {
	token, err := readToken(a.ctx, c.TokenFile)
	if err != nil {
		return nil, err
	}
	muster := running{url: c.Source, token: token}
	least, limit := c.times()
	bar := a.identified()
	defer bar.done()
	var r *report.Report
	for began := time.Now(); ; {
		next, err := muster.report(a.ctx)
		switch {
		case err != nil && r != nil && a.ctx.Err() != nil:
			return r, nil
		case err != nil:
			return nil, err
		}
		r = next
		bar.set(r)
		heard := r.Window.To.Sub(r.Window.From) >= least
		if complete(r) && heard || time.Since(began) >= limit {
			return r, nil
		}
		select {
		case <-a.ctx.Done():
			return r, nil
		case <-time.After(time.Second):
		}
	}
}

// maxReport bounds a report that is fetched, in bytes.
const maxReport = 128 << 20

// running is a muster that is asked over its API.
type running struct {
	url   string
	token string // empty for none
}

// failed is what the command ends with; bad is true when it is for the user to repair.
func (m running) failed(bad bool, err error) error {
	return &daemon.SourceError{Source: m.url, BadInput: bad, Err: err}
}

// get asks for one resource.
func (m running) get(ctx context.Context, resource string) ([]byte, error) {
	u, err := url.Parse(m.url)
	if err != nil || u.Host == "" {
		return nil, m.failed(true,
			cli.WithHint(fmt.Errorf("%q is no URL of a running muster", m.url), "write it as http://127.0.0.1:8632"))
	}
	ctx, cancel := context.WithTimeout(ctx, 20*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, u.JoinPath("api/v1", resource).String(), nil)
	if err != nil {
		return nil, m.failed(true, fmt.Errorf("ask %s: %w", m.url, err))
	}
	if m.token != "" {
		req.Header.Set("Authorization", "Bearer "+m.token)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		if ue, ok := errors.AsType[*url.Error](err); ok {
			err = ue.Err
		}
		return nil, m.failed(false, cli.WithHint(fmt.Errorf("ask %s: %w", m.url, err),
			"is muster run going there, and does it listen on that address?"))
	}
	defer resp.Body.Close()
	switch {
	case resp.StatusCode == http.StatusUnauthorized:
		return nil, m.failed(true,
			cli.WithHint(fmt.Errorf("ask %s: it needs its token", m.url), "give the token with --token-file FILE"))
	case resp.StatusCode != http.StatusOK:
		return nil, m.failed(false, cli.WithHint(fmt.Errorf("ask %s for its %s: it answers %s", m.url, resource,
			resp.Status), "is this the address of a running muster, of the same version as this one?"))
	}
	text, err := input.Read(ctx, "", resp.Body, maxReport)
	if err != nil {
		return nil, m.failed(false, fmt.Errorf("ask %s: %w", m.url, err))
	}
	return text, nil
}

func (m running) foreign(what string) error {
	return m.failed(true, cli.WithHint(fmt.Errorf("ask %s: the answer is not %s", m.url, what),
		"is this the address of a running muster, of the same version as this one?"))
}

// report asks for the report.
func (m running) report(ctx context.Context) (*report.Report, error) {
	text, err := m.get(ctx, "report")
	if err != nil {
		return nil, err
	}
	r := new(report.Report)
	if err := input.OpenJSON(ctx, "", text, r); err != nil || !r.Known() {
		return nil, m.foreign("a " + report.V2)
	}
	r.Complete()
	return r, nil
}

// conditions asks for the conditions by recent traffic.
func (m running) conditions(ctx context.Context) (release.Conditions, error) {
	text, err := m.get(ctx, "conditions")
	if err != nil {
		return release.Conditions{}, err
	}
	var c api.Conditions
	if err := input.OpenJSON(ctx, "", text, &c); err != nil {
		return release.Conditions{}, m.foreign("that of its conditions")
	}
	return c.Conditions, nil
}

// now asks for the report and the conditions.
func (m running) now(ctx context.Context) (*report.Report, release.Conditions, error) {
	r, err := m.report(ctx)
	if err != nil {
		return nil, release.Conditions{}, err
	}
	c, err := m.conditions(ctx)
	return r, c, err
}

// readToken reads the first line of a token file; "" for no file.
func readToken(ctx context.Context, name string) (string, error) {
	if name == "" {
		return "", nil
	}
	text, err := plainly(input.Secret(ctx, name, maxKey))
	if err != nil {
		return "", fmt.Errorf("--token-file %q: %w", name, err)
	}
	token, _, _ := strings.Cut(string(text), "\n")
	if token = strings.TrimSpace(token); token == "" {
		return "", fmt.Errorf("--token-file %q: its first line is empty: put the token there", name)
	}
	return token, nil
}
