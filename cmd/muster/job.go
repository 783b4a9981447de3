package main

import (
	"bufio"
	"errors"
	"fmt"
	"os"
	"strings"

	"github.com/spf13/cobra"

	"muster/internal/boat"
	"muster/internal/cli"
	"muster/internal/job"
)

func newJob(a *app) *cobra.Command {
	cmd := &cobra.Command{
		Use: "job", Short: "Keep a visit to one boat in one folder: from the first snapshot to the record",
		Long: `Keep a visit to one boat in one folder: snapshots, work order, what happened, photos and the service record. Everything that happens
goes into a ledger that only grows. Each file is named there with its SHA-256; closing signs it.`,
		Example: `  muster job open 2026-231-wagtail can0 --ask --sheets sheets --number 2026-231 --boat Wagtail --customer 'A. Customer' --by Ana
  muster job next 2026-231-wagtail
  muster job follow 2026-231-wagtail can0 --ask
  muster job close 2026-231-wagtail can0 --ask --sign shop.key --by Ana`,
	}
	cmd.AddCommand(newJobOpen(a), newJobPlan(a), newJobNext(a), newJobFollow(a), newJobTick(a), newJobRead(a),
		newJobSettle(a), newJobWaive(a), newJobAttach(a), newJobNote(a), newJobHours(a),
		newJobPart(a), newJobCard(a), newJobClose(a), newJobReopen(a), newJobCheck(a),
		newJobPack(a))
	return cmd
}

// here is where this program runs, in the words of the ledger.
const here = "laptop"

// author is who puts something into a job. A ledger without names proves nothing.
type author struct{ By string }

func (w *author) flags(cmd *cobra.Command) {
	cmd.Flags().StringVar(&w.By, "by", "", "`NAME` of the person who gives this. Default: your login name")
}

func (w *author) name() (string, error) {
	if by := strings.TrimSpace(who(w.By)); by != "" {
		return by, nil
	}
	return "", cli.WithHint(errors.New("no author is named"), "add --by NAME")
}

// loadJob reads the job of a folder.
func loadJob(a *app, dir string) (*job.Visit, error) {
	v, err := job.LoadVisit(a.ctx, dir, here)
	switch {
	case errors.Is(err, job.ErrNoJob):
		return nil, cli.WithHint(err, "muster job open begins one")
	case errors.Is(err, job.ErrAltered):
		return nil, cli.WithHint(err, "put the folder back from a copy; muster job check lists what was altered")
	}
	return v, err
}

// noted adds a person's entries to a job, and prints what the steps made of them.
func noted(a *app, dir string, w *author, entries func(v *job.Visit, by string) ([]job.Entry, error)) error {
	by, err := w.name()
	if err != nil {
		return err
	}
	v, err := loadJob(a, dir)
	if err != nil {
		return err
	}
	if err := v.Update(a.ctx, func() ([]job.Entry, error) { return entries(v, by) }); err != nil {
		return whenClosed(err)
	}
	return a.printChanges(v)
}

// whenClosed adds the way out to the error of a closed job.
func whenClosed(err error) error {
	switch {
	case errors.Is(err, job.ErrClosed):
		return cli.WithHint(err, "muster job reopen opens it again, with a reason")
	case errors.Is(err, job.ErrAway):
		return cli.WithHint(err, "hand it over there, and take it over here with muster job open --from")
	}
	return err
}

// noOrder is the error of a job that has no work order yet.
func noOrder(dir string) error {
	return cli.WithHint(fmt.Errorf("%s: the job has no work order", dir), "muster job open %s SOURCE --sheets DIR makes one", dir)
}

// printAdvice prints how a job goes on.
func (a *app) printAdvice(n job.Advice) error {
	var b strings.Builder
	if n.Go != "" {
		fmt.Fprintf(&b, "%s\n", strings.ToUpper(string(n.Go)))
		for _, c := range n.PreChecks {
			text := fmt.Sprintf("%s %s: %s", c.ID, c.Result, c.Text)
			if c.WaivedBy != "" {
				text += fmt.Sprintf(" (waived by %s: %s)", c.WaivedBy, c.Why)
			}
			fmt.Fprintf(&b, "  %s\n", boat.Printable(text))
		}
	}
	fmt.Fprintf(&b, "next: %s\n", boat.Printable(commanded(n.Do, n.Command)))
	if n.Why != "" {
		fmt.Fprintf(&b, "      %s\n", boat.Printable(n.Why))
	}
	var first, lacks, remedies []string
	for _, l := range n.Blockers {
		first = append(first, commanded(l.Text, l.Command))
	}
	for _, l := range n.Missing {
		lacks = append(lacks, commanded(l.Text, l.Command))
	}
	for _, p := range n.Remedies {
		remedies = append(remedies, p.ID+": "+p.Text)
	}
	for _, list := range []struct {
		title string
		texts []string
	}{{"first", first}, {"warnings", n.Warnings}, {"the record lacks", lacks}, {"remedies to tick", remedies}} {
		if len(list.texts) > 0 {
			fmt.Fprintf(&b, "%s:\n", list.title)
		}
		for _, text := range list.texts {
			fmt.Fprintf(&b, "  - %s\n", boat.Printable(text))
		}
	}
	_, err := a.stdout.Write([]byte(b.String()))
	return err
}

// commanded is what is to be done, with the command that does it.
func commanded(text, command string) string {
	if command == "" {
		return text
	}
	return text + ": " + command
}

// ask asks on a terminal for what no flag gave. Elsewhere nothing is asked.
func (a *app) ask(question string, into *string) {
	f, ok := a.stdin.(*os.File)
	if !ok || *into != "" {
		return
	}
	if _, ok := cli.Terminal(f); !ok {
		return
	}
	fmt.Fprintf(a.stderr, "%s: ", question)
	line, _ := bufio.NewReader(f).ReadString('\n')
	*into = strings.TrimSpace(line)
}

type jobNextCmd struct {
	Dir    string
	Format string
	nowFlags
}

func newJobNext(a *app) *cobra.Command {
	c := jobNextCmd{}
	cmd := &cobra.Command{
		Use: "next DIR", Short: "Show what is to be done now, why not yet, and what the record lacks",
		Example: `  muster job next 2026-231-wagtail
  muster job next 2026-231-wagtail --now can0 --format json`,
		Args: cobra.ExactArgs(1),
		RunE: func(_ *cobra.Command, args []string) error { c.Dir = args[0]; return c.run(a) },
	}
	cli.Choice(cmd, &c.Format, "format", "text", "`FORMAT` of the result", "text", "json")
	c.nowFlags.flags(cmd)
	return cmd
}

func (c *jobNextCmd) run(a *app) error {
	if err := c.nowFlags.check(); err != nil {
		return err
	}
	v, err := loadJob(a, c.Dir)
	if err != nil {
		return err
	}
	live, err := c.live(a, v)
	if err != nil {
		return err
	}
	n := job.Next(v, live)
	if c.Format == "json" {
		return a.printJSON(n)
	}
	return a.printAdvice(n)
}

// live is the boat as it is received now, nil when no source is named.
func (c *jobNextCmd) live(a *app, v *job.Visit) (*job.Live, error) {
	if c.Now == "" {
		return nil, nil
	}
	h, err := c.listen(a, func(h heard) bool {
		return h.conditions.SupplyVolts != nil && h.conditions.EngineRPM != nil && h.conditions.SpeedMS != nil
	})
	if err != nil {
		return nil, err
	}
	if h.report == nil {
		return nil, cli.WithHint(fmt.Errorf("--now %s: nothing was received", c.Now),
			"check that the boat's electronics are on, the connector, and the bit rate")
	}
	if v.Order != nil {
		if err := v.Order.CheckBoat(h.report); err != nil {
			return nil, fmt.Errorf("--now %s: %w", c.Now, err)
		}
	}
	return &job.Live{Report: h.report, Conditions: h.conditions}, nil
}
