package main

import (
	"fmt"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"muster/internal/backbone"
	"muster/internal/cli"
	"muster/internal/config"
	"muster/internal/daemon"
	"muster/internal/job"
	"muster/internal/locate"
	"muster/internal/release"
	"muster/internal/report"
	"muster/internal/sim"
	"muster/internal/snapshot"
)

// schemas are the JSON Schemas that the program carries, sorted by name.
var schemas = []struct {
	name string
	of   string
	text []byte
}{
	{"alert-change", "what a webhook receives for an alert", daemon.MessageSchema},
	{"config", "the config file, which muster run reads", config.Schema()},
	{"job", "a job file, which muster service-record and muster backbone read", job.Schema},
	{"keys", "the trusted keys, which muster key trust writes", snapshot.KeysFileSchema()},
	{"layout", "the plan of a backbone, which muster backbone reads", backbone.Schema},
	{"ledger", "one line of a job's ledger", job.LedgerSchema},
	{"locate", "where a fault is, which muster locate writes", locate.Schema},
	{"notes", "devices that no network shows, which muster note writes", config.NotesFileSchema()},
	{"order", "a work order, which muster plan writes", release.OrderSchema},
	{"profile", "a job file for many jobs, which muster job open reads", job.ProfileSchema},
	{"record", "the record of a job, which muster job close writes", job.RecordSchema},
	{"report", "the device report, which audits and snapshots hold", report.Schema},
	{"report-v1", "the device report of version 1, which earlier versions wrote", report.SchemaV1},
	{"scenario", "a simulated boat, which sim:FILE plays", sim.Schema},
	{"sheet", "a release sheet, which a shop writes", release.SheetSchema},
}

// schemaNames are the schemas, for completion.
func schemaNames(*cobra.Command, []string, string) (words []cobra.Completion, _ cobra.ShellCompDirective) {
	for _, s := range schemas {
		words = append(words, s.name+"\t"+s.of)
	}
	return words, cobra.ShellCompDirectiveNoFileComp
}

type schemaCmd struct {
	Name string
}

func newSchema(a *app) *cobra.Command {
	c := schemaCmd{}
	return &cobra.Command{
		Use: "schema [NAME]", Short: "Print the JSON Schema of a file that muster reads or writes",
		Long: `Print the JSON Schema of a file that muster reads or writes; without NAME, list them. Editors use a schema to complete and check a file.
Keep the schema of release sheets in their folder:

    muster schema sheet > sheets/sheet.schema.json

and start each sheet with this line:

    # yaml-language-server: $schema=sheet.schema.json`,
		Args: cobra.MaximumNArgs(1), ValidArgsFunction: schemaNames,
		RunE: func(_ *cobra.Command, args []string) error {
			if len(args) > 0 {
				c.Name = args[0]
			}
			return c.run(a)
		},
	}
}

// run prints a schema, or the list.
func (c *schemaCmd) run(a *app) error {
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
