package main

import (
	"fmt"
	"strings"
	"text/tabwriter"

	"muster/internal/backbone"
	"muster/internal/boat"
	"muster/internal/cli"
	"muster/internal/daemon"
	"muster/internal/release"
	"muster/internal/sim"
)

// schemas are the JSON Schemas that the program carries, sorted by name.
var schemas = []struct {
	name string
	of   string
	text []byte
}{
	{"alert-change", "what a webhook is told of an alert", daemon.MessageSchema},
	{"layout", "the plan of a backbone, which muster backbone reads", backbone.Schema},
	{"order", "a work order, which muster plan writes", release.OrderSchema},
	{"report", "the device report, which audits and snapshots hold", boat.Schema},
	{"scenario", "a simulated boat, which sim:FILE plays", sim.Schema},
	{"sheet", "a release sheet, which a shop writes", release.SheetSchema},
}

type schemaCmd struct {
	Name string `arg:"" optional:"" help:"Which one; without it they are listed."`
}

// Help shows examples.
func (schemaCmd) Help() string {
	return `Editors complete and check a file by its schema. Keep the schema of release sheets in their folder:

    muster schema sheet > sheets/sheet.schema.json

and begin each sheet with the line

    # yaml-language-server: $schema=sheet.schema.json`
}

// Run prints a schema, or the list.
func (c *schemaCmd) Run(a *app) error {
	if c.Name == "" {
		w := tabwriter.NewWriter(a.stdout, 0, 0, 2, ' ', 0)
		for _, s := range schemas {
			fmt.Fprintf(w, "%s\t%s\n", s.name, s.of)
		}
		return w.Flush()
	}
	var names []string
	for _, s := range schemas {
		if s.name == c.Name {
			_, err := a.stdout.Write(s.text)
			return err
		}
		names = append(names, s.name)
	}
	return cli.WithHint(fmt.Errorf("there is no schema %q", c.Name), "take one of %s", strings.Join(names, ", "))
}
