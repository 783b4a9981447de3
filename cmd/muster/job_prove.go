package main

import (
	"bytes"
	"cmp"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"muster/internal/boat"
	"muster/internal/cli"
	"muster/internal/job"
	"muster/internal/render"
)

func newJobCheck(a *app) *cobra.Command {
	format, paper := "", ""
	var by signers
	cmd := &cobra.Command{
		Use: "check DIR", Short: "Check that a job's folder is as it was written", Args: cobra.ExactArgs(1),
		Long: `Check that a job's folder is as it was written. Each line of the ledger follows the one before. Each file has the SHA-256 in the ledger.
The snapshots and the order belong together, and the signatures fit. Of an open job, the last line cannot be checked yet.

Whoever changes a closed job can close it again with another key. So one of the keys that signed a closed job must be on the list of
muster key trust.

With --paper, also check that a printed record belongs to this folder: the code on its first page names the last line of the ledger
when the record was made.`,
		Example: `  muster job check 2026-231-wagtail
  muster job check 2026-231-wagtail --paper 'MUSTER LEDGER 37 SHA-256 9F86D0…'`,
	}
	cli.Choice(cmd, &format, "format", "text", "`FORMAT` of the result", "text", "json")
	cmd.Flags().StringVar(&paper, "paper", "", "The text of the `CODE` on a printed record")
	by.flags(cmd.Flags())
	cmd.RunE = func(_ *cobra.Command, args []string) error {
		digest, err := paperDigest(paper)
		if err := cmp.Or(err, by.load(a.ctx)); err != nil {
			return err
		}
		p, err := job.Check(a.ctx, args[0])
		if err != nil {
			return err
		}
		signed, trusted := by.closed(p)
		foreign := digest != "" && !p.FindPaper(digest)
		if format == "json" {
			if err := a.printJSON(p); err != nil {
				return err
			}
		} else if err := printProof(a, args[0], p, signed); err != nil {
			return err
		}
		if len(p.Problems) > 0 {
			return cli.WithHint(fmt.Errorf("%s: the job is not as it was written: %s", args[0], number(len(p.Problems), "problem")),
				"put the folder back from a copy")
		}
		if foreign {
			return cli.WithHint(fmt.Errorf("%s: the paper is not of this job: no line of the ledger has SHA-256 %s", args[0], digest),
				"look for the folder by the job's number on the paper; if it is this one, one of the two was changed")
		}
		if p.Closed && !trusted {
			return &signerError{what: "job", count: 1}
		}
		return nil
	}
	return cmd
}

// paperDigest takes the SHA-256 off what the code on a record says.
func paperDigest(code string) (string, error) {
	words := strings.Fields(code)
	if len(words) == 0 {
		return "", nil
	}
	digest := strings.ToLower(words[len(words)-1])
	if b, err := hex.DecodeString(digest); err != nil || len(b) != sha256.Size {
		return "", cli.WithHint(fmt.Errorf("--paper %q: it does not end in a SHA-256", code),
			"give all that a phone reads from the code on the record, in quotes")
	}
	return digest, nil
}

// closed tells by whom a closed job is signed, and whether that is enough.
func (s *signers) closed(p *job.Proof) (lines []string, trusted bool) {
	if !p.Closed {
		return nil, false
	}
	trusted = s.Because != ""
	if p.Unsigned {
		lines = append(lines, "closed without a kept key: accidents are found, forgery is not")
	} else {
		for _, key := range p.Keys {
			said, name := s.said(key.Key, p.ClosedAt)
			if name == "" && key.Whose != "" {
				said += "; by its own word the " + key.Keeper()
			}
			lines, trusted = append(lines, said), trusted || name != ""
		}
	}
	if s.Because != "" {
		lines = append(lines, render.SignersLabel+": "+boat.Printable(s.Because))
	}
	return lines, trusted
}

func printProof(a *app, dir string, p *job.Proof, signed []string) error {
	var b strings.Builder
	for _, text := range p.Problems {
		fmt.Fprintf(&b, "%s\n", text)
	}
	for _, name := range p.Strange {
		fmt.Fprintf(&b, "%s is not part of the job\n", name)
	}
	if len(p.Problems) == 0 {
		state := "open"
		if p.Closed {
			state = "closed"
		}
		fmt.Fprintf(&b, "%s: %s, %s, %s, as they were written\nSHA-256 %s\n", dir, state, number(p.Lines, "line"), number(p.Files, "file"), p.Digest)
		if p.Paper > 0 {
			fmt.Fprintf(&b, "the paper belongs to this job: its record was made after line %d\n", p.Paper)
		}
		for _, line := range signed {
			fmt.Fprintln(&b, line)
		}
	}
	_, err := a.stdout.Write([]byte(b.String()))
	return err
}

func newJobPack(a *app) *cobra.Command {
	var output, to string
	var force bool
	var w author
	cmd := &cobra.Command{
		Use: "pack DIR -o FILE", Short: "Pack a job into one file, and hand it over", Args: cobra.ExactArgs(1),
		Long: `Pack a job: the ledger and the files that it names, in one zip. A job that does not pass muster job check is refused.

With --to the job is handed over: the ledger names who has it now, and nothing more is written here. muster job open --from goes on with
it, or the page Work of the boat. Without --to the file is a copy.`,
		Example: `  muster job pack 2026-231-wagtail -o 2026-231-wagtail.zip
  muster job pack 2026-231-wagtail -o 2026-231-wagtail.zip --to 'the boat computer' --by Ana`,
	}
	cmd.Flags().StringVarP(&output, "output", "o", "", "Output `FILE`, .zip")
	cmd.Flags().BoolVar(&force, "force", false, "Overwrite an existing file")
	cmd.Flags().StringVar(&to, "to", "", "Hand the job over to this `PLACE` or person")
	w.flags(cmd)
	cli.Require(cmd, "output")
	cmd.RunE = func(_ *cobra.Command, args []string) error {
		if strings.ToLower(filepath.Ext(output)) != ".zip" {
			return cli.WithHint(fmt.Errorf("write %q: unknown file extension", output), "end it with .zip")
		}
		if err := free(output, force); err != nil {
			return err
		}
		if to != "" {
			if err := handOver(a, args[0], to, &w); err != nil {
				return err
			}
		}
		var b bytes.Buffer
		if err := job.Pack(a.ctx, args[0], &b); err != nil {
			return err
		}
		return writeFile(output, b.Bytes(), force)
	}
	return cmd
}

// handOver says in the ledger of a job who has it now.
func handOver(a *app, dir, to string, w *author) error {
	by, err := w.name()
	if err != nil {
		return err
	}
	if err := given("--to", to); err != nil {
		return err
	}
	v, err := loadJob(a, dir)
	if err != nil {
		return err
	}
	return v.HandOver(a.ctx, by, to)
}
