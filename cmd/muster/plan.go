package main

import (
	"bytes"
	"errors"
	"fmt"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"

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

	afloat, ashore bool

	nowFlags
	choiceFlags
	author
}

func newPlan(a *app) *cobra.Command {
	c := planCmd{}
	cmd := &cobra.Command{
		Use: "plan SNAPSHOT --sheets DIR", Short: "Make the work order: what to update, in which order, on which medium",
		Long: `Make the work order from a snapshot and release sheets. A snapshot does not hold the pre-checks' live values, such as the battery voltage and the
speed; --now reads them. Values not received are shown as unknown.

Unresolved problems are listed on standard error and in the order; the other steps remain valid.`,
		Example: `  muster plan before.json --sheets sheets
  muster plan before.json --sheets sheets -o order.json
  muster plan before.json --sheets sheets --now can0 --ask -o order.json
  muster plan before.json --sheets sheets --now http://127.0.0.1:8632
  muster plan before.json --sheets sheets --without LF9-41033 --by Ana
  muster plan before.json --sheets sheets --no-in-water -o order.html`,
		Args: cobra.ExactArgs(1),
		RunE: func(cmd *cobra.Command, args []string) error {
			c.Snapshot = args[0]
			switch f := cmd.Flags(); {
			case f.Changed("in-water"):
				c.InWater = &c.afloat
			case f.Changed("no-in-water"):
				c.afloat = !c.ashore
				c.InWater = &c.afloat
			}
			return c.run(a)
		},
	}
	f := cmd.Flags()
	cli.Dir(cmd, &c.Sheets, "sheets", "`DIR` of release sheets")
	cli.Choice(cmd, &c.Format, "format", "",
		"`FORMAT` of the order; muster follow reads json. Default: from the extension of --output, else text",
		"text", "json", "html")
	f.StringVarP(&c.Output, "output", "o", "", "Output `FILE`. Default: standard output")
	f.IntVar(&c.Cards, "cards", 0, "Update at most `N` devices at one time. Default: as many as the order allows")
	f.BoolVar(&c.afloat, "in-water", false, "The boat is afloat; some devices answer only afloat")
	f.BoolVar(&c.ashore, "no-in-water", false, "The boat is ashore")
	f.BoolVar(&c.Force, "force", false, "Overwrite an existing file")
	c.nowFlags.flags(cmd)
	c.choiceFlags.flags(cmd)
	c.author.flags(cmd)
	cli.Require(cmd, "sheets")
	cmd.MarkFlagsMutuallyExclusive("in-water", "no-in-water")
	return cmd
}

// run makes the work order.
func (c *planCmd) run(a *app) error {
	format, err := c.format()
	if err != nil {
		return err
	}
	if c.Cards < 0 {
		return cli.WithHint(fmt.Errorf("--cards %d: give the number of cards at hand", c.Cards),
			"leave out --cards for no bound")
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
		return cli.WithHint(errors.New("a plan is made from a snapshot, so that it can be verified later"),
			"muster snapshot %s -o before.json takes one; --now %[1]s then makes the pre-checks", c.Snapshot)
	}
	s, err := loadSnapshot(a.ctx, c.Snapshot)
	if err != nil {
		return err
	}
	sheets, _, err := loadSheets(a.ctx, c.Sheets)
	if err != nil {
		return err
	}
	a.warnOldKeys(sheets)
	choice, err := c.choice(who(c.By), s.Report, sheets)
	if err != nil {
		return err
	}
	order, problems := release.Plan(s.Report, digestOf(s.Seal.SHA256), "", sheets,
		release.Options{SideBySide: c.Cards, Conditions: release.Conditions{InWater: c.InWater}, Choice: choice})
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
	if c.Output != "" {
		err = writeFile(c.Output, text.Bytes(), c.Force)
	} else {
		_, err = a.stdout.Write(text.Bytes())
	}
	if err != nil {
		return err
	}
	for _, p := range render.Problems(problems) {
		fmt.Fprintln(a.stderr, boat.Printable(p.String()))
	}
	return nil
}

// checkNow makes the pre-checks on what is received now.
func (c *planCmd) checkNow(a *app, order *release.Order) error {
	h, err := c.listen(a, func(h heard) bool {
		return h.conditions.SupplyVolts != nil && h.conditions.EngineRPM != nil && h.conditions.SpeedMS != nil &&
			!slices.ContainsFunc(order.Check(h.report, h.conditions), func(p release.PreCheck) bool {
				return (p.ID == "devices-present" || p.ID == "as-in-snapshot") && p.Result != release.Passed
			})
	})
	if err != nil {
		return err
	}
	if h.report == nil {
		return cli.WithHint(fmt.Errorf("--now %s: nothing was received", c.Now),
			"check that the boat's electronics are on, the connector, and the bit rate")
	}
	h.conditions.InWater = c.InWater
	err = order.CheckNow(h.report, h.conditions, c.Now)
	if errors.Is(err, release.ErrOtherBoat) {
		return cli.WithHint(fmt.Errorf("--now %s: it is another boat than the snapshot's", c.Now),
			"take a snapshot there, or name a source of the snapshot's boat")
	}
	return err
}

// digestOf is how an order names the snapshot that it was made from.
func digestOf(sum string) string { return "sha256:" + sum }

// format is what is asked for, or the format by the output's name.
func (c *planCmd) format() (string, error) {
	if c.Format != "" || c.Output == "" {
		return c.Format, nil
	}
	return formatOf(c.Output, ".json", ".html")
}

// formatOf is the format by an output's name: one of those that its ending may be, or text.
func formatOf(name string, known ...string) (string, error) {
	ext := strings.ToLower(filepath.Ext(name))
	switch {
	case ext == ".txt" || ext == "":
		return "text", nil
	case ext == ".htm":
		ext = ".html"
	}
	if !slices.Contains(known, ext) {
		return "", cli.WithHint(fmt.Errorf("-o %q: unknown file extension %s", name, filepath.Ext(name)),
			"name it %s or .txt, or add --format", strings.Join(known, ", "))
	}
	return ext[1:], nil
}
