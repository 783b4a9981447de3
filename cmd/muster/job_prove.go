package main

import (
	"bytes"
	"fmt"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"muster/internal/cli"
	"muster/internal/job"
)

func newJobCheck(a *app) *cobra.Command {
	format := ""
	cmd := &cobra.Command{
		Use: "check DIR", Short: "Check that a job's folder is as it was written", Args: cobra.ExactArgs(1),
		Long: `Check that a job's folder is as it was written. Each line of the ledger follows the one before. Each file has the SHA-256 in the ledger.
The snapshots and the order belong together, and the signatures fit. Of an open job, the last line cannot be checked yet.`,
		Example: "  muster job check 2026-231-wagtail",
	}
	cli.Choice(cmd, &format, "format", "text", "`FORMAT` of the result", "text", "json")
	cmd.RunE = func(_ *cobra.Command, args []string) error {
		p, err := job.Check(a.ctx, args[0])
		if err != nil {
			return err
		}
		if format == "json" {
			if err := a.printJSON(p); err != nil {
				return err
			}
		} else if err := printProof(a, args[0], p); err != nil {
			return err
		}
		if len(p.Problems) > 0 {
			return cli.WithHint(fmt.Errorf("%s: the job is not as it was written: %s", args[0], number(len(p.Problems), "problem")),
				"put the folder back from a copy")
		}
		return nil
	}
	return cmd
}

func printProof(a *app, dir string, p *job.Proof) error {
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
		if p.Unsigned {
			fmt.Fprintln(&b, "closed without a kept key: accidents are found, forgery is not")
			p.Keys = nil
		}
		for _, k := range p.Keys {
			fmt.Fprintf(&b, "signed by %s\n", k)
		}
	}
	_, err := a.stdout.Write([]byte(b.String()))
	return err
}

func newJobPack(a *app) *cobra.Command {
	var output string
	var force bool
	cmd := &cobra.Command{
		Use: "pack DIR -o FILE", Short: "Pack a job for the customer or the hub", Args: cobra.ExactArgs(1),
		Long:    "Pack a job: the ledger and the files that it names, in one zip. A job that does not pass muster job check is refused.",
		Example: "  muster job pack 2026-231-wagtail -o 2026-231-wagtail.zip",
	}
	cmd.Flags().StringVarP(&output, "output", "o", "", "Output `FILE`, .zip")
	cmd.Flags().BoolVar(&force, "force", false, "Overwrite an existing file")
	cli.Require(cmd, "output")
	cmd.RunE = func(_ *cobra.Command, args []string) error {
		if strings.ToLower(filepath.Ext(output)) != ".zip" {
			return cli.WithHint(fmt.Errorf("write %q: unknown file extension", output), "end it with .zip")
		}
		if err := free(output, force); err != nil {
			return err
		}
		var b bytes.Buffer
		if err := job.Pack(a.ctx, args[0], &b); err != nil {
			return err
		}
		return writeFile(output, b.Bytes(), force)
	}
	return cmd
}
