package pages

import (
	"strings"

	"github.com/russross/blackfriday/v2"
	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/deploy"
)

// markdown is a document of ours as nodes, and its title. Links between the documents lead to their pages.
func markdown(topic, text string) (title string, _ g.Node) {
	parser := blackfriday.New(blackfriday.WithExtensions(
		blackfriday.Tables | blackfriday.FencedCode | blackfriday.NoIntraEmphasis))
	d := document{topic: topic}
	body := d.below(parser.Parse([]byte(text)))
	return d.title, body
}

// document is a document being turned into nodes.
type document struct{ topic, title string }

// below are the nodes below one of the parsed tree.
func (d *document) below(n *blackfriday.Node) g.Group {
	var out g.Group
	for c := n.FirstChild; c != nil; c = c.Next {
		out = append(out, d.node(c))
	}
	return out
}

// node is one node of the parsed tree. HTML in a document is shown as text.
func (d *document) node(n *blackfriday.Node) g.Node {
	switch n.Type {
	case blackfriday.Paragraph:
		if item := n.Parent; item.Type == blackfriday.Item && item.ListData.Tight {
			return d.below(n)
		}
		return h.P(d.below(n))
	case blackfriday.Heading:
		return d.heading(n)
	case blackfriday.List:
		if n.ListFlags&blackfriday.ListTypeOrdered != 0 {
			return h.Ol(d.below(n))
		}
		return h.Ul(d.below(n))
	case blackfriday.Item:
		return h.Li(d.below(n))
	case blackfriday.Emph:
		return h.Em(d.below(n))
	case blackfriday.Strong:
		return h.Strong(d.below(n))
	case blackfriday.Link:
		return d.link(n)
	case blackfriday.Code:
		return h.Code(g.Text(string(n.Literal)))
	case blackfriday.CodeBlock:
		return h.Pre(h.Code(g.Text(string(n.Literal))))
	case blackfriday.Table:
		return h.Table(d.below(n))
	case blackfriday.TableHead:
		return h.THead(d.below(n))
	case blackfriday.TableBody:
		return h.TBody(d.below(n))
	case blackfriday.TableRow:
		return h.Tr(d.below(n))
	case blackfriday.TableCell:
		if n.IsHeader {
			return h.Th(h.Scope("col"), d.below(n))
		}
		return h.Td(d.below(n))
	default:
		return g.Group{g.Text(string(n.Literal)), d.below(n)}
	}
}

// heading has its words as its id; the first of a document is its title.
func (d *document) heading(n *blackfriday.Node) g.Node {
	words := plainWords(n)
	if d.title == "" {
		d.title = words
	}
	in := g.Group{h.ID(anchor(words)), d.below(n)}
	switch n.Level {
	case 1:
		return h.H1(in)
	case 2:
		return h.H2(in)
	default:
		return h.H3(in)
	}
}

// link leads to a page of help. Where the link is to a file that is none, its words remain.
func (d *document) link(n *blackfriday.Node) g.Node {
	to := string(n.Destination)
	if name, place := deploy.TopicAt(d.topic, to); name != "" {
		to = "/help/" + name
		if place != "" {
			to += "#" + place
		}
	} else if !strings.Contains(to, "://") {
		return d.below(n)
	}
	return h.A(h.Href(to), d.below(n))
}

// plainWords are the words below a node.
func plainWords(n *blackfriday.Node) string {
	words := string(n.Literal)
	for c := n.FirstChild; c != nil; c = c.Next {
		words += plainWords(c)
	}
	return words
}

// anchor is the id of a heading, as hosts of repositories make it.
func anchor(words string) string {
	return strings.Map(func(c rune) rune {
		switch {
		case c == ' ':
			return '-'
		case c == '-', c >= 'a' && c <= 'z', c >= '0' && c <= '9':
			return c
		}
		return -1
	}, strings.ToLower(words))
}
