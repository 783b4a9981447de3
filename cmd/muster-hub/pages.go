package main

import (
	"context"

	"github.com/rs/zerolog"
	"golang.org/x/sync/errgroup"

	"muster/internal/fleet/hub"
	"muster/internal/release"
)

// servePages serves the fleet's pages until ctx ends.
func (c *runCmd) servePages(context.Context, *errgroup.Group, *hub.Hub, func() *release.Sheets, zerolog.Logger) error {
	return nil
}
