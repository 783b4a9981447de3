package main

import (
	"bytes"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/pflag"

	"muster/internal/boat"
	"muster/internal/cli"
	"muster/internal/release"
	"muster/internal/render"
)

type planCmd struct {
	Snapshot string
	Sheets   string
	Format   string
	Output   string
	Cards    int
	InWater  *bool
	Force    bool

	nowFlags
}

func newPlan(a *app) cli.Command {
	c := planCmd{}
	return cli.Command{Name: "plan", Short: "Make the work order: which devices to update, in which order, with what.",
		Long: `Pre-checks, such as the supply voltage and that the boat does not move, are as of the snapshot, which knows neither; with --now they are
made on what is heard now. What nobody told stays unknown.

What cannot be settled is told on standard error, one line each, and stands in the order too; the rest of the order holds.

Examples:

    muster plan before.json --sheets sheets
    muster plan before.json --sheets sheets -o order.json
    muster plan before.json --sheets sheets --now can0 --ask -o order.json
    muster plan before.json --sheets sheets --now http://127.0.0.1:8632
    muster plan before.json --sheets sheets --no-in-water -o order.html`,
		Args: []cli.Arg{
			{Name: "snapshot", Help: "Snapshot of the boat as it is now.", One: &c.Snapshot},
		},
		Flags: c.flags, Run: func() error { return c.run(a) }}
}

func (c *planCmd) flags(f *pflag.FlagSet) {
	f.Var(cli.Text(&c.Sheets, "DIR"), "sheets", "Folder of release sheets.")
	f.Var(cli.Choice(&c.Format, "FORMAT", "text", "json", "html"), "format", "text, json or html; otherwise what the name after -o says, or text. muster follow takes json.")
	f.VarP(cli.Text(&c.Output, "FILE"), "output", "o", "Where to, instead of the standard output.")
	f.Var(cli.Int(&c.Cards, "N"), "cards", "Update at most so many devices at one time; otherwise as many as the order allows.")
	cli.Either(f, &c.InWater, "in-water", "The boat is afloat, or with --no-in-water ashore; some devices answer only afloat.")
	f.BoolVar(&c.Force, "force", false, "Overwrite a file that exists.")
	c.nowFlags.flags(f)
	cli.Require(f, "sheets")
}

// run makes the work order.
func (c *planCmd) run(a *app) error {
	format, err := c.format()
	if err != nil {
		return err
	}
	if c.Cards < 0 {
		return cli.WithHint(fmt.Errorf("--cards %d: give the number of cards at hand", c.Cards), "leave out --cards for no bound")
	}
	if err := c.nowFlags.check(); err != nil {
		return err
	}
	if c.Output != "" {
		if err := free(c.Output, c.Force); err != nil {
			return err
		}
	}
	if isURL(c.Snapshot) {
		return cli.WithHint(errors.New("a plan is made from a snapshot, so that it can be proved later"),
			"muster snapshot %s -o before.json takes one; --now %[1]s then makes the pre-checks", c.Snapshot)
	}
	s, err := loadSnapshot(c.Snapshot)
	if err != nil {
		return err
	}
	sheets, _, err := loadSheets(c.Sheets)
	if err != nil {
		return err
	}
	order, problems := release.Plan(s.Report, digestOf(s.Seal.SHA256), "", sheets,
		release.Options{SideBySide: c.Cards, Conditions: release.Conditions{InWater: c.InWater}})
	if c.Now != "" {
		if err := c.checkNow(a, order); err != nil {
			return err
		}
	}
	var text bytes.Buffer
	switch format {
	case "json":
		err = encodeJSON(&text, order)
	case "html":
		err = render.OrderHTML(&text, order)
	default:
		err = render.OrderText(&text, order)
	}
	if err != nil {
		return fmt.Errorf("write work order: %w", err)
	}
	if err != nil {
		return err
	}
	if c.Output != "" {
		err = writeFile(c.Output, text.Bytes(), c.Force)
	} else {
		_, err = a.stdout.Write(text.Bytes())
	}
	if err != nil {
		return err
	}
	for _, p := range problems {
		fmt.Fprintln(a.stderr, boat.Printable(p.String()))
	}
	return nil
}

// checkNow makes the pre-checks on what is heard now.
func (c *planCmd) checkNow(a *app, order *release.Order) error {
	h, err := c.hear(a, func(h heard) bool {
		return h.conditions.SupplyVolts != nil && h.conditions.EngineRPM != nil && h.conditions.SpeedMS != nil &&
			!slices.ContainsFunc(order.Check(h.report, h.conditions), func(p release.PreCheck) bool {
				return (p.ID == "devices-present" || p.ID == "as-in-snapshot") && p.Result != release.Passed
			})
	})
	if err != nil {
		return err
	}
	if h.report == nil {
		return cli.WithHint(fmt.Errorf("--now %s: nothing was heard", c.Now), "check that the boat's electronics are on, the plug, and the bit rate")
	}
	h.conditions.InWater = c.InWater
	err = order.CheckNow(h.report, h.conditions, c.Now)
	if errors.Is(err, release.ErrOtherBoat) {
		return cli.WithHint(fmt.Errorf("--now %s: it is another boat than the snapshot's", c.Now), "take a snapshot there, or name a source of the snapshot's boat")
	}
	return err
}

// digestOf is how an order names the snapshot that it was made from.
func digestOf(sum string) string { return "sha256:" + sum }

// format is what is asked for, or what the output's name says.
func (c *planCmd) format() (string, error) {
	if c.Format != "" || c.Output == "" {
		return c.Format, nil
	}
	return formatOf(c.Output, ".json", ".html")
}

// formatOf is the format that an output's name says: one of those that its ending may be, or text.
func formatOf(name string, known ...string) (string, error) {
	ext := strings.ToLower(filepath.Ext(name))
	switch {
	case ext == ".txt" || ext == "":
		return "text", nil
	case ext == ".htm":
		ext = ".html"
	}
	if !slices.Contains(known, ext) {
		return "", cli.WithHint(fmt.Errorf("-o %q: %s says no format", name, filepath.Ext(name)), "name it %s or .txt, or add --format", strings.Join(known, ", "))
	}
	return ext[1:], nil
}
