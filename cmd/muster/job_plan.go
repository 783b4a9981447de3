package main

import (
	"context"
	"fmt"
	"os"

	"github.com/spf13/cobra"

	"muster/internal/cli"
	"muster/internal/job"
	"muster/internal/release"
	"muster/internal/render"
)

type jobPlanCmd struct {
	Dir    string
	Sheets string
	choiceFlags
	author
}

func newJobPlan(a *app) *cobra.Command {
	c := jobPlanCmd{}
	cmd := &cobra.Command{
		Use: "plan DIR", Short: "Make the work order again with units, releases and order of your choice",
		Long: `Make the work order of a job again, until the first update begins. What you choose prints on it with your name. The order before it stays in
the folder.`,
		Example: `  muster job plan 2026-231-wagtail --without LF9-41033 --by Ana
  muster job plan 2026-231-wagtail --release OLB-22118=2.10 --turn OLB-22118=2 --turn LF9-41033=1 --by Ana`,
		Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error { c.Dir = args[0]; return c.run(a) },
	}
	cli.Dir(cmd, &c.Sheets, "sheets", "`DIR` of release sheets. Default: those that the job was planned with")
	c.choiceFlags.flags(cmd)
	c.author.flags(cmd)
	return cmd
}

func (c *jobPlanCmd) run(a *app) error {
	by, err := c.name()
	if err != nil {
		return err
	}
	v, err := loadJob(a, c.Dir)
	if err != nil {
		return err
	}
	if err := v.Replan(); err != nil {
		return whenClosed(err)
	}
	var files []release.SheetFile
	if c.Sheets != "" {
		files, err = readSheets(a.ctx, c.Sheets)
	} else if files, err = v.SheetFiles(a.ctx); err == nil && len(files) == 0 {
		err = cli.WithHint(fmt.Errorf("plan %q: the job has no release sheets", c.Dir), "add --sheets DIR")
	}
	if err != nil {
		return err
	}
	if err := c.plan(a, v, by, files); err != nil {
		return whenClosed(err)
	}
	return a.printAdvice(job.Next(v, nil))
}

// readSheets reads the texts of release sheets that can be used; none for no folder.
func readSheets(ctx context.Context, dir string) ([]release.SheetFile, error) {
	if sheets, _, err := loadSheets(ctx, dir); sheets == nil || err != nil {
		return nil, err
	}
	return release.ReadFS(ctx, os.DirFS(dir), dir)
}

// plan makes the work order from sheets, as far as the flags let it, and keeps both.
func (c *choiceFlags) plan(a *app, v *job.Visit, by string, files []release.SheetFile) error {
	sheets, err := release.Load(a.ctx, files...)
	if err != nil {
		return err
	}
	a.warnOldKeys(sheets)
	choice, err := c.choice(by, v.Before.Report, sheets)
	if err != nil {
		return err
	}
	order, problems := v.Plan(sheets, release.Options{Choice: choice})
	for _, p := range render.Problems(problems) {
		fmt.Fprintln(a.stderr, p)
	}
	return v.PutOrder(a.ctx, by, order, files)
}
