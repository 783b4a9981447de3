package main

import (
	"context"
	"fmt"

	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/collectors"
	"github.com/rs/zerolog"
	"golang.org/x/sync/errgroup"

	"muster/internal/cli"
	"muster/internal/config"
	"muster/internal/fleet/hub"
	"muster/internal/fleet/pages"
	"muster/internal/release"
)

// servePages serves the fleet's pages until ctx ends, and returns where they are; empty for nowhere.
func (c *runCmd) servePages(
	ctx context.Context, g *errgroup.Group, h *hub.Hub, l *links, sheets func() *release.Sheets, token, readToken string,
	log zerolog.Logger,
) (string, error) {
	if c.Listen == "" || c.Listen == "off" {
		return "", nil
	}
	days, err := h.Daybook(ctx)
	if err != nil {
		return "", &serverError{err}
	}
	proxies, err := config.Networks(c.Proxies)
	if err != nil {
		return "", fmt.Errorf("--proxy: %w", err)
	}
	registry := prometheus.NewRegistry()
	registry.MustRegister(collectors.NewGoCollector(), collectors.NewProcessCollector(collectors.ProcessCollectorOpts{}))
	s, err := pages.New(pages.Options{Listen: c.Listen, TLSCert: c.TLSCert, TLSKey: c.TLSKey, ClientCA: c.ClientCA,
		Proxies: proxies, Token: token, ReadToken: readToken, Fleet: h,
		Trust: l.trust, ExternalURL: c.ExternalURL, BoatsURLs: c.boatsURLs(l.server),
		Metrics: registry, Sheets: sheets, Daybook: days, Version: cli.Version(), Log: log.With().Str("component", "pages").Logger()})
	if err != nil {
		return "", err
	}
	log.Info().Str("url", s.URL()).Msg("pages are served")
	g.Go(func() error { return s.Serve(ctx) })
	g.Go(func() error {
		<-ctx.Done()
		within, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopWithin)
		defer cancel()
		return s.Stop(within)
	})
	return s.URL(), nil
}

// readTokens reads the token that may act and, on a second line, the one that may read.
func readTokens(ctx context.Context, file string) (token, readToken string, err error) {
	if file == "" {
		return "", "", nil
	}
	return config.LoadTokens(ctx, file)
}
