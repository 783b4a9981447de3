package cli

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"runtime"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/cobra/doc"
	"github.com/spf13/pflag"
)

// Run parses args, without the program's name, and runs the subcommand of root that they name. Mistakes in them come back with a hint.
func Run(ctx context.Context, root *cobra.Command, args []string, stdout, stderr io.Writer) error {
	root.SilenceErrors, root.SilenceUsage = true, true
	root.Version = fmt.Sprintf("%s %s %s/%s", Version(), runtime.Version(), runtime.GOOS, runtime.GOARCH)
	root.AddCommand(versionCommand(), manCommand())
	root.SetFlagErrorFunc(usage)
	root.InitDefaultHelpCmd()
	root.InitDefaultCompletionCmd(args...)
	prepare(root)
	if err := unknown(root, args); err != nil {
		return err
	}
	root.SetOut(stdout)
	root.SetErr(stderr)
	root.SetArgs(append([]string{}, args...)) // never nil, for which cobra takes those of the process
	return root.ExecuteContext(ctx)
}

// unknown refuses a command that is not there, with or without --help and after "help", where cobra prints the general help and succeeds.
func unknown(root *cobra.Command, args []string) error {
	if len(args) > 0 && args[0] == "help" {
		args = args[1:]
		if help, _, err := root.Find([]string{"help"}); err == nil && len(args) == 1 && slices.Contains(help.ValidArgs, args[0]) {
			return nil
		}
	}
	if len(args) > 0 && strings.HasPrefix(args[0], cobra.ShellCompRequestCmd) {
		return nil
	}
	c, rest, err := root.Find(args)
	if err == nil && c.HasParent() && c.HasSubCommands() && len(rest) > 0 && !strings.HasPrefix(rest[0], "-") {
		err = fmt.Errorf("unknown command %q for %q", rest[0], c.CommandPath())
		c.SuggestionsMinimumDistance = 2 // as cobra has it for the root
		if near := c.SuggestionsFor(rest[0]); len(near) > 0 {
			return WithHint(err, "did you mean %s?", strings.Join(near, ", "))
		}
	}
	if err == nil {
		return nil
	}
	if text, near, ok := strings.Cut(err.Error(), "\n\nDid you mean this?\n"); ok { // cobra's form of an unknown command
		return WithHint(errors.New(text), "did you mean %s?", strings.Join(strings.Fields(near), ", "))
	}
	return WithHint(err, "run %s --help for the list of commands", c.CommandPath())
}

// prepare adds to a command and those below it what all share.
func prepare(c *cobra.Command) {
	c.Flags().SortFlags = false
	if c.HasSubCommands() && c.HasParent() {
		c.RunE = func(c *cobra.Command, _ []string) error { return c.Help() }
	}
	if check := c.Args; check != nil {
		c.Args = func(c *cobra.Command, args []string) error {
			return usage(c, cmp.Or(check(c, args), missing(c, args), c.ValidateRequiredFlags(), c.ValidateFlagGroups()))
		}
	}
	for _, sub := range c.Commands() {
		prepare(sub)
	}
}

// missing refuses an argument or a flag without a value: a script's variable that was never set, or -o --force.
func missing(c *cobra.Command, args []string) (err error) {
	if i := slices.Index(args, ""); i >= 0 {
		return fmt.Errorf("argument %d is empty", i+1)
	}
	c.Flags().Visit(func(f *pflag.Flag) {
		if f.Value.Type() != "string" {
			return
		}
		switch v := f.Value.String(); {
		case v == "":
			err = fmt.Errorf("--%s: the value is empty", f.Name)
		case strings.HasPrefix(v, "--"):
			err = fmt.Errorf("--%s: the value is missing before %s", f.Name, v)
		}
	})
	return err
}

// usage adds to a mistake in the arguments where the right usage is found.
func usage(c *cobra.Command, err error) error {
	if err == nil {
		return nil
	}
	return WithHint(err, "usage: %s; run %s --help for details", c.UseLine(), c.CommandPath())
}

// Require makes flags mandatory.
func Require(c *cobra.Command, flags ...string) {
	for _, name := range flags {
		must(c.MarkFlagRequired(name))
	}
}

// Dir declares a flag that takes a folder, `DIR` in help, completed as such.
func Dir(c *cobra.Command, into *string, name, help string) {
	c.Flags().StringVar(into, name, "", help)
	must(c.MarkFlagDirname(name))
}

// Complete sets how the value of a flag is completed.
func Complete(c *cobra.Command, flag string, by cobra.CompletionFunc) {
	must(c.RegisterFlagCompletionFunc(flag, by))
}

// must takes an error that only a mistake in the program makes, such as a flag that does not exist; its first start shows it.
func must(err error) {
	if err != nil {
		panic(err)
	}
}

// choice is a flag that takes one of a few words.
type choice struct {
	into  *string
	words []string
}

// Choice declares a flag that takes one of words.
func Choice(c *cobra.Command, into *string, name, preset, help string, words ...string) {
	*into = preset
	c.Flags().Var(choice{into, words}, name, help+" ("+strings.Join(words, ", ")+")")
	Complete(c, name, cobra.FixedCompletions(words, cobra.ShellCompDirectiveNoFileComp))
}

// Choices is Choice for a flag that takes several of the words, with commas between them.
func Choices(c *cobra.Command, into *string, name, help string, words ...string) {
	c.Flags().Var(choices{choice{into, words}}, name, help+" ("+strings.Join(words, ", ")+")")
	Complete(c, name, cobra.FixedCompletions(words, cobra.ShellCompDirectiveNoFileComp))
}

// choices is a choice of several.
type choices struct{ choice }

func (v choices) Type() string { return "words" }

func (v choices) Set(text string) error {
	for word := range strings.SplitSeq(text, ",") {
		if !slices.Contains(v.words, word) {
			return fmt.Errorf("it is not one of %s", strings.Join(v.words, ", "))
		}
	}
	*v.into = text
	return nil
}

func (v choice) String() string {
	if v.into == nil { // pflag asks an empty one for its default
		return ""
	}
	return *v.into
}

func (v choice) Type() string { return "word" }

func (v choice) Set(text string) error {
	if !slices.Contains(v.words, text) {
		return fmt.Errorf("it is not one of %s", strings.Join(v.words, ", "))
	}
	*v.into = text
	return nil
}

func versionCommand() *cobra.Command {
	return &cobra.Command{
		Use: "version", Short: "Print the version and exit", Args: cobra.NoArgs,
		Run: func(c *cobra.Command, _ []string) {
			fmt.Fprintf(c.OutOrStdout(), "%s version %s\n", c.Root().Name(), c.Root().Version)
		},
	}
}

// manCommand writes the man pages that the packages hold.
func manCommand() *cobra.Command {
	return &cobra.Command{
		Use: "man DIR", Short: "Write the man pages into a folder", Hidden: true, Args: cobra.ExactArgs(1),
		RunE: func(c *cobra.Command, args []string) error {
			c.Root().DisableAutoGenTag = true
			return doc.GenManTree(c.Root(), &doc.GenManHeader{Section: "1", Source: c.Root().Name(), Manual: "User commands"}, args[0])
		},
	}
}
