package cli

import (
	"fmt"
	"io"
	"os"
	"strconv"
	"strings"
	"unicode/utf8"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// Line is an argument or a flag as help and the man page show it.
type Line struct {
	Short string // -o, or ""
	Name  string // --output=FILE
	Help  string
}

// ArgLines are the arguments.
func (c *Command) ArgLines() []Line {
	lines := make([]Line, len(c.Args))
	for i := range c.Args {
		a := &c.Args[i]
		lines[i] = Line{Name: a.usage(), Help: a.Help}
		if a.One != nil && a.Optional && *a.One != "" {
			lines[i].Help += " Default " + *a.One + "."
		}
	}
	return lines
}

// FlagLines are the flags without those of every subcommand, in the order in which they were declared.
func (c *Command) FlagLines() (lines []Line) {
	general := c.cobra.Root().PersistentFlags()
	flags := c.cobra.Flags()
	flags.VisitAll(func(f *pflag.Flag) {
		if general.Lookup(f.Name) == nil && f.Annotations[annotationNegates] == nil {
			lines = append(lines, flagLine(f, flags.Lookup("no-"+f.Name) != nil))
		}
	})
	return lines
}

func flagLine(f *pflag.Flag, negatable bool) Line {
	l := Line{Name: "--" + f.Name, Help: f.Usage}
	if f.Shorthand != "" {
		l.Short = "-" + f.Shorthand
	}
	if negatable {
		l.Name = "--[no-]" + f.Name
	}
	if f.Value.Type() != "bool" {
		l.Name += "=" + f.Value.Type()
		if f.DefValue != "" {
			l.Help += " Default " + f.DefValue + "."
		}
	}
	if variable := f.Annotations[annotationEnv]; variable != nil {
		l.Help += " Also from $" + variable[0] + "."
	}
	return l
}

// helpWidth is how wide help is: the terminal, up to what is read with ease.
func helpWidth(w io.Writer) int {
	const most, least, usual = 100, 40, 80
	width, ok := Terminal(w)
	if !ok {
		width = usual
		if n, err := strconv.Atoi(os.Getenv("COLUMNS")); err == nil {
			width = n
		}
	}
	return max(least, min(width, most))
}

// printHelp shows the help of a subcommand.
func (p *Program) printHelp(cmd *cobra.Command) error {
	c := p.commands[cmd]
	if c == nil {
		return fmt.Errorf("%s has no help", cmd.CommandPath())
	}
	width := helpWidth(p.stdout)
	var b strings.Builder
	paragraph(&b, "Usage: "+c.usageLine(), 0, 4, width)
	if c.Short != "" {
		b.WriteString("\n")
		paragraph(&b, c.Short, 0, 0, width)
	}
	writeLong(&b, c.Long, width)
	table(&b, "Arguments:", c.ArgLines(), false, width)
	table(&b, "Flags:", c.FlagLines(), true, width)
	var general []Line
	cmd.Root().PersistentFlags().VisitAll(func(f *pflag.Flag) { general = append(general, flagLine(f, false)) })
	table(&b, "General flags:", general, true, width)
	var commands []Line
	for i := range c.Commands {
		if sub := &c.Commands[i]; !sub.hidden {
			commands = append(commands, Line{Name: strings.TrimPrefix(sub.Path(), p.root.Name+" "), Help: sub.Short})
		}
	}
	table(&b, "Commands:", commands, false, width)
	if len(commands) > 0 {
		fmt.Fprintf(&b, "\n%s <command> --help tells more of a command.\n", c.Path())
	}
	_, err := io.WriteString(p.stdout, b.String())
	return err
}

// usageLine is the shape of a call.
func (c *Command) usageLine() string {
	words := []string{c.Path()}
	if c.Run == nil {
		words = append(words, "<command>")
	}
	more := c.Run == nil
	c.cobra.Flags().VisitAll(func(f *pflag.Flag) {
		if required(f) {
			words = append(words, "--"+f.Name+"="+f.Value.Type())
		} else {
			more = true
		}
	})
	for i := range c.Args {
		words = append(words, c.Args[i].usage())
	}
	if more {
		words = append(words, "[flags]")
	}
	return strings.Join(words, " ")
}

// writeLong writes paragraphs. Lines that begin with four spaces stay as they are, unless they are numbered: those are items of a list.
func writeLong(b *strings.Builder, text string, width int) {
	if text == "" {
		return
	}
	var flowing []string
	end := func() {
		if len(flowing) > 0 {
			paragraph(b, strings.Join(flowing, " "), 0, 0, width)
			flowing = nil
		}
	}
	b.WriteString("\n")
	for line := range strings.SplitSeq(text, "\n") {
		rest, indented := strings.CutPrefix(line, "    ")
		switch {
		case !indented && line != "":
			flowing = append(flowing, line)
			continue
		case indented && numbered(rest):
			paragraph(b, rest, 4, 7, width)
			continue
		}
		end()
		b.WriteString(line + "\n")
	}
	end()
}

func numbered(s string) bool {
	return len(s) > 3 && '0' <= s[0] && s[0] <= '9' && s[1:3] == ". "
}

// table writes lines in two columns; a name that is too wide has its help below.
func table(b *strings.Builder, title string, lines []Line, flags bool, width int) {
	if len(lines) == 0 {
		return
	}
	const widest, gap = 30, 4
	column := 0
	names := make([]string, len(lines))
	for i, l := range lines {
		switch {
		case l.Short != "":
			names[i] = l.Short + ", " + l.Name
		case flags:
			names[i] = "    " + l.Name
		default:
			names[i] = l.Name
		}
		if n := utf8.RuneCountInString(names[i]); n <= widest {
			column = max(column, n)
		}
	}
	b.WriteString("\n" + title + "\n")
	for i, l := range lines {
		n := utf8.RuneCountInString(names[i])
		b.WriteString("  " + names[i])
		text := &strings.Builder{}
		paragraph(text, l.Help, 2+column+gap, 2+column+gap, width)
		if n > column {
			b.WriteString("\n" + text.String())
			continue
		}
		b.WriteString(text.String()[2+n:])
	}
}

// paragraph wraps text, its first line and the others indented.
func paragraph(b *strings.Builder, text string, first, others, width int) {
	at := first
	b.WriteString(strings.Repeat(" ", first))
	for i, word := range strings.Fields(text) {
		n := utf8.RuneCountInString(word)
		switch {
		case i == 0:
		case at+1+n > width:
			b.WriteString("\n" + strings.Repeat(" ", others))
			at = others
		default:
			b.WriteString(" ")
			at++
		}
		b.WriteString(word)
		at += n
	}
	b.WriteString("\n")
}

// help is what is typed by those who do not know of --help.
func (p *Program) help() Command {
	var words []string
	return Command{Name: "help", Short: "Show the help of a command.", hidden: true,
		Args: []Arg{{Name: "command", Help: "Which one.", Many: &words, Optional: true, Words: func(string) ([]string, bool) { return p.root.names(), false }}},
		Run: func() error {
			c, rest, err := p.root.cobra.Find(words)
			switch {
			case err != nil:
				return err
			case len(rest) == 0:
				return p.printHelp(c)
			case p.commands[c].Run == nil:
				return p.commands[c].subcommand(c, rest)
			}
			return usage(c, fmt.Errorf("unexpected argument %q", rest[0]))
		}}
}
