package cli

import (
	"cmp"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"
)

// Words are what an argument or a value can be that begins with prefix; those that do not are left out. A tab parts a word from what it
// means. files says that the shell goes on with files when none of them fits.
type Words func(prefix string) (words []string, files bool)

// Fixed completes with words; without any there is nothing to complete.
func Fixed(words ...string) Words { return func(string) ([]string, bool) { return words, false } }

// Files completes as the shell does.
func Files(string) ([]string, bool) { return nil, true }

// FilesNamed are the files and folders, those with / behind, whose names begin with prefix.
func FilesNamed(prefix string) (names []string) {
	dir, base := filepath.Split(prefix)
	entries, err := os.ReadDir(cmp.Or(dir, "."))
	if err != nil {
		return nil // nothing to offer
	}
	for _, e := range entries {
		name := e.Name()
		if !strings.HasPrefix(name, base) || base == "" && name[0] == '.' {
			continue
		}
		if fi, err := os.Stat(filepath.Join(dir, name)); err == nil && fi.IsDir() {
			name += "/"
		}
		names = append(names, dir+name)
	}
	return names
}

func (w Words) complete(prefix string) ([]cobra.Completion, cobra.ShellCompDirective) {
	if w == nil {
		w = Files
	}
	words, files := w(prefix)
	words = slices.DeleteFunc(slices.Clone(words), func(s string) bool { return !strings.HasPrefix(s, prefix) })
	directive := cobra.ShellCompDirectiveNoFileComp
	if files {
		directive = cobra.ShellCompDirectiveDefault
	}
	if len(words) == 1 {
		if word, _, _ := strings.Cut(words[0], "\t"); strings.ContainsAny(word[len(word)-1:], "/:=") {
			directive |= cobra.ShellCompDirectiveNoSpace // there is more to write
		}
	}
	return words, directive
}

// completeArg completes an argument.
func (c *Command) completeArg(cmd *cobra.Command, args []string, prefix string) ([]cobra.Completion, cobra.ShellCompDirective) {
	_ = fromEnvironment(cmd.Flags()) // a mistake there is told when the command is run
	if len(c.Args) == 0 {
		return nil, cobra.ShellCompDirectiveNoFileComp
	}
	i := min(len(args), len(c.Args)-1)
	if i < len(args) && c.Args[i].Many == nil {
		return nil, cobra.ShellCompDirectiveNoFileComp
	}
	return c.Args[i].Words.complete(prefix)
}

// completeFlags says how the values of the flags are completed: as they say themselves, or by what they hold.
func (c *Command) completeFlags() {
	c.cobra.Flags().VisitAll(func(f *pflag.Flag) {
		words := Fixed()
		if own, ok := f.Value.(interface{ complete() Words }); ok && own.complete() != nil {
			words = own.complete()
		} else if strings.HasPrefix(f.Value.Type(), "FILE") {
			words = Files
		}
		complete := func(_ *cobra.Command, _ []string, prefix string) ([]cobra.Completion, cobra.ShellCompDirective) {
			if f.Value.Type() == "DIR" {
				return nil, cobra.ShellCompDirectiveFilterDirs
			}
			return words.complete(prefix)
		}
		if err := c.cobra.RegisterFlagCompletionFunc(f.Name, complete); err != nil {
			panic(err) // a flag that is not there or is there twice: a mistake in the program, which its first start shows
		}
	})
}

// completion is the subcommand that prints what shells need.
func (p *Program) completion() Command {
	var shell string
	name := p.root.Name
	shells := []string{"bash", "zsh", "fish", "powershell"}
	return Command{Name: "completion", Short: "Print what a shell needs to complete commands.",
		Long: fmt.Sprintf(`Shells then complete subcommands, flags and their values with the tab key. The Debian package brings this along for bash, which needs its
package bash-completion, for zsh and for fish. Elsewhere:

Examples:

    source <(%[1]s completion bash)
    %[1]s completion zsh > "${fpath[1]}/_%[1]s"
    %[1]s completion fish > ~/.config/fish/completions/%[1]s.fish
    %[1]s completion powershell | Out-String | Invoke-Expression`, name),
		Args: []Arg{{Name: "shell", Help: strings.Join(shells[:3], ", ") + " or " + shells[3] + ".", One: &shell, Words: Fixed(shells...)}},
		Run: func() error {
			top := p.root.cobra
			switch shell {
			case "bash":
				return top.GenBashCompletionV2(p.stdout, true)
			case "zsh":
				return top.GenZshCompletion(p.stdout)
			case "fish":
				return top.GenFishCompletion(p.stdout, true)
			case "powershell":
				return top.GenPowerShellCompletionWithDesc(p.stdout)
			}
			return WithHint(fmt.Errorf("there is no completion for %q", shell), "take one of %s", strings.Join(shells, ", "))
		}}
}
