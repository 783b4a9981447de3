package main

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"muster/internal/check"
	"muster/internal/cli"
	"muster/internal/release"
	"muster/internal/render"
	"muster/internal/report"
	"muster/internal/snapshot"
)

type compareCmd struct {
	Before      string
	After       string
	Format      string
	Explain     bool
	AnotherBoat bool
	Because     string
	Sheets      string
	FailOn      string
	signers     signers
}

func newCompare(a *app) *cobra.Command {
	c := compareCmd{}
	cmd := &cobra.Command{
		Use: "compare BEFORE AFTER", Short: "List what changed between two snapshots",
		Long: "List what changed between two snapshots. Without release sheets, changed software is reported, but not as newer or older.",
		Example: `  muster compare before.json after.json
  muster compare before.json after.json --sheets sheets --fail-on critical
  muster compare before.json after.json --format html > changes.html`,
		Args: cobra.ExactArgs(2),
		RunE: func(_ *cobra.Command, args []string) error { c.Before, c.After = args[0], args[1]; return c.run(a) },
	}
	cli.Choice(cmd, &c.Format, "format", "text", "`FORMAT` of the result", "text", "json", "html")
	cmd.Flags().BoolVar(&c.Explain, "explain", false, "List each of like findings")
	cmd.Flags().BoolVar(&c.AnotherBoat, "another-boat", false, "Compare snapshots of two different boats")
	belongsBecause(cmd, &c.Because)
	c.signers.flags(cmd.Flags())
	cli.Dir(cmd, &c.Sheets, "sheets", "`DIR` of release sheets, which give the order of versions")
	cli.Choice(cmd, &c.FailOn, "fail-on", "", "Exit with status 1 if a change has this `SEVERITY` or a higher one",
		severities...)
	return cmd
}

// belongsBecause adds the flag that takes snapshots as of one boat by a person's decision.
func belongsBecause(cmd *cobra.Command, into *string) {
	cmd.Flags().StringVar(into, "belongs-because", "",
		"Why `WORDS` two snapshots are of one boat that share too few units; printed with the result")
}

// run prints what changed.
func (c *compareCmd) run(a *app) error {
	cmp, _, _, err := compareFiles(a.ctx, c.Before, c.After, c.Sheets, &c.signers,
		snapshot.Options{AnotherBoat: c.AnotherBoat, Because: c.Because})
	if err != nil {
		return err
	}
	var out bytes.Buffer
	switch c.Format {
	case "json":
		err = encodeJSON(&out, cmp)
	case "html":
		err = render.ComparisonHTML(&out, cmp)
	default:
		err = render.ComparisonText(&out, cmp, c.Explain)
	}
	if err != nil {
		return err
	}
	if _, err := a.stdout.Write(out.Bytes()); err != nil {
		return err
	}
	least := check.Severity(c.FailOn)
	n := 0
	for i := range cmp.Changes {
		if c.FailOn != "" && cmp.Changes[i].Severity.Rank() >= least.Rank() {
			n++
		}
	}
	if n > 0 {
		return &findingsError{count: n, least: least, what: "change"}
	}
	return nil
}

// compareFiles compares two snapshot files that pass verification.
func compareFiles(
	ctx context.Context, before, after, sheetsDir string, by *signers, o snapshot.Options,
) (*snapshot.Comparison, *snapshot.Snapshot, *snapshot.Snapshot, error) {
	b, err := loadSnapshot(ctx, before)
	if err != nil {
		return nil, nil, nil, err
	}
	f, err := loadSnapshot(ctx, after)
	if err != nil {
		return nil, nil, nil, err
	}
	signed, err := by.of(ctx, before, after, b, f)
	if err != nil {
		return nil, nil, nil, err
	}
	sheets, _, err := loadSheets(ctx, sheetsDir)
	if err != nil {
		return nil, nil, nil, err
	}
	o.Proved, o.Order = true, orderBy(sheets)
	c, err := snapshot.Compare(b, f, o)
	if err != nil {
		err = fmt.Errorf("compare %s with %s: %w", before, after, err)
		switch {
		case errors.Is(err, snapshot.ErrWrongWay):
			err = cli.WithHint(err, "give the earlier snapshot first")
		case errors.Is(err, snapshot.ErrSame):
			err = cli.WithHint(err, "take one before the work and one after it")
		}
		return nil, nil, nil, err
	}
	c.Signed = signed
	return c, b, f, nil
}

// orderBy is how sheets put two versions in order; nil without sheets.
func orderBy(sheets *release.Sheets) func(*report.Device, string, string) (int, bool) {
	if sheets == nil {
		return nil
	}
	return sheets.Order
}

func encodeJSON(w *bytes.Buffer, v any) error {
	e := json.NewEncoder(w)
	e.SetIndent("", "  ")
	e.SetEscapeHTML(false)
	return e.Encode(v)
}
