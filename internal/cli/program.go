package cli

import (
	"errors"
	"fmt"
	"io"
	"os"
	"runtime"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// Command is one subcommand, or the program itself with its subcommands.
type Command struct {
	Name     string
	Short    string               // one sentence, for lists
	Long     string               // more of it, and "Examples:"; lines that begin with four spaces stay as they are
	Args     []Arg                // in their order
	Flags    func(*pflag.FlagSet) // declares the flags, in the order in which help shows them
	Run      func() error
	Commands []Command // in the place of Run

	hidden bool
	cobra  *cobra.Command
}

// Arg is an argument without a flag. What it holds before is its default.
type Arg struct {
	Name     string
	Help     string
	One      *string
	Many     *[]string // in the place of One: all that is left, so it is the last
	Optional bool
	Words    Words // for completion; nil for files
}

// usage is how help writes it.
func (a *Arg) usage() string {
	s := "<" + a.Name + ">"
	if a.Many != nil {
		s += " ..."
	}
	if a.Optional {
		s = "[" + s + "]"
	}
	return s
}

// Program is a command line, to be run once.
type Program struct {
	root     Command
	commands map[*cobra.Command]*Command
	stdout   io.Writer
}

// New builds a command line and adds to it what every program has: version, completion, help.
func New(root Command, stdout io.Writer) *Program {
	p := &Program{root: root, commands: map[*cobra.Command]*Command{}, stdout: stdout}
	help := p.help()
	p.root.Commands = append(slices.Clone(root.Commands), p.completion(), Command{Name: "version", Short: "Print the version.", Run: p.version}, help)
	top := p.build(&p.root)
	top.SilenceErrors, top.SilenceUsage = true, true
	top.CompletionOptions.DisableDefaultCmd = true
	top.SetHelpCommand(p.root.Commands[len(p.root.Commands)-1].cobra)
	top.SetFlagErrorFunc(flagError)
	top.SetHelpFunc(func(c *cobra.Command, _ []string) { _ = p.printHelp(c) })
	top.SetOut(stdout)
	top.SetErr(io.Discard) // cobra tells nothing there but how completion went; errors are returned
	f := top.PersistentFlags()
	f.SortFlags = false
	f.BoolP("help", "h", false, "Show this help.")
	f.Bool("version", false, "Print the version and end.")
	return p
}

func (p *Program) build(c *Command) *cobra.Command {
	c.cobra = &cobra.Command{Use: c.Name, Short: strings.TrimSuffix(c.Short, "."), Hidden: c.hidden}
	p.commands[c.cobra] = c
	flags := c.cobra.Flags()
	flags.SortFlags = false
	if c.Flags != nil {
		c.Flags(flags)
	}
	c.completeFlags()
	if c.Run == nil {
		c.cobra.Args, c.cobra.RunE, c.cobra.ValidArgsFunction = c.subcommand, c.subcommandMissing, cobra.NoFileCompletions
	} else {
		c.cobra.Args = c.take
		c.cobra.RunE = func(*cobra.Command, []string) error { return c.Run() }
		c.cobra.ValidArgsFunction = c.completeArg
	}
	c.Commands = slices.Clone(c.Commands) // of this program alone
	for i := range c.Commands {
		c.cobra.AddCommand(p.build(&c.Commands[i]))
	}
	return c.cobra
}

// Each calls f with every subcommand that help lists, those of the second level after their parent.
func (p *Program) Each(f func(*Command)) { p.root.each(f) }

func (c *Command) each(f func(*Command)) {
	for i := range c.Commands {
		if sub := &c.Commands[i]; !sub.hidden {
			f(sub)
			sub.each(f)
		}
	}
}

// Path is how the subcommand is called: muster note add.
func (c *Command) Path() string { return c.cobra.CommandPath() }

// Run parses the arguments, without the program's name, and runs the subcommand.
func (p *Program) Run(args []string) error {
	if len(args) > 1 && strings.HasPrefix(args[0], cobra.ShellCompRequestCmd) {
		return p.complete(slices.Clone(args))
	}
	c, rest, err := p.root.cobra.Find(args)
	if err != nil {
		return usage(p.root.cobra, err)
	}
	switch err := scan(c, rest); {
	case errors.Is(err, pflag.ErrHelp):
		return p.printHelp(c)
	case errors.Is(err, errVersion):
		return p.version()
	case err != nil:
		return usage(c, err)
	}
	return p.execute(args)
}

func (p *Program) execute(args []string) error {
	p.root.cobra.SetArgs(append([]string{}, args...)) // never nil, for which cobra takes those of the process
	return p.root.cobra.Execute()
}

// complete answers a shell: its request, the line so far, and the word to complete.
func (p *Program) complete(args []string) error {
	if p.mistaken(args[1 : len(args)-1]) {
		_, err := fmt.Fprintf(p.stdout, ":%d\n", cobra.ShellCompDirectiveNoFileComp) // nothing to complete
		return err
	}
	return p.execute(args)
}

// mistaken reports whether a line that is being completed holds a mistake, which cobra would tell on standard error. It writes the line's
// -oFILE as --output=FILE: cobra takes its last letter for a flag.
func (p *Program) mistaken(line []string) bool {
	c, rest, err := p.root.cobra.Find(line)
	if err == nil {
		err = c.ParseFlags(rest)
		_ = p.root.cobra.PersistentFlags().Set("help", "false") // of the line, not of completion
	}
	for i, word := range line {
		if f, attached := flagOf(c.Flags(), word); attached && word[1:2] == f.Shorthand {
			line[i] = "--" + f.Name + "=" + strings.TrimPrefix(word[2:], "=")
		}
	}
	_, unfinished := errors.AsType[*pflag.ValueRequiredError](err)
	return err != nil && !unfinished
}

func (p *Program) version() error {
	_, err := fmt.Fprintf(p.stdout, "%s %s %s %s/%s\n", p.root.Name, Version(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
	return err
}

// take puts the arguments where they belong.
func (c *Command) take(cmd *cobra.Command, args []string) error {
	if err := fromEnvironment(cmd.Flags()); err != nil {
		return err
	}
	if i := slices.Index(args, ""); i >= 0 {
		return usage(cmd, fmt.Errorf("argument %d is empty", i+1))
	}
	rest := args
	var missing []string
	for i := range c.Args {
		switch a := &c.Args[i]; {
		case len(rest) == 0 && !a.Optional:
			missing = append(missing, a.usage())
		case len(rest) == 0:
		case a.Many != nil:
			*a.Many, rest = slices.Clone(rest), nil
		default:
			*a.One, rest = rest[0], rest[1:]
		}
	}
	if len(rest) > 0 {
		return usage(cmd, fmt.Errorf("unexpected argument %q", rest[0]))
	}
	var flags []string
	cmd.Flags().VisitAll(func(f *pflag.Flag) {
		if required(f) && !f.Changed {
			flags = append(flags, "--"+f.Name+"="+f.Value.Type())
		}
	})
	return usage(cmd, OneLine(missingOf("flag", flags, ", "), missingOf("argument", missing, " ")))
}

// subcommand wants no arguments: those are subcommands that there are not.
func (c *Command) subcommand(cmd *cobra.Command, args []string) error {
	if len(args) == 0 {
		return nil
	}
	return usage(cmd, fmt.Errorf("unknown subcommand %q%s", args[0], didYouMean(args[0], "", c.names())))
}

func (c *Command) subcommandMissing(cmd *cobra.Command, _ []string) error {
	const shown = 5
	names := c.names()
	list := fmt.Sprintf("%q", names[:min(shown, len(names))])
	list = strings.ReplaceAll(strings.Trim(list, "[]"), `" "`, `", "`)
	switch {
	case len(names) > shown:
		list = "one of " + list + ", ..."
	case len(names) > 1:
		list = "one of " + list
	}
	return usage(cmd, fmt.Errorf("expected %s", list))
}

func (c *Command) names() (names []string) {
	for i := range c.Commands {
		if !c.Commands[i].hidden {
			names = append(names, c.Commands[i].Name)
		}
	}
	return names
}

// annotations of flags.
const (
	annotationRequired = "muster-required"
	annotationEnv      = "muster-env"
	annotationNegates  = "muster-negates"
)

func annotate(f *pflag.FlagSet, flag, key, value string) {
	if err := f.SetAnnotation(flag, key, []string{value}); err != nil {
		panic(err) // a mistake in the program, which its first start shows: no such flag
	}
}

// Require says that the flags must be given.
func Require(f *pflag.FlagSet, flags ...string) {
	for _, name := range flags {
		annotate(f, name, annotationRequired, "yes")
	}
}

func required(f *pflag.Flag) bool { return f.Annotations[annotationRequired] != nil }

// Env says which environment variable gives a flag that is not given.
func Env(f *pflag.FlagSet, flag, variable string) { annotate(f, flag, annotationEnv, variable) }

func fromEnvironment(flags *pflag.FlagSet) (err error) {
	flags.VisitAll(func(f *pflag.Flag) {
		if variable := f.Annotations[annotationEnv]; variable != nil && !f.Changed && err == nil {
			if text, ok := os.LookupEnv(variable[0]); ok {
				if e := f.Value.Set(text); e != nil {
					err = WithHint(fmt.Errorf("%s in the environment: %w", variable[0], e), "unset it, or give --%s", f.Name)
				}
			}
		}
	})
	return err
}
