package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"muster/internal/cli"
	"muster/internal/input"
	"muster/internal/render"
	"muster/internal/snapshot"
)

type historyCmd struct {
	From      []string
	Format    string
	TokenFile string
}

func newHistory(a *app) *cobra.Command {
	c := historyCmd{}
	cmd := &cobra.Command{
		Use: "history FROM...", Short: "Show the life of a boat's units",
		Long: `Show the life of a boat's units: software, NAMEs, addresses, instances, restarts, absences, and which unit replaced which, each with
from and to. FROM is a snapshot, a folder of snapshots (other files are ignored), or the URL of a running muster.`,
		Example: `  muster history boats/wagtail
  muster history http://127.0.0.1:8632
  muster history 2024.json 2025.json 2026.json --format json`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(_ *cobra.Command, args []string) error { c.From = args; return c.run(a) },
	}
	cli.Choice(cmd, &c.Format, "format", "text", "`FORMAT` of the result", "text", "json")
	cmd.Flags().StringVar(&c.TokenFile, "token-file", "", "`FILE` whose first line is the token for the URL")
	return cmd
}

// run prints the lives of one boat's units.
func (c *historyCmd) run(a *app) error {
	if c.TokenFile != "" && !slices.ContainsFunc(c.From, isURL) {
		return cli.WithHint(errors.New("--token-file: only a URL asks for a token"), "leave out --token-file")
	}
	var all []*snapshot.Snapshot
	var refused []error // files of folders that cannot be read: the others are still shown
	for _, from := range c.From {
		if isURL(from) {
			token, err := readToken(a.ctx, c.TokenFile)
			if err != nil {
				return err
			}
			report, err := running{from, token}.report(a.ctx)
			if err != nil {
				return err
			}
			all = append(all, snapshot.New(report))
			continue
		}
		names, folder, err := snapshotsIn(a.ctx, from)
		if err != nil {
			return err
		}
		for _, name := range names {
			s, err := loadSnapshot(a.ctx, name)
			switch {
			case err == nil:
				all = append(all, s)
			case folder && a.ctx.Err() == nil:
				refused = append(refused, err)
			default:
				return err
			}
		}
		if folder && len(names) == 0 {
			return cli.WithHint(fmt.Errorf("%s: no snapshot is in this folder", from),
				"give the folder where muster snapshot wrote to")
		}
	}
	if len(all) == 0 && len(refused) > 0 {
		return errors.Join(refused...)
	}
	histories, err := snapshot.Histories(all)
	if err != nil {
		return err
	}
	if err := c.print(a, histories); err != nil {
		return err
	}
	return errors.Join(refused...)
}

func (c *historyCmd) print(a *app, histories []snapshot.History) error {
	if c.Format == "text" {
		return render.Histories(a.stdout, histories)
	}
	var out bytes.Buffer
	if err := encodeJSON(&out, histories); err != nil {
		return err
	}
	_, err := a.stdout.Write(out.Bytes())
	return err
}

// snapshotsIn lists the snapshots of a folder by name; a file represents itself.
func snapshotsIn(ctx context.Context, from string) (names []string, folder bool, err error) {
	fi, err := os.Stat(from)
	if err != nil {
		return nil, false, cli.WithHint(fmt.Errorf("read %q: %w", from, cli.PlainPath(err)),
			"give snapshots or a folder of them")
	}
	if !fi.IsDir() {
		return []string{from}, false, nil
	}
	entries, err := os.ReadDir(from)
	if err != nil {
		return nil, true, fmt.Errorf("read %q: %w", from, cli.PlainPath(err))
	}
	for _, e := range entries {
		name := filepath.Join(from, e.Name())
		if e.IsDir() || filepath.Ext(name) != ".json" {
			continue
		}
		is, err := isSnapshot(ctx, name)
		if err != nil {
			return nil, true, err
		}
		if is {
			names = append(names, name)
		}
	}
	return names, true, nil
}

// isSnapshot separates snapshots, damaged ones too, from other JSON files.
func isSnapshot(ctx context.Context, name string) (bool, error) {
	data, err := readFile(ctx, name, maxSnapshot)
	if err != nil {
		return false, fmt.Errorf("read %q: %w", name, err)
	}
	var head struct {
		Schema string `json:"schema"`
	}
	if err := input.OpenJSON(ctx, name, data, &head); err != nil {
		return !json.Valid(data) || bytes.Contains(data, []byte(`"muster.snapshot/`)), ctx.Err() // where it breaks is for the reader to report
	}
	return strings.HasPrefix(head.Schema, "muster.snapshot/"), nil
}
