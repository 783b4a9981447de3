package main

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"slices"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"muster/internal/boat"
	"muster/internal/cli"
	"muster/internal/config"
	"muster/internal/event"
)

func newNote(a *app) *cobra.Command {
	cmd := &cobra.Command{
		Use: "note", Short: "Record devices that are not on any network",
		Long: `Record devices that are not on any network. They take part in checks, plans and snapshots when the config names the notes file:

    notes: notes.yaml`,
		Example: `  muster note add -f notes.yaml --model 'Larkfin Pemmo 4' --manufacturer 'Larkfin Marine' --software 1.3 --by Ana
  muster note add -f notes.yaml --id n1 --software 1.4 --by Ana
  muster note list -f notes.yaml
  muster note remove -f notes.yaml n1`,
	}
	cmd.AddCommand(newNoteAdd(a), newNoteList(a), newNoteRemove(a))
	return cmd
}

// noteFile is where the notes are.
type noteFile struct {
	File   string
	Config string
}

func (f *noteFile) flags(flags *pflag.FlagSet) {
	flags.StringVarP(&f.File, "file", "f", "", "Notes `FILE`. Default: the one that the config names")
	flags.StringVarP(&f.Config, "config", "c", "", "Config `FILE` whose notes key names the notes file")
}

type noteAddCmd struct {
	noteFile
	ID           string
	Model        string
	Manufacturer string
	Role         string
	Serial       string
	Software     string
	Place        string
	Note         string
	By           string
}

func newNoteAdd(a *app) *cobra.Command {
	c := noteAddCmd{}
	cmd := &cobra.Command{
		Use: "add", Short: "Record a device, or a change of one",
		Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error { return c.run(a) },
	}
	f := cmd.Flags()
	c.noteFile.flags(f)
	f.StringVar(&c.ID, "id", "", "`ID` of a recorded device to change; what is not given stays")
	f.StringVar(&c.Model, "model", "", "Its model `NAME`")
	f.StringVar(&c.Manufacturer, "manufacturer", "", "Its manufacturer's `NAME`")
	f.StringVar(&c.Manufacturer, "maker", "", "Old name of --manufacturer")
	_ = f.MarkHidden("maker") // it is there
	f.StringVar(&c.Role, "role", "", "Its `ROLE`: display, sonar, radar, radio and so on")
	f.StringVar(&c.Serial, "serial", "", "Its serial `NUMBER`")
	f.StringVar(&c.Software, "software", "", "Its software `VERSION`, as its own screen shows it")
	f.StringVar(&c.Place, "place", "", "`PLACE` on the boat")
	f.StringVar(&c.Note, "note", "", "Other `TEXT`")
	f.StringVar(&c.By, "by", "", "`NAME` of the person who records it. Default: your login name")
	cli.Complete(cmd, "id", c.ids)
	cli.Complete(cmd, "role", roles)
	return cmd
}

type noteListCmd struct {
	noteFile
	Format string
}

func newNoteList(a *app) *cobra.Command {
	c := noteListCmd{}
	cmd := &cobra.Command{
		Use: "list", Short: "List the recorded devices",
		Args: cobra.NoArgs,
		RunE: func(*cobra.Command, []string) error { return c.run(a) },
	}
	c.noteFile.flags(cmd.Flags())
	cli.Choice(cmd, &c.Format, "format", "text", "`FORMAT` of the list", "text", "json")
	return cmd
}

type noteRemoveCmd struct {
	noteFile
	ID string
}

func newNoteRemove(a *app) *cobra.Command {
	c := noteRemoveCmd{}
	cmd := &cobra.Command{
		Use: "remove ID", Short: "Remove a device from the notes",
		Args: cobra.ExactArgs(1), ValidArgsFunction: c.ids,
		RunE: func(_ *cobra.Command, args []string) error { c.ID = args[0]; return c.run(a) },
	}
	c.noteFile.flags(cmd.Flags())
	return cmd
}

// path is the notes file.
func (f *noteFile) path(ctx context.Context) (string, error) {
	if f.File != "" {
		return f.File, nil
	}
	if f.Config != "" {
		cfg, err := config.Load(ctx, f.Config)
		if err != nil {
			return "", err
		}
		if cfg.Notes != "" {
			return cfg.Notes, nil
		}
		return "", cli.WithHint(fmt.Errorf("config %s names no notes file", f.Config),
			"add the line notes: notes.yaml to it, or name a file with --file")
	}
	return "", cli.WithHint(errors.New("no notes file"),
		"name one with --file notes.yaml, or a config that names one with --config")
}

func (f *noteFile) load(ctx context.Context) (string, []boat.Manual, error) {
	name, err := f.path(ctx)
	if err != nil {
		return "", nil, err
	}
	list, err := config.LoadNotes(ctx, name)
	if errors.Is(err, fs.ErrNotExist) {
		return name, nil, cli.WithHint(fmt.Errorf("read %q: no such file", name), "muster note add begins one")
	}
	return name, list, err
}

// ids completes the id of a recorded device.
func (f *noteFile) ids(cmd *cobra.Command, _ []string, _ string) (ids []cobra.Completion, _ cobra.ShellCompDirective) {
	_, list, _ := f.load(cmd.Context()) // a mistake in the notes is reported when they are used
	for i := range list {
		ids = append(ids, list[i].ID+"\t"+list[i].Model)
	}
	return ids, cobra.ShellCompDirectiveNoFileComp
}

func roles(*cobra.Command, []string, string) (words []cobra.Completion, _ cobra.ShellCompDirective) {
	for _, r := range boat.Roles() {
		words = append(words, string(r))
	}
	return words, cobra.ShellCompDirectiveNoFileComp
}

func saveNotes(name string, list []boat.Manual) error {
	text, err := config.EncodeNotes(list)
	if err != nil {
		return err
	}
	return writeFile(name, text, true)
}

// run notes a device.
func (c *noteAddCmd) run(a *app) error {
	name, list, err := c.load(a.ctx)
	if err != nil && (name == "" || !notThere(name)) {
		return err
	}
	m := boat.Manual{ID: config.NextNote(list)}
	at := len(list)
	if c.ID != "" {
		if at = find(list, c.ID); at < 0 {
			return noSuchNote(name, c.ID)
		}
		m = list[at]
	} else if len(list) >= config.MaxNotes {
		return cli.WithHint(fmt.Errorf("%s: %d devices are noted, which is the most", name, len(list)),
			"remove some with muster note remove")
	}
	role, _ := boat.ParseRole(strings.TrimSpace(c.Role))
	for _, f := range []struct {
		into *string
		text string
	}{{&m.Model, c.Model}, {&m.Manufacturer, c.Manufacturer}, {(*string)(&m.Role), string(role)}, {&m.Serial, c.Serial},
		{&m.Software, c.Software}, {&m.Place, c.Place}, {&m.Note, c.Note}} {
		*f.into = cmp.Or(strings.TrimSpace(f.text), *f.into)
	}
	m.By, m.At = strings.TrimSpace(who(c.By)), event.At(time.Now().Truncate(time.Second))
	if field, err := config.CheckNote(&m); err != nil {
		return fmt.Errorf("--%s: %w", field, err)
	}
	if at == len(list) {
		list = append(list, m)
	}
	list[at] = m
	if err := saveNotes(name, list); err != nil {
		return err
	}
	_, err = fmt.Fprintf(a.stdout, "%s %s\n", m.ID, m.Model)
	return err
}

func notThere(name string) bool {
	_, err := os.Lstat(name)
	return errors.Is(err, fs.ErrNotExist)
}

func find(list []boat.Manual, id string) int {
	return slices.IndexFunc(list, func(m boat.Manual) bool { return m.ID == id })
}

func noSuchNote(name, id string) error {
	return cli.WithHint(fmt.Errorf("%s: no device has the id %q", name, id), "muster note list shows the ids")
}

// run shows the notes.
func (c *noteListCmd) run(a *app) error {
	_, list, err := c.load(a.ctx)
	if err != nil {
		return err
	}
	if c.Format == "json" {
		var out bytes.Buffer
		if err := encodeJSON(&out, append([]boat.Manual{}, list...)); err != nil {
			return err
		}
		_, err := a.stdout.Write(out.Bytes())
		return err
	}
	if len(list) == 0 {
		_, err := fmt.Fprintln(a.stdout, "no device is noted")
		return err
	}
	w := tabwriter.NewWriter(a.stdout, 0, 0, 2, ' ', 0)
	fmt.Fprintln(w, "ID\tMODEL\tMANUFACTURER\tSERIAL\tSOFTWARE\tPLACE\tBY\tAT")
	for i := range list {
		m := &list[i]
		fmt.Fprintf(w, "%s\t%s\t%s\t%s\t%s\t%s\t%s\t%s\n", m.ID, m.Model, dash(m.Manufacturer), dash(m.Serial),
			dash(m.Software), dash(m.Place), m.By, m.At)
	}
	return w.Flush()
}

func dash(s string) string { return cmp.Or(s, "-") }

// run removes a device.
func (c *noteRemoveCmd) run(a *app) error {
	name, list, err := c.load(a.ctx)
	if err != nil {
		return err
	}
	at := find(list, c.ID)
	if at < 0 {
		return noSuchNote(name, c.ID)
	}
	m := list[at]
	if err := saveNotes(name, slices.Delete(list, at, at+1)); err != nil {
		return err
	}
	_, err = fmt.Fprintf(a.stdout, "removed %s %s\n", m.ID, m.Model)
	return err
}
