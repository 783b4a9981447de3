package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"strings"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/rs/zerolog"
	"golang.org/x/sync/errgroup"

	"muster/internal/fleet/hub"
	"muster/internal/fleet/pages"
	"muster/internal/release"
)

// servePages serves the fleet's pages until ctx ends.
func (c *runCmd) servePages(ctx context.Context, g *errgroup.Group, h *hub.Hub, sheets func() *release.Sheets, token, readToken string,
	log zerolog.Logger) error {
	if c.Listen == "" || c.Listen == "off" {
		return nil
	}
	days, err := h.Daybook(ctx)
	if err != nil {
		return &serverError{err}
	}
	registry := prometheus.NewRegistry()
	registry.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	s, err := pages.New(pages.Options{Registry: registry, Listen: c.Listen, TLSCert: c.TLSCert, TLSKey: c.TLSKey, Token: token, ReadToken: readToken, Fleet: h,
		Sheets: sheets, Daybook: days, Version: buildVersion(), Log: log.With().Str("component", "pages").Logger()})
	if err != nil {
		return err
	}
	log.Info().Str("url", s.URL()).Msg("pages are served")
	g.Go(func() error { return s.Serve(ctx) })
	g.Go(func() error {
		<-ctx.Done()
		within, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopWithin)
		defer cancel()
		return s.Stop(within)
	})
	return nil
}

// readTokens reads the token that may act and, on a second line, the one that may read.
func readTokens(file string) (token, readToken string, err error) {
	if file == "" {
		return "", "", nil
	}
	text, err := os.ReadFile(file)
	if err != nil {
		return "", "", fmt.Errorf("read token %q: %w", file, plainPath(err))
	}
	token, readToken, _ = strings.Cut(strings.TrimSpace(string(text)), "\n")
	token, readToken = strings.TrimSpace(token), strings.TrimSpace(readToken)
	if len(token) < 16 || readToken != "" && len(readToken) < 16 || token == readToken || strings.Contains(readToken, "\n") {
		return "", "", withHint(errors.New("the tokens in "+file+" are too short, alike, or more than two"),
			"give one line of 16 characters or more, such as openssl rand -base64 24 prints, and a second one for who may only read")
	}
	return token, readToken, nil
}
