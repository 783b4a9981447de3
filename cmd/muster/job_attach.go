package main

import (
	"bytes"
	"fmt"
	"path/filepath"
	"strings"

	"github.com/spf13/cobra"

	"muster/internal/capture"
	"muster/internal/cli"
	"muster/internal/job"
	"muster/internal/release"
	"muster/internal/report"
	"muster/internal/snapshot"
)

type jobAttachCmd struct {
	Dir, File string
	Text      string
	Because   string
	author
}

func newJobAttach(a *app) *cobra.Command {
	c := jobAttachCmd{}
	cmd := &cobra.Command{
		Use: "attach DIR FILE", Short: "Put a photo or another file into a job", Args: cobra.ExactArgs(2),
		Long: `Put a photo (JPEG, PNG) or another file into a job. It is copied, and named by its SHA-256. The same one twice is refused, and so is a
capture, a snapshot or a work order of another boat.`,
		Example: "  muster job attach 2026-231-wagtail terminal.jpg --text 'battery terminal, port' --by Ana",
		RunE:    func(_ *cobra.Command, args []string) error { c.Dir, c.File = args[0], args[1]; return c.run(a) },
	}
	cmd.Flags().StringVar(&c.Text, "text", "", "What it shows, in `WORDS`")
	belongsBecause(cmd, &c.Because)
	c.author.flags(cmd)
	return cmd
}

func (c *jobAttachCmd) run(a *app) error {
	by, err := c.name()
	if err != nil {
		return err
	}
	v, err := loadJob(a, c.Dir)
	if err != nil {
		return err
	}
	data, err := readFile(a.ctx, c.File, maxSnapshot)
	if err != nil {
		return fmt.Errorf("attach %q: %w", c.File, err)
	}
	f, err := c.file(a, v, data)
	if err != nil {
		return fmt.Errorf("attach %q: %w", c.File, err)
	}
	if err := v.Put(a.ctx, job.Attached, by, f, data); err != nil {
		return whenClosed(fmt.Errorf("attach %q: %w", c.File, err))
	}
	_, err = fmt.Fprintln(a.stdout, f.File)
	return err
}

// file finds what a file is, and refuses one of another boat.
func (c *jobAttachCmd) file(a *app, v *job.Visit, data []byte) (job.FileLine, error) {
	f := job.FileLine{File: "files/" + job.Digest(data)[:16] + strings.ToLower(filepath.Ext(c.File)), What: job.Other, Text: c.Text,
		Because: c.Because}
	switch filepath.Ext(f.File) {
	case ".jpg", ".jpeg", ".png":
		f.File, f.What = "photos/"+filepath.Base(f.File), job.Photo
		return f, job.CheckPhoto(data)
	}
	if v.Before == nil {
		return f, nil
	}
	if o, err := release.ParseOrder(a.ctx, data); err == nil {
		if err := o.CheckBoat(v.Before.Report); err != nil && c.Because == "" {
			return f, cli.WithHint(err, "give an order of this boat, or why it belongs with --belongs-because")
		}
		return f, nil
	}
	if s, err := snapshot.Decode(data); err == nil {
		return f, c.share(v, &f, s.Report)
	}
	if _, err := capture.NewReader(bytes.NewReader(data)); err != nil {
		return f, nil // neither: a file that says nothing of a boat
	}
	f.What = job.Traffic
	read := boatFlags{Sources: []string{c.File}}
	cmd := read.snapshot("", "")
	cmd.Damaged = true
	s, err := cmd.sealed(a)
	if err != nil {
		return f, err
	}
	return f, c.share(v, &f, s.Report)
}

// share compares the units of a file with those of the job's boat.
func (c *jobAttachCmd) share(v *job.Visit, f *job.FileLine, r *report.Report) error {
	s := snapshot.Share(v.Before.Report, r)
	f.Shared, f.Of = s.Units, s.Of
	if c.Because != "" || s.Units > 0 && s.Enough() {
		return nil
	}
	return cli.WithHint(fmt.Errorf("it shares %d of %d units with the boat of this job: %s", s.Units, s.Of, strings.Join(s.Differences, ", ")),
		"if it is of this boat, give --belongs-because with the reason")
}
