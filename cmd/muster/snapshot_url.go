package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"os"
	"strings"
	"time"

	"muster/internal/boat"
	"muster/internal/daemon"
)

func isURL(source string) bool {
	return strings.HasPrefix(source, "http://") || strings.HasPrefix(source, "https://")
}

// fetch reads the report of a running muster until it is complete.
func (c *snapshotCmd) fetch(a *app) (*boat.Report, error) {
	token, err := readToken(c.TokenFile)
	if err != nil {
		return nil, err
	}
	least, limit := c.times()
	bar := a.roll()
	defer bar.done()
	var r *boat.Report
	for began := time.Now(); ; {
		next, err := fetchReport(a.ctx, c.Source, token)
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

// fetchReport asks a running muster for its report.
func fetchReport(ctx context.Context, source, token string) (*boat.Report, error) {
	failed := func(bad bool, err error) error {
		return &daemon.SourceError{Source: source, BadInput: bad, Err: err}
	}
	u, err := url.Parse(source)
	if err != nil || u.Host == "" {
		return nil, failed(true, withHint(fmt.Errorf("%q is no URL of a running muster", source), "write it as http://127.0.0.1:8632"))
	}
	ctx, cancel := context.WithTimeout(ctx, 20*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodGet, u.JoinPath("api/v1/report").String(), nil)
	if err != nil {
		return nil, failed(true, fmt.Errorf("ask %s: %w", source, err))
	}
	if token != "" {
		req.Header.Set("Authorization", "Bearer "+token)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		if ue, ok := errors.AsType[*url.Error](err); ok {
			err = ue.Err
		}
		return nil, failed(false, withHint(fmt.Errorf("ask %s: %w", source, err), "is muster run going there, and does it listen on that address?"))
	}
	defer resp.Body.Close()
	switch {
	case resp.StatusCode == http.StatusUnauthorized:
		return nil, failed(true, withHint(fmt.Errorf("ask %s: it wants its token", source), "give the token with --token-file FILE"))
	case resp.StatusCode != http.StatusOK:
		return nil, failed(false, withHint(fmt.Errorf("ask %s: it answers %s", source, resp.Status), "is this the address of a running muster?"))
	}
	text, err := io.ReadAll(io.LimitReader(resp.Body, maxReport+1))
	if err != nil {
		return nil, failed(false, fmt.Errorf("ask %s: %w", source, err))
	}
	r := new(boat.Report)
	if err := json.NewDecoder(bytes.NewReader(text)).Decode(r); err != nil || r.Schema != boat.ReportSchema || len(text) > maxReport {
		return nil, failed(true, withHint(fmt.Errorf("ask %s: the answer is not a %s", source, boat.ReportSchema), "is this the address of a running muster, of the same version as this one?"))
	}
	return r, nil
}

// readToken reads the first line of a token file; "" for no file.
func readToken(name string) (string, error) {
	if name == "" {
		return "", nil
	}
	text, err := os.ReadFile(name)
	if err != nil {
		return "", fmt.Errorf("--token-file %q: %w", name, plainPath(err))
	}
	token, _, _ := strings.Cut(string(text), "\n")
	if token = strings.TrimSpace(token); token == "" {
		return "", fmt.Errorf("--token-file %q: its first line is empty: put the token there", name)
	}
	return token, nil
}
