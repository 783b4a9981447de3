package main

import (
	"fmt"
	"io"
	"regexp"
	"slices"
	"strings"

	"github.com/spf13/cobra"

	"muster/deploy"
)

// topicOf is the page of help that goes deeper than a command's own text.
var topicOf = map[string]string{
	"audit": "checks", "explain": "checks", "run": "config", "capture": "formats", "simulate": "layout",
	"snapshot": "snapshot", "verify": "security", "compare": "job", "plan": "sheets", "follow": "job", "note": "job",
	"service-record": "job", "job": "ledger", "backbone": "layout", "locate": "layout", "key": "security",
	"schema": "formats", "adapters": "laptop", "doctor": "laptop", "join": "fleet",
}

// pointToHelp ends the text of each command with the page that goes deeper.
func pointToHelp(root *cobra.Command) {
	for _, c := range root.Commands() {
		if topic := topicOf[c.Name()]; topic != "" {
			if c.Long == "" {
				c.Long = c.Short + "."
			}
			c.Long += "\n\nMore: muster help " + topic
		}
	}
}

// newHelp is the command help: of a command, or of a topic.
func newHelp(a *app, root *cobra.Command) *cobra.Command {
	return &cobra.Command{
		Use: "help [TOPIC|COMMAND]", Short: "Print a page of help, or help on a command",
		Long: "Print a page of help. The daemon serves the same pages under /help/. Of a command, print its usage.\n\n" +
			"The topics:\n" + topicList(),
		Example: `  muster help laptop
  muster help audit`,
		ValidArgs: helped(root),
		RunE: func(_ *cobra.Command, args []string) error {
			if len(args) == 1 {
				if text, ok := deploy.Text(args[0]); ok {
					return a.printTopic(root, args[0], text)
				}
			}
			c, _, err := root.Find(args)
			if err != nil {
				return err
			}
			if c == root {
				defer fmt.Fprint(a.stdout, "\nTopics, as in muster help laptop:\n"+topicList()+"\n")
			}
			c.InitDefaultHelpFlag()
			return c.Help()
		},
	}
}

// helped are the topics and the commands, each once.
func helped(root *cobra.Command) (names []string) {
	for _, t := range deploy.Topics() {
		names = append(names, t.Name)
	}
	for _, c := range root.Commands() {
		if !slices.Contains(names, c.Name()) {
			names = append(names, c.Name())
		}
	}
	return names
}

// topicList is a line for each topic.
func topicList() string {
	var b strings.Builder
	for _, t := range deploy.Topics() {
		fmt.Fprintf(&b, "  %-14s %s\n", t.Name, t.Title)
	}
	return strings.TrimSuffix(b.String(), "\n")
}

// toTopic are the links of a page.
var toTopic = regexp.MustCompile(`\[([^\]]*)\]\(([^)]*)\)`)

// printTopic prints a page. Its links name the command that prints where they lead. A command of the same name
// has its usage named.
func (a *app) printTopic(root *cobra.Command, name, text string) error {
	text = toTopic.ReplaceAllStringFunc(text, func(link string) string {
		m := toTopic.FindStringSubmatch(link)
		switch to, _ := deploy.TopicAt(name, m[2]); {
		case to == name:
			return m[1]
		case to == m[1]:
			return "muster help " + to
		case to != "":
			return m[1] + " (muster help " + to + ")"
		}
		return m[1]
	})
	if c, _, err := root.Find([]string{name}); err == nil && c != root {
		text += "\nUsage of the command: muster " + name + " --help\n"
	}
	_, err := io.WriteString(a.stdout, text)
	return err
}
