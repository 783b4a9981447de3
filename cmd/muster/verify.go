package main

import (
	"bytes"
	"crypto/ed25519"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"muster/internal/api"
	"muster/internal/boat"
	"muster/internal/cli"
	"muster/internal/config"
	"muster/internal/event"
	"muster/internal/input"
	"muster/internal/render"
	"muster/internal/report"
	"muster/internal/snapshot"
)

type verifyCmd struct {
	Files   []string
	Key     string
	Capture string
	Sheets  string
	Config  string
	signers signers
}

func newVerify(a *app) *cobra.Command {
	c := verifyCmd{}
	cmd := &cobra.Command{
		Use: "verify FILE...", Short: "Check the seal of snapshots and their capture, and signed records",
		Long: `Check the seal and the signature of snapshots. If the raw traffic was kept beside the snapshot, its digest is checked. The report
is made from it again, and every difference is listed.

Of any other file, such as record.pdf, the signature beside it is checked: record.pdf.jws.

A file is in order when a key signed it that --key names or that muster key trust took. Without that it can only be unaltered: whoever
changes a file can seal or sign it again.`,
		Example: `  muster verify before.json after.json
  muster verify before.json --key shop.key.pub
  muster verify before.json --capture archive/before.log.zst
  muster verify record.pdf`,
		Args: cobra.MinimumNArgs(1),
		RunE: func(_ *cobra.Command, args []string) error { c.Files = args; return c.run(a) },
	}
	f := cmd.Flags()
	f.StringVar(&c.Key, "key", "", "Require a signature by this key: the .pub `FILE` of muster key new")
	f.StringVar(&c.Capture, "capture", "", "Capture `FILE`, if it does not lie beside the snapshot")
	cli.Dir(cmd, &c.Sheets, "sheets", "`DIR` of the release sheets that the snapshot was taken with")
	f.StringVarP(&c.Config, "config", "c", "",
		"Config `FILE` that the snapshot was taken with, for the same thresholds")
	c.signers.flags(f)
	cmd.MarkFlagsMutuallyExclusive("key", "keys")
	return cmd
}

// run prints one line for each file.
func (c *verifyCmd) run(a *app) error {
	var key ed25519.PublicKey
	if c.Key != "" {
		text, err := readFile(a.ctx, c.Key, maxKey)
		if err != nil {
			return fmt.Errorf("--key %q: %w", c.Key, err)
		}
		if key, err = snapshot.PublicKey(text); err != nil {
			return fmt.Errorf("--key %q: %w", c.Key, err)
		}
	}
	if c.Capture != "" {
		if len(c.Files) > 1 {
			return cli.WithHint(errors.New("--capture: it belongs to one snapshot"),
				"check the snapshots one by one, or put each capture beside its snapshot")
		}
		if _, err := os.Stat(c.Capture); err != nil {
			return fmt.Errorf("--capture %q: %w", c.Capture, cli.PlainPath(err))
		}
	}
	cfg, err := loadConfig(a.ctx, c.Config, nil, false)
	if err != nil {
		return err
	}
	if err := useSheets(a.ctx, &cfg, c.Sheets); err != nil {
		return err
	}
	if err := c.signers.load(a.ctx); err != nil {
		return err
	}
	failed, unproved := 0, 0
	for _, file := range c.Files {
		text, proved, err := c.verify(a, cfg, file, key)
		switch {
		case err != nil:
			failed++
			text = "NOT in order: " + err.Error()
		case !proved:
			unproved++
		}
		if _, err := fmt.Fprintf(a.stdout, "%s: %s\n", file, boat.Printable(text)); err != nil {
			return err
		}
	}
	switch {
	case failed == 1 && len(c.Files) == 1:
		return errors.New("the file is not in order")
	case failed > 0:
		return fmt.Errorf("%d of %d files are not in order", failed, len(c.Files))
	case unproved > 0 && c.signers.Because == "":
		return &signerError{what: "file", count: unproved}
	case unproved > 0:
		_, err := fmt.Fprintf(a.stdout, "%s: %s\n", render.SignersLabel, boat.Printable(c.signers.Because))
		return err
	}
	return nil
}

// verify says what was found, and whether a trusted key signed it, or returns what is wrong.
func (c *verifyCmd) verify(
	a *app, cfg config.Config, file string, key ed25519.PublicKey,
) (text string, proved bool, err error) {
	data, err := readFile(a.ctx, file, maxSnapshot)
	if err != nil {
		return "", false, err
	}
	if _, err := os.Stat(file + snapshot.DetachedExt); err == nil || strings.EqualFold(filepath.Ext(file), ".pdf") {
		return c.verifyDetached(a, file, data, key)
	}
	s, err := snapshot.Decode(data)
	if err != nil {
		return "", false, err
	}
	sealErr := s.Verify(key)
	capture, err := c.verifyCapture(a, cfg, file, s)
	switch {
	case err != nil && sealErr == nil:
		return "", false, fmt.Errorf("%w; the seal itself holds", err)
	case err != nil:
		return "", false, cli.OneLine(sealErr, err)
	}
	if sealErr != nil {
		return "", false, sealErr
	}
	version := 2
	if s.Schema == snapshot.SchemaV1 {
		version = 1
	}
	text, proved = c.state(s.Seal.SHA256, s.Seal.Key, s.TakenAt(), key)
	return fmt.Sprintf("%s, seal of version %d%s", text, version, capture), proved, nil
}

// state says whether something that is as it was signed is in order, and by whom it is signed.
func (c *verifyCmd) state(digest, signer string, at event.Time, key ed25519.PublicKey) (text string, proved bool) {
	signed, name := c.signers.said(signer, at)
	if key != nil {
		signed, name = fmt.Sprintf("signed by %s, the key of %s", signer, c.Key), c.Key
	}
	state := "in order"
	if name == "" {
		state = "unaltered"
	}
	return fmt.Sprintf("%s, SHA-256 %s, %s", state, digest, signed), name != ""
}

// verifyDetached checks the signature in the file beside a file.
func (c *verifyCmd) verifyDetached(
	a *app, file string, data []byte, key ed25519.PublicKey,
) (text string, proved bool, err error) {
	if c.Capture != "" {
		return "", false, errors.New("it is no snapshot, so --capture has nothing to compare with")
	}
	beside := file + snapshot.DetachedExt
	jws, err := readFile(a.ctx, beside, maxKey)
	if err != nil {
		return "", false, fmt.Errorf("its signature %s: %w", filepath.Base(beside), err)
	}
	signer, err := snapshot.VerifyDetached(jws, data)
	if err == nil && key != nil && signer != snapshot.PublicKeyText(key) {
		err = fmt.Errorf("%w: %s", snapshot.ErrStranger, signer)
	}
	if err != nil {
		return "", false, err
	}
	sum := sha256.Sum256(data)
	text, proved = c.state(hex.EncodeToString(sum[:]), signer, 0, key)
	return text, proved, nil
}

// verifyCapture checks the kept capture and makes the report from it again.
func (c *verifyCmd) verifyCapture(a *app, cfg config.Config, file string, s *snapshot.Snapshot) (string, error) {
	name := c.Capture
	if s.Capture == nil {
		if name != "" {
			return "", errors.New("it was taken without keeping the capture, so --capture has nothing to compare with")
		}
		return "", nil
	}
	if name == "" {
		name = filepath.Join(filepath.Dir(file), filepath.Base(s.Capture.Name))
		if _, err := os.Stat(name); errors.Is(err, os.ErrNotExist) {
			return fmt.Sprintf("; its capture %s is not here to check", filepath.Base(s.Capture.Name)), nil
		}
	}
	have, err := digestFile(name)
	if err != nil {
		return "", err
	}
	if have.SHA256 != s.Capture.SHA256 {
		return "", fmt.Errorf("the capture %s is not the kept one: SHA-256 %s (%d bytes), in the snapshot %s (%d bytes)",
			name, have.SHA256, have.Bytes, s.Capture.SHA256, s.Capture.Bytes)
	}
	if missing, err := sheetsOf(a.ctx, s, cfg.Sheets); missing || err != nil {
		return "; its capture is unchanged. Give --sheets with the same sheets to make the report again", err
	}
	again, err := a.recompute(a.ctx, cfg, name, s.Report)
	if err != nil {
		return "", err
	}
	want, err := api.EncodeReport(s.Report)
	if err != nil {
		return "", err
	}
	got, err := a.encodedAgain(again)
	if err != nil {
		return "", err
	}
	if !bytes.Equal(want, got) {
		reason := "; it must be made with the --config that it was taken with, if there was one"
		if s.Program != cli.Version() {
			reason = fmt.Sprintf("; it was taken by muster %s, and this is %s, "+
				"which may read more from the same capture: check it with that one", s.Program, cli.Version())
		}
		if path, ok := snapshot.FirstDifference(want, got); ok {
			return "", fmt.Errorf("the report made again from %s differs first at %s%s", name, path, reason)
		}
		return "", fmt.Errorf("the report made again from %s is written differently%s", name, reason)
	}
	return fmt.Sprintf("; the report made again from %s is the same to the byte", name), nil
}

// encodedAgain encodes a report as one that was read from a file: the evidence of its alerts then has its keys in
// another order.
func (a *app) encodedAgain(r *report.Report) ([]byte, error) {
	text, err := api.EncodeReport(r)
	if err != nil {
		return nil, err
	}
	var read report.Report
	if err := input.OpenJSON(a.ctx, "the report made again", text, &read); err != nil {
		return nil, err
	}
	return api.EncodeReport(&read)
}
