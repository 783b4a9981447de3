package ui

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"fmt"
	"io"
	"io/fs"
	"net/http"
	"slices"

	"github.com/klauspost/compress/gzhttp"
	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/boat"
	"muster/internal/report"
)

//go:embed static
var staticFiles embed.FS

// Static serves the style, the script and the icon.
func Static() http.Handler {
	sub, err := fs.Sub(staticFiles, "static")
	if err != nil {
		return http.NotFoundHandler()
	}
	files, marks := http.FileServerFS(sub), map[string]string{}
	_ = fs.WalkDir(sub, ".", func(path string, _ fs.DirEntry, _ error) error {
		if text, err := fs.ReadFile(sub, path); err == nil {
			marks[path] = fmt.Sprintf(`W/"%x"`, sha256.Sum256(text))
		}
		return nil
	})
	return Compressed(func(w http.ResponseWriter, r *http.Request) {
		if r.URL.Path == "" { // it would list them
			http.NotFound(w, r)
			return
		}
		w.Header().Set("Cache-Control", "no-cache")
		if mark := marks[r.URL.Path]; mark != "" {
			w.Header().Set("ETag", mark)
		}
		if r.URL.Path == "worker.js" {
			w.Header().Set("Service-Worker-Allowed", "/")
		}
		files.ServeHTTP(w, r)
	})
}

// Compressed serves what a handler writes compressed, to those who take it: a page is a fifth of its size then.
func Compressed(serve http.HandlerFunc) http.Handler { return compress(serve) }

var compress = func() func(http.Handler) http.HandlerFunc {
	wrap, err := gzhttp.NewWrapper(gzhttp.CompressionLevel(gzip.BestSpeed))
	if err != nil {
		panic(err) // the level is a constant
	}
	return wrap
}()

// Head is the head of a page of a boat or of the fleet; more are style sheets besides the usual one.
func Head(title string, more ...g.Node) g.Node {
	return h.Head(charset, viewport, schemes, h.TitleEl(g.Text(title)), stylesheetLinks, g.Group(more), script)
}

// Main is the part of a page between menu and foot. A page that updates itself has the attribute data-live.
func Main(content ...g.Node) g.Node {
	return h.Main(h.ID("content"), h.TabIndex("-1"), connection, g.Group(content))
}

// Skip is the first link of a page: over the menu to the content.
var Skip = Fixed(h.A(h.Class("skip"), h.Href("#content"), g.Text("Skip to the content")))

// Parts of every page.
var (
	charset         = Fixed(h.Meta(h.Charset("utf-8")))
	viewport        = Fixed(h.Meta(h.Name("viewport"), h.Content("width=device-width, initial-scale=1")))
	schemes         = Fixed(h.Meta(h.Name("color-scheme"), h.Content("light dark")))
	stylesheetLinks = Fixed(g.Group{
		h.Link(h.Rel("icon"), h.Href("/static/muster.svg"), h.Type("image/svg+xml")),
		h.Link(h.Rel("stylesheet"), h.Href("/static/muster.css")),
	})
	script     = Fixed(h.Script(h.Src("/static/muster.js"), h.Defer()))
	connection = Fixed(h.P(h.ID("link"), h.Class("notice"), h.Role("status"))) // the script writes there when the connection is lost
)

// MenuEntry is an entry of the menu. It is marked as current on its own page, and on the pages below it.
func MenuEntry(now, address, words, page string, below ...string) g.Node {
	return h.Li(h.A(h.Href(address),
		g.If(now == page, h.Aria("current", "page")),
		g.If(slices.Contains(below, now), h.Aria("current", "true")),
		g.Text(words)))
}

// Fixed is a part that never changes, rendered once for all pages. It holds no text from outside.
func Fixed(n g.Node) g.Node {
	text := bytes.Clone(Rendered(n)) // without the room to grow
	return g.NodeFunc(func(w io.Writer) error {
		_, err := w.Write(text)
		return err
	})
}

// Rendered is a part of a page as HTML.
func Rendered(n g.Node) []byte {
	var page bytes.Buffer
	page.Grow(4096)     // as much as the smallest page takes
	_ = n.Render(&page) // a buffer takes everything
	return page.Bytes()
}

// WritePage answers with a page.
func WritePage(w http.ResponseWriter, status int, page []byte) {
	w.Header().Set("Content-Type", "text/html; charset=utf-8")
	w.Header().Set("Cache-Control", "no-store")
	w.WriteHeader(status)
	_, _ = w.Write(page)
}

// WriteHTML writes the report as one page that needs nothing else, to be kept or printed.
func WriteHTML(w io.Writer, r *report.Report, version string) error {
	style, err := staticFiles.ReadFile("static/muster.css")
	if err != nil {
		return fmt.Errorf("report: %w", err)
	}
	if _, err := w.Write(Rendered(alone(r, version, string(style)))); err != nil {
		return fmt.Errorf("report: %w", err)
	}
	return nil
}

// alone is a report as a file that needs nothing else.
func alone(r *report.Report, version, style string) g.Node {
	title := "device report"
	if name := r.Boat.Name; name != "" {
		title = boat.Printable(name) + ": " + title
	}
	return h.Doctype(h.HTML(h.Lang("en"),
		h.Head(
			charset,
			h.Meta(g.Attr("http-equiv", "Content-Security-Policy"), h.Content("default-src 'none'; style-src 'unsafe-inline'")),
			viewport,
			h.TitleEl(g.Text(title)),
			h.StyleEl(g.Raw(style))),
		h.Body(
			h.Main(ReportNode(r)),
			h.Footer(h.Class("foot"), h.P(g.Text("muster "+version))))))
}
