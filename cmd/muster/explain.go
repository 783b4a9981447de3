package main

import (
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"muster/internal/check"
	"muster/internal/cli"
	"muster/internal/render"
)

func newExplain(a *app) *cobra.Command {
	return &cobra.Command{
		Use: "explain CHECK", Short: "Explain a check: its findings, its needs, its remedies",
		Long: "Explain a check. muster audit prints the check at the end of each finding. Its --explain gives the evidence.\n\nThe checks:\n" +
			checkList(),
		Example: `  muster explain instance-clash
  muster explain bus-load-high`,
		Args: cobra.ExactArgs(1),
		ValidArgsFunction: func(*cobra.Command, []string, string) ([]cobra.Completion, cobra.ShellCompDirective) {
			return check.IDs(), cobra.ShellCompDirectiveNoFileComp
		},
		RunE: func(_ *cobra.Command, args []string) error { return a.explain(args[0]) },
	}
}

// checkList is a line for each check, with the fault that it finds.
func checkList() string {
	var b strings.Builder
	for _, id := range check.IDs() {
		fmt.Fprintf(&b, "  %-20s %s\n", id, check.TextOf(id).Doc)
	}
	return strings.TrimSuffix(b.String(), "\n")
}

// explain prints the description of a check.
func (a *app) explain(name string) error {
	id := check.ID(name)
	text := check.TextOf(id)
	if text.Doc == "" {
		return cli.WithHint(fmt.Errorf("explain %q: there is no such check", name), "the checks are %s", strings.Join(check.IDs(), ", "))
	}
	if err := render.CheckText(a.stdout, id, a.outputStyle()); err != nil {
		return err
	}
	_, err := fmt.Fprintln(a.stdout, "\nMore: muster help checks; with the daemon, the page /help/checks/"+id)
	return err
}
