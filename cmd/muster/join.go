package main

import (
	"bytes"
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io/fs"
	"net/http"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"muster/internal/cli"
	"muster/internal/config"
	"muster/internal/fleet"
	"muster/internal/input"
)

type joinCmd struct {
	Code    string
	Config  string
	CA      string
	Replace bool
}

func newJoin(a *app) *cobra.Command {
	c := joinCmd{}
	cmd := &cobra.Command{
		Use: "join CODE", Short: "Enrol this boat at a hub with the code that the hub shows",
		Long: `Enrol this boat at a hub. CODE is what the hub shows on its page Enrol. The key is made on this computer and stays here. The config file
gets the keys boat.id and fleet; a running muster reloads it.`,
		Example: `  sudo muster join https://hub.example.org/join/ABCD-EFGH-JKLM`,
		Args:    cobra.ExactArgs(1), ValidArgsFunction: cobra.NoFileCompletions,
		RunE: func(_ *cobra.Command, args []string) error { c.Code = args[0]; return c.run(a) },
	}
	f := cmd.Flags()
	f.StringVarP(&c.Config, "config", "c", "/etc/muster/muster.yaml", "Config `FILE` to add to")
	f.StringVar(&c.CA, "ca", "", "PEM `FILE` of the authority that signed the hub's certificate. Default: those that this computer trusts")
	f.BoolVar(&c.Replace, "replace", false, "Replace the hub that the config names")
	return cmd
}

// run enrols the boat. Everything that can fail on this computer is tried before the code is used.
func (c *joinCmd) run(a *app) error {
	if _, _, err := fleet.ParseCode(c.Code); err != nil {
		return err
	}
	text, err := input.File(a.ctx, c.Config, input.MaxYAML)
	if errors.Is(err, fs.ErrNotExist) {
		return cli.WithHint(fmt.Errorf("read %q: it does not exist", c.Config), "name muster's config file with --config")
	}
	if err != nil {
		return fmt.Errorf("read %q: %w", c.Config, cli.PlainPath(err))
	}
	cfg, err := config.Load(a.ctx, c.Config)
	if err != nil {
		return err
	}
	if cfg.Fleet.On() && !c.Replace {
		return cli.WithHint(fmt.Errorf("%s: this boat has the hub %s already", c.Config, strings.Join(cfg.Fleet.URL, ", ")),
			"add --replace for another hub")
	}
	if c.CA != "" {
		if c.CA, err = filepath.Abs(c.CA); err != nil {
			return err
		}
	}
	creds := filepath.Join(cmp.Or(cfg.StateDir, filepath.Dir(c.Config)), "hub.creds")
	if creds, err = filepath.Abs(creds); err != nil {
		return err
	}
	// A text as it will be, with a boat and a hub that are made up: what cannot be written is found before the code is used.
	trial := fleet.Joined{Boat: cmp.Or(cfg.Boat.ID, "boat"), URLs: []string{"tls://hub.example:4222"}}
	if _, err := c.edited(a.ctx, text, &cfg, &trial, creds); err != nil {
		return err
	}
	if err := writable(filepath.Dir(creds), filepath.Dir(c.Config)); err != nil {
		return err
	}
	joined, secret, err := fleet.Join(a.ctx, c.Code, cfg.Boat.ID, c.CA, cli.Version())
	if err != nil {
		return err
	}
	now, err := c.edited(a.ctx, text, &cfg, joined, creds)
	if err != nil {
		return err
	}
	if err := writeFileMode(creds, secret, true, 0o600); err != nil {
		return err
	}
	if err := giveLike(creds, filepath.Dir(creds)); err != nil {
		return fmt.Errorf("give %q to muster's user: %w", creds, cli.PlainPath(err))
	}
	if err := replaceLike(c.Config, now); err != nil {
		return err
	}
	fmt.Fprintf(a.stdout, "This boat is %s at %s. Its key is in %s; %s names the hub.\n", joined.Boat, strings.Join(joined.URLs, ", "), creds, c.Config)
	fmt.Fprintln(a.stdout, c.reload(a.ctx, &cfg, joined.Boat))
	return nil
}

// writable reports the first folder in which no file can be made.
func writable(dirs ...string) error {
	for _, dir := range dirs {
		f, err := os.CreateTemp(dir, ".muster-*")
		if err != nil {
			return cli.WithHint(fmt.Errorf("write into %q: %w", dir, cli.PlainPath(err)), "run it as a user who may: sudo muster join …")
		}
		if err := errors.Join(f.Close(), os.Remove(f.Name())); err != nil {
			return err
		}
	}
	return nil
}

// hubBlock is the hub in a config: its key at the left margin, with what is below it.
var hubBlock = regexp.MustCompile(`(?m)^fleet:.*\n?(?:[ \t]+.*\n?)*`)

// edited is the config with the boat's id and the hub. All else stays as it was written.
func (c *joinCmd) edited(ctx context.Context, text []byte, cfg *config.Config, j *fleet.Joined, creds string) ([]byte, error) {
	out := slices.Clone(text)
	if cfg.Fleet.On() {
		out = hubBlock.ReplaceAll(out, nil)
	}
	if out = bytes.TrimRight(out, "\n"); len(out) > 0 {
		out = append(out, '\n')
	}
	if cfg.Boat.ID == "" {
		if block := regexp.MustCompile(`(?m)^boat:[ \t]*(?:#.*)?$`).FindIndex(out); block != nil {
			out = slices.Insert(out, block[1], []byte("\n  id: "+j.Boat)...)
		} else {
			out = fmt.Appendf(out, "\nboat: {id: %s}\n", j.Boat)
		}
	}
	urls, err := json.Marshal(j.URLs)
	if err != nil {
		return nil, err
	}
	out = fmt.Appendf(out, "\nfleet: # written by muster join\n  url: %s\n  credentials: %q\n", urls, creds)
	if c.CA != "" {
		out = fmt.Appendf(out, "  ca: %q\n", c.CA)
	}
	if _, err := config.Parse(ctx, c.Config, out); err != nil {
		return nil, cli.WithHint(fmt.Errorf("%s: the hub cannot be added: %w", c.Config, err),
			"take the keys boat and fleet out of the file, and run the same again")
	}
	return out, nil
}

// replaceLike puts a text in the place of a file, with its mode and owner.
func replaceLike(name string, text []byte) error {
	fi, err := os.Stat(name)
	if err != nil {
		return fmt.Errorf("write %q: %w", name, cli.PlainPath(err))
	}
	beside, err := input.Beside(name, text, fi.Mode().Perm())
	if err == nil {
		err = giveLike(beside, name)
	}
	if err == nil {
		err = os.Rename(beside, name)
	}
	if err != nil {
		_ = os.Remove(beside)
		return fmt.Errorf("write %q: %w", name, cli.PlainPath(err))
	}
	input.SyncDir(filepath.Dir(name))
	return nil
}

// reload lets a muster that runs with the config take it, and returns in words what is left to do.
func (c *joinCmd) reload(ctx context.Context, cfg *config.Config, boat string) string {
	const restart = "Restart muster to begin: sudo systemctl restart muster"
	scheme := "http://"
	if cfg.TLS.Cert != "" {
		scheme = "https://"
	}
	if cfg.Boat.ID != boat || cfg.Listen == "off" {
		return restart // the id is taken at a start only
	}
	ctx, cancel := context.WithTimeout(ctx, 20*time.Second)
	defer cancel()
	req, err := http.NewRequestWithContext(ctx, http.MethodPost, scheme+cfg.Listen+"/api/v1/reload", nil)
	if err != nil {
		return restart
	}
	if cfg.Token != "" {
		req.Header.Set("Authorization", "Bearer "+cfg.Token)
	}
	resp, err := http.DefaultClient.Do(req)
	if err != nil {
		return restart
	}
	defer resp.Body.Close()
	if resp.StatusCode != http.StatusOK {
		return restart
	}
	return "The running muster has reloaded its config, and reports to the hub from now on."
}
