package main

import (
	"bytes"
	"context"
	"fmt"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"muster/internal/alert"
	"muster/internal/check"
	"muster/internal/cli"
	"muster/internal/job"
	"muster/internal/release"
	"muster/internal/render"
	"muster/internal/snapshot"
)

type serviceRecordCmd struct {
	Before   string
	After    string
	Job      string
	Output   string
	Order    string
	Progress string
	Sheets   string
	Because  string
	Sign     string
	Force    bool
	signers  signers
}

func newServiceRecord(a *app) *cobra.Command {
	c := serviceRecordCmd{}
	cmd := &cobra.Command{
		Use: "service-record BEFORE AFTER --job FILE -o FILE", Short: "Write the service record for the invoice",
		Long: "Write the service record for the invoice. Both snapshots must be of the same boat and pass muster verify.",
		Example: `  muster service-record before.json after.json --job job.yaml -o record.pdf
  muster service-record before.json after.json --job job.yaml --order order.json --progress progress.json -o record.html`,
		Args: cobra.ExactArgs(2),
		RunE: func(_ *cobra.Command, args []string) error { c.Before, c.After = args[0], args[1]; return c.run(a) },
	}
	f := cmd.Flags()
	f.StringVar(&c.Job, "job", "", "Job `FILE`: number, technician, shop; deploy/examples/job.yaml shows every key")
	f.StringVarP(&c.Output, "output", "o", "", "Output `FILE`, .pdf or .html")
	f.StringVar(&c.Order, "order", "", "Work order `FILE` that was followed")
	f.StringVar(&c.Progress, "progress", "",
		"State `FILE` of muster follow, with the times of each step; needs --order")
	belongsBecause(cmd, &c.Because)
	c.signers.flags(f)
	cli.Dir(cmd, &c.Sheets, "sheets", "`DIR` of release sheets, which give the order of versions")
	f.StringVar(&c.Sign, "sign", "", "Sign the record with this `KEY`, in a file beside it that ends in .jws")
	f.BoolVar(&c.Force, "force", false, "Overwrite an existing file")
	cli.Require(cmd, "job", "output")
	return cmd
}

// run writes the record.
func (c *serviceRecordCmd) run(a *app) error {
	format, err := pageFormat(c.Output)
	if err != nil {
		return err
	}
	if err := free(c.Output, c.Force); err != nil {
		return err
	}
	key, err := signingKey(a.ctx, c.Sign)
	if err != nil {
		return err
	}
	if key != nil {
		if err := free(c.Output+snapshot.DetachedExt, c.Force); err != nil {
			return err
		}
	}
	of, err := job.Load(a.ctx, c.Job)
	if err != nil {
		return cli.WithHint(err, "deploy/examples/job.yaml shows every key")
	}
	changes, before, after, err := compareFiles(a.ctx, c.Before, c.After, c.Sheets, &c.signers,
		snapshot.Options{Because: c.Because})
	if err != nil {
		return err
	}
	steps, err := c.steps(a.ctx, before, after)
	if err != nil {
		return err
	}
	for _, reason := range of.OpenItems {
		found := func(alert alert.Alert) bool { return check.ID(alert.Check) == check.ID(reason.Check) }
		if !slices.ContainsFunc(before.Report.Alerts, found) && !slices.ContainsFunc(after.Report.Alerts, found) {
			fmt.Fprintf(a.stderr, "%s: remains: no finding of either snapshot is of the check %q; "+
				"the reason given for it is not printed\n", c.Job, reason.Check)
		}
	}
	r, err := job.NewRecord(before, after, changes, of, steps)
	if err != nil {
		return err
	}
	var out bytes.Buffer
	if format == "pdf" {
		err = render.ServiceRecordPDF(&out, r, made(after))
	} else {
		err = render.ServiceRecordHTML(&out, r)
	}
	if err != nil {
		return err
	}
	if err := writeFile(c.Output, out.Bytes(), c.Force); err != nil || key == nil {
		return err
	}
	jws, err := snapshot.SignDetached(key, out.Bytes())
	if err != nil {
		return err
	}
	return writeFile(c.Output+snapshot.DetachedExt, jws, c.Force)
}

// pageFormat finds the kind of page that a file's name asks for.
func pageFormat(name string) (string, error) {
	switch ext := strings.ToLower(filepath.Ext(name)); ext {
	case ".pdf", ".html":
		return ext[1:], nil
	}
	return "", cli.WithHint(fmt.Errorf("write %q: unknown file extension", name), "end it with .pdf or .html")
}

// made is the date in a PDF: that of the snapshot, so that the same input gives the same file.
func made(s *snapshot.Snapshot) time.Time {
	if s == nil || s.TakenAt() == 0 {
		return time.Now()
	}
	return s.TakenAt().UTC()
}

// steps are those of the work order, as far as they were followed.
func (c *serviceRecordCmd) steps(ctx context.Context, before, after *snapshot.Snapshot) ([]release.StepStatus, error) {
	if c.Order == "" {
		if c.Progress != "" {
			return nil, cli.WithHint(fmt.Errorf("--progress %s: it belongs to a work order", c.Progress),
				"name the order too, with --order FILE")
		}
		return nil, nil
	}
	text, err := readFile(ctx, c.Order, maxSnapshot)
	if err != nil {
		return nil, fmt.Errorf("--order %q: %w", c.Order, err)
	}
	order, err := release.ParseOrder(ctx, text)
	if err != nil {
		return nil, fmt.Errorf("--order %s: %w", c.Order, err)
	}
	if digest := digestOf(before.Seal.SHA256); digest != order.Snapshot.Digest && c.Because == "" {
		return nil, cli.WithHint(fmt.Errorf("--order %s: the order was made from another snapshot: %s, %s is %s", c.Order,
			order.Snapshot.Digest, c.Before, digest), "give the snapshot that muster plan used, or why it belongs with --belongs-because")
	}
	if err := order.CheckBoat(before.Report); err != nil {
		return nil, fmt.Errorf("--order %s: %w", c.Order, err)
	}
	f, err := c.follower(ctx, order, before, after)
	if err != nil {
		return nil, err
	}
	return f.Status(), nil
}

// follower goes on from the progress file. Without one, what the snapshots show is what is known.
func (c *serviceRecordCmd) follower(
	ctx context.Context, order *release.Order, before, after *snapshot.Snapshot,
) (*release.Follower, error) {
	if c.Progress == "" {
		f, err := release.NewFollower(order, before.Report)
		if err != nil {
			return nil, fmt.Errorf("--order %s: %w", c.Order, err)
		}
		f.Observe(after.TakenAt(), after.Report, release.Conditions{})
		return f, nil
	}
	text, err := readFile(ctx, c.Progress, maxSnapshot)
	if err != nil {
		return nil, fmt.Errorf("--progress %q: %w", c.Progress, err)
	}
	f, err := release.Restore(ctx, order, text)
	if err != nil {
		return nil, cli.WithHint(fmt.Errorf("--progress %s: %w", c.Progress, err),
			"give the file that muster follow kept for this order")
	}
	return f, nil
}
