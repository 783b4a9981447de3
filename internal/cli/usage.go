package cli

import (
	"errors"
	"fmt"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// usage says of a mistake in the arguments where the right usage stands.
func usage(c *cobra.Command, err error) error {
	if err == nil {
		return nil
	}
	return WithHint(err, "%s --help shows what there is", c.CommandPath())
}

// errVersion is asked for with --version, whatever else is.
var errVersion = errors.New("version asked for")

// scan looks over the arguments of a subcommand for what the parser lets pass: the flag after a flag that wants a value, a flag given
// twice of which the first would be lost. Help and version come before any mistake.
func scan(c *cobra.Command, args []string) error {
	flags, given := c.Flags(), map[string]bool{}
	var mistake error
	note := func(err error) {
		if mistake == nil {
			mistake = err
		}
	}
	for i := 0; i < len(args); i++ {
		s := args[i]
		switch {
		case s == "--":
			return mistake
		case s == "--help", s == "-h":
			return pflag.ErrHelp
		case s == "--version":
			return errVersion
		}
		f, attached := flagOf(flags, s)
		if f == nil {
			continue
		}
		if given[f.Name] && !repeats(f) {
			note(fmt.Errorf("--%s: it is given twice, and takes one %s", f.Name, f.Value.Type()))
		}
		given[f.Name] = true
		if attached || i+1 == len(args) {
			continue
		}
		i++
		if next := args[i]; len(next) > 1 && next[0] == '-' {
			note(fmt.Errorf("--%s: the value, %s, is missing before %s; if that is the value, write --%[1]s=%[3]s", f.Name, f.Value.Type(), next))
			i--
		}
	}
	return mistake
}

// flagOf finds the flag of an argument that takes a value; attached says that the value is in the argument too.
func flagOf(flags *pflag.FlagSet, arg string) (f *pflag.Flag, attached bool) {
	if name, long := strings.CutPrefix(arg, "--"); long {
		name, _, attached = strings.Cut(name, "=")
		if f = flags.Lookup(name); f == nil || f.NoOptDefVal != "" {
			return nil, false
		}
		return f, attached
	}
	if len(arg) < 2 || arg[0] != '-' {
		return nil, false
	}
	for i := 1; i < len(arg); i++ { // -a, -af FILE, -afFILE
		if f = flags.ShorthandLookup(arg[i : i+1]); f == nil {
			return nil, false
		}
		if f.NoOptDefVal == "" {
			return f, i+1 < len(arg)
		}
	}
	return nil, false
}

// repeats reports whether a flag may be given more than once.
func repeats(f *pflag.Flag) bool {
	_, ok := f.Value.(cobra.SliceValue)
	return ok
}

// flagError says a mistake that the parser found in our words.
func flagError(c *cobra.Command, err error) error {
	if e, ok := errors.AsType[*pflag.NotExistError](err); ok {
		return usage(c, unknownFlag(c.Flags(), e))
	}
	if e, ok := errors.AsType[*pflag.ValueRequiredError](err); ok {
		f := e.GetFlag()
		return usage(c, fmt.Errorf("--%s: the value is missing: %s", f.Name, f.Value.Type()))
	}
	if e, ok := errors.AsType[*pflag.InvalidValueError](err); ok {
		f, cause := e.GetFlag(), e.Unwrap()
		if _, ok := errors.AsType[*strconv.NumError](cause); ok {
			cause = fmt.Errorf("%q is neither true nor false", e.GetValue())
		}
		return usage(c, fmt.Errorf("--%s: %w", f.Name, cause))
	}
	if e, ok := errors.AsType[*pflag.InvalidSyntaxError](err); ok {
		return usage(c, fmt.Errorf("%q is no flag", e.GetSpecifiedFlag()))
	}
	return usage(c, err)
}

func unknownFlag(flags *pflag.FlagSet, e *pflag.NotExistError) error {
	var names []string
	flags.VisitAll(func(f *pflag.Flag) { names = append(names, f.Name) })
	name := e.GetSpecifiedName()
	short := e.GetSpecifiedShortnames()
	switch len(short) {
	case 0:
		return fmt.Errorf("unknown flag --%s%s", name, didYouMean(name, "--", names))
	case 1:
		return fmt.Errorf("unknown flag -%s", name)
	}
	typed, _, _ := strings.Cut(short, "=")
	return fmt.Errorf("unknown flag -%s in -%s%s", name, short, didYouMean(typed, "--", names)) // a long flag with one hyphen
}

// missingOf is an error that names what is missing; nil for none.
func missingOf(what string, names []string, between string) error {
	switch len(names) {
	case 0:
		return nil
	case 1:
		return fmt.Errorf("missing %s: %s", what, names[0])
	}
	return fmt.Errorf("missing %ss: %s", what, strings.Join(names, between))
}

// didYouMean asks for the nearest of names when one is near, and is empty otherwise.
func didYouMean(typed, before string, names []string) string {
	word := strings.ToLower(typed)
	best, least := "", 1+(len(word)+1)/4 // letters that may be wrong: 1 in 2 letters, 2 in 3, 3 in 7
	for _, name := range names {
		d := distance(word, name)
		if len(word) > 2 && strings.HasPrefix(name, word) {
			d = 1
		}
		if d < least {
			best, least = name, d
		}
	}
	if best == "" {
		return ""
	}
	return fmt.Sprintf(", did you mean %q?", before+best)
}

// distance is how many letters must be added, removed, changed or swapped with their neighbour to make b of a.
func distance(a, b string) int {
	before, row := make([]int, len(b)+1), make([]int, len(b)+1)
	for j := range row {
		row[j] = j
	}
	for i := range len(a) {
		next := make([]int, len(b)+1)
		next[0] = i + 1
		for j := range len(b) {
			next[j+1] = min(row[j+1]+1, next[j]+1)
			if a[i] == b[j] {
				next[j+1] = min(next[j+1], row[j])
			} else {
				next[j+1] = min(next[j+1], row[j]+1)
			}
			if i > 0 && j > 0 && a[i] == b[j-1] && a[i-1] == b[j] {
				next[j+1] = min(next[j+1], before[j-1]+1)
			}
		}
		before, row = row, next
	}
	return row[len(b)]
}
