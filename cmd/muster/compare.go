package main

import (
	"bytes"
	"encoding/json"
	"fmt"

	"github.com/spf13/pflag"

	"muster/internal/boat"
	"muster/internal/cli"
	"muster/internal/release"
	"muster/internal/render"
	"muster/internal/snapshot"
)

type compareCmd struct {
	Before      string
	After       string
	Format      string
	AnotherBoat bool
	Sheets      string
	FailOn      string
}

func newCompare(a *app) cli.Command {
	c := compareCmd{Format: "text"}
	return cli.Command{Name: "compare", Short: "Say what changed between two snapshots.",
		Long: `Without a release sheet, a change of software is told but not called newer or older.

Examples:

    muster compare before.json after.json
    muster compare before.json after.json --sheets sheets --fail-on critical
    muster compare before.json after.json --format html > changes.html`,
		Args: []cli.Arg{
			{Name: "before", Help: "The earlier snapshot.", One: &c.Before},
			{Name: "after", Help: "The later snapshot.", One: &c.After},
		},
		Flags: c.flags, Run: func() error { return c.run(a) }}
}

func (c *compareCmd) flags(f *pflag.FlagSet) {
	f.Var(cli.Choice(&c.Format, "FORMAT", "text", "json", "html"), "format", "text, json or html.")
	f.BoolVar(&c.AnotherBoat, "another-boat", false, "Compare snapshots of two boats.")
	f.Var(cli.Text(&c.Sheets, "DIR"), "sheets", "Folder of release sheets, which say which version is newer.")
	f.Var(cli.Choice(&c.FailOn, "SEVERITY", "info", "warning", "critical"), "fail-on", "End with status 1 when a change is info, warning or critical, or worse.")
}

// run prints what changed.
func (c *compareCmd) run(a *app) error {
	cmp, _, _, err := compareFiles(c.Before, c.After, c.Sheets, c.AnotherBoat)
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
		err = render.ComparisonText(&out, cmp)
	}
	if err != nil {
		return err
	}
	if _, err := a.stdout.Write(out.Bytes()); err != nil {
		return err
	}
	least := boat.Severity(c.FailOn)
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

// compareFiles compares two snapshot files that prove themselves.
func compareFiles(before, after, sheetsDir string, anotherBoat bool) (*snapshot.Comparison, *snapshot.Snapshot, *snapshot.Snapshot, error) {
	b, err := loadSnapshot(before)
	if err != nil {
		return nil, nil, nil, err
	}
	f, err := loadSnapshot(after)
	if err != nil {
		return nil, nil, nil, err
	}
	sheets, _, err := loadSheets(sheetsDir)
	if err != nil {
		return nil, nil, nil, err
	}
	if x, y := b.TakenAt(), f.TakenAt(); x != 0 && y != 0 && x > y {
		return nil, nil, nil, cli.WithHint(fmt.Errorf("%s was taken at %s, after %s at %s", before, x, after, y), "give the earlier snapshot first")
	}
	c, err := snapshot.Compare(b, f, snapshot.Options{AnotherBoat: anotherBoat, Proved: true, Order: orderBy(sheets)})
	if err != nil {
		return nil, nil, nil, fmt.Errorf("compare %s with %s: %w", before, after, err)
	}
	return c, b, f, nil
}

// orderBy is how sheets put two versions in order; nil without sheets.
func orderBy(sheets *release.Sheets) func(*boat.Device, string, string) (int, bool) {
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
