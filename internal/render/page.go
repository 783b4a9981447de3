// Package render sets everything that is printed or drawn: text for a terminal, self-contained pages, PDF, and
// pictures.
package render

import (
	"bytes"
	"io"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/boat"
)

// Page is a whole page that loads nothing and runs nothing, and declares so to the browser. The style is CSS of our
// own: it is written as it is.
func Page(title, style string, body ...g.Node) g.Node {
	return g.Group{g.Raw("<!DOCTYPE html>\n"), h.HTML(h.Lang("en"), Block(
		h.Head(Block(
			h.Meta(h.Charset("utf-8")),
			h.Meta(g.Attr("http-equiv", "Content-Security-Policy"), h.Content("default-src 'none'; style-src 'unsafe-inline'; img-src data:")),
			h.Meta(h.Name("viewport"), h.Content("width=device-width, initial-scale=1")),
			h.TitleEl(g.Text(title)),
			h.StyleEl(g.Raw("\n"+style)))),
		h.Body(Block(body...)))), g.Raw("\n")}
}

// WritePage writes a page. Control characters, with which devices' texts could steer what shows the page, appear escaped.
func WritePage(w io.Writer, page g.Node) error {
	var b bytes.Buffer
	if err := page.Render(&b); err != nil {
		return err
	}
	_, err := io.WriteString(w, boat.PrintableText(b.String()))
	return err
}

// Lines puts a new line between nodes, so that the source of the page is readable too. What is nil or an empty group
// takes none.
func Lines(nodes ...g.Node) g.Group {
	out := make(g.Group, 0, 2*len(nodes))
	for _, n := range nodes {
		if group, ok := n.(g.Group); n == nil || ok && len(group) == 0 {
			continue
		}
		if len(out) > 0 {
			out = append(out, g.Raw("\n"))
		}
		out = append(out, n)
	}
	return out
}

// Block is Lines with a new line before and after.
func Block(nodes ...g.Node) g.Group { return g.Group{g.Raw("\n"), Lines(nodes...), g.Raw("\n")} }

// Facts is a table of names and what each is.
func Facts(facts ...[2]string) g.Node {
	return h.Table(Block(g.Map(facts, func(f [2]string) g.Node { return Fact(f[0], g.Text(f[1])) })...))
}

// Fact is a row of such a table.
func Fact(name string, what ...g.Node) g.Node {
	return h.Tr(h.Th(h.Scope("row"), g.Text(name)), h.Td(what...))
}

// Columns is the row that names the columns of a table.
func Columns(names ...string) g.Node {
	return h.Tr(g.Map(names, func(name string) g.Node { return h.Th(h.Scope("col"), g.Text(name)) }))
}

// Row is a row of plain texts.
func Row(texts ...string) g.Node {
	return h.Tr(g.Map(texts, func(text string) g.Node { return h.Td(g.Text(text)) }))
}

// List is a list of plain texts.
func List(texts []string) g.Node {
	return h.Ul(Block(g.Map(texts, func(text string) g.Node { return h.Li(g.Text(text)) })...))
}

// Section is a list of plain texts under a heading; nil for none.
func Section(heading string, texts []string) g.Node {
	return g.If(len(texts) > 0, Lines(h.H2(g.Text(heading)), List(texts)))
}

// Table is a table of rows under the names of its columns.
func Table(columns []string, rows ...g.Node) g.Node {
	return h.Table(Block(Columns(columns...), Lines(rows...)))
}

// headedTable is a table whose columns are named again on each sheet of paper.
func headedTable(columns []string, bodies ...g.Node) g.Node {
	return h.Table(Block(h.THead(Columns(columns...)), Lines(bodies...)))
}

// rows are rows of plain texts, one for each thing.
func rows[T any](things []T, cells func(T) []string) []g.Node {
	return g.Map(things, func(x T) g.Node { return Row(cells(x)...) })
}

// cells are the texts of such rows.
func cells[T any](things []T, of func(T) []string) [][]string {
	out := make([][]string, len(things))
	for i, x := range things {
		out[i] = of(x)
	}
	return out
}
