// Package deploy holds the documents that the program carries: what muster help prints and the daemon serves
// under /help/.
package deploy

import (
	"embed"
	"path"
	"strings"
)

//go:embed docs/*.md examples/*.md metrics.md muster.yaml
var files embed.FS

// Topic is one page of help.
type Topic struct {
	Name, Title string
	file        string // beside this one
}

// topics are in the order in which a newcomer needs them.
var topics = []Topic{
	{"boat-computer", "Install on a boat computer with a CAN HAT", "docs/boat-computer.md"},
	{"laptop", "Use a laptop: which adapter gives which SOURCE", "docs/laptop.md"},
	{"job", "One visit to one boat, from open to pack", "docs/job.md"},
	{"sheets", "Release sheets: which versions are current", "docs/sheets.md"},
	{"layout", "Layout of the backbone, and finding a fault", "docs/layout.md"},
	{"checks", "How muster checks, and how often it is right", "docs/checks.md"},
	{"fleet", "The fleet and its hub", "docs/fleet.md"},
	{"config", "Every key of muster.yaml", "muster.yaml"},
	{"api", "The HTTP API", "docs/api.md"},
	{"metrics", "Every metric of a boat", "metrics.md"},
	{"formats", "File formats", "docs/formats.md"},
	{"snapshot", "The seal of a snapshot, and a script that checks it", "examples/snapshot.md"},
	{"ledger", "The ledger of a job, and a script that checks it", "examples/ledger.md"},
	{"security", "Security, and what signatures show", "docs/security.md"},
	{"release", "Verify, upgrade and build a release", "docs/release.md"},
}

// Topics lists the pages of help. The caller must not change it.
func Topics() []Topic { return topics }

// Text is a page as Markdown; false when there is none of that name.
func Text(name string) (string, bool) {
	for _, t := range topics {
		if t.Name != name {
			continue
		}
		text, err := files.ReadFile(t.file)
		if err != nil {
			panic(err) // the tests read every topic
		}
		if path.Ext(t.file) == ".yaml" {
			return "# " + t.Title + "\n\n```yaml\n" + string(text) + "```\n", true
		}
		return string(text), true
	}
	return "", false
}

// TopicAt is the name of the topic that a link in the page from leads to, with its place in that page; "" when
// the link leads elsewhere.
func TopicAt(from, link string) (name, place string) {
	file, place, _ := strings.Cut(link, "#")
	if file == "" {
		return from, place
	}
	for _, f := range topics {
		if f.Name != from {
			continue
		}
		for _, t := range topics {
			if t.file == path.Join(path.Dir(f.file), file) {
				return t.Name, place
			}
		}
	}
	return "", ""
}
