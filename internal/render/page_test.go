package render

import (
	"bytes"
	"strings"
	"testing"

	"golang.org/x/net/html"
	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"
	"pgregory.net/rapid"
)

func page(text string) g.Node {
	return Page(text, "p { margin: 0 }\n", h.P(g.Attr("title", text), g.Text(text)), Facts([2]string{text, text}), List([]string{text}),
		Table([]string{text}, Row(text, text)), h.Img(h.Src("data:image/png;base64,"), h.Alt(text)))
}

func write(t interface{ Fatal(...any) }, n g.Node) string {
	var b bytes.Buffer
	if err := WritePage(&b, n); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

// shape is a page's elements and names of attributes, as the independent parser of the Go project reads them.
func shape(t interface{ Fatal(...any) }, text string) string {
	doc, err := html.Parse(strings.NewReader(text))
	if err != nil {
		t.Fatal(err)
	}
	var b strings.Builder
	for n := range doc.Descendants() {
		if n.Type == html.TextNode {
			continue
		}
		b.WriteString(n.Data)
		for _, a := range n.Attr {
			b.WriteString(" " + a.Key)
		}
		b.WriteByte('\n')
	}
	return b.String()
}

// TestHostileTexts: no text adds an element or an attribute, or a character that steers what shows the page.
func TestHostileTexts(t *testing.T) {
	want := shape(t, write(t, page("x")))
	texts := rapid.OneOf(rapid.String(), rapid.StringOf(rapid.SampledFrom([]rune("<>\"'&=/;!- \x00\x1b\u202es"))),
		rapid.SampledFrom([]string{`</title><script>alert(1)</script>`, `"><img src=x onerror=alert(1)>`, `' onload='x`, `</style><b>`, "<!--", "&lt;b&gt;"}))
	rapid.Check(t, func(t *rapid.T) {
		text := texts.Draw(t, "text")
		out := write(t, page(text))
		if got := shape(t, out); got != want {
			t.Errorf("%q makes %s, want %s", text, got, want)
		}
		if strings.ContainsAny(out, "\x00\x1b\u202e\r") {
			t.Errorf("%q: the page holds a control character", text)
		}
	})
}

func TestPage(t *testing.T) {
	const want = `<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta http-equiv="Content-Security-Policy" content="default-src &#39;none&#39;; style-src &#39;unsafe-inline&#39;; img-src data:">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>A &amp; B</title>
<style>
p { margin: 0 }
</style>
</head>
<body>
<h1>one</h1>
<p>two</p>
<p>three</p>
</body>
</html>
`
	got := write(t, Page("A & B", "p { margin: 0 }\n", h.H1(g.Text("one")), nil, Lines(), g.Group(nil), Lines(nil, h.P(g.Text("two")), h.P(g.Text("three")))))
	if got != want {
		t.Errorf("got\n%s\nwant\n%s", got, want)
	}
}
