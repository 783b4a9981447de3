package ui

import (
	"bytes"
	"slices"
	"strings"
	"time"

	"muster/internal/render"
)

// verbatim are the elements whose text a page shows as it came.
var verbatim = []string{"script", "style", "textarea", "code", "pre", "option", "title"}

// Measured writes the values of a page in the units of measure that its reader chose, and the moments of its texts in the time of the
// boat. What is verbatim stays, and so does an element with translate="no"; one with data-apart holds differences.
func Measured(page []byte, m render.Measures, zone *time.Location) []byte {
	list := m.Conversions()
	if len(list) == 0 && (zone == nil || zone == time.UTC) {
		return page
	}
	out := bytes.NewBuffer(make([]byte, 0, len(page)+len(page)/16))
	kept, apart := within{}, within{}
	for len(page) > 0 {
		tag := bytes.IndexByte(page, '<')
		if tag < 0 {
			tag = len(page)
		}
		if text := page[:tag]; tag > 0 && kept.depth == 0 && bytes.ContainsAny(text, "0123456789") {
			out.WriteString(render.Localise(render.Convert(string(text), list, apart.depth > 0), zone))
		} else {
			out.Write(text)
		}
		page = page[tag:]
		end := bytes.IndexByte(page, '>') + 1 // attributes hold none
		if end == 0 {
			end = len(page)
		}
		kept.pass(page[:end], func(name string, tag []byte) bool {
			return slices.Contains(verbatim, name) || bytes.Contains(tag, []byte(` translate="no"`))
		})
		apart.pass(page[:end], func(_ string, tag []byte) bool { return bytes.Contains(tag, []byte(" data-apart")) })
		out.Write(page[:end])
		page = page[end:]
	}
	return out.Bytes()
}

// within is how deep a place of a page is in an element of a kind, counted by the elements of its name.
type within struct {
	name  string
	depth int
}

// pass goes on over a tag; begins says of which elements it counts.
func (w *within) pass(tag []byte, begins func(name string, tag []byte) bool) {
	if len(tag) < 2 {
		return
	}
	closing := tag[1] == '/'
	name := strings.TrimPrefix(string(tag[1:]), "/")
	if i := strings.IndexAny(name, " \t\n/>"); i >= 0 {
		name = name[:i]
	}
	switch {
	case w.depth > 0 && name == w.name && closing:
		w.depth--
	case w.depth > 0 && name == w.name:
		w.depth++
	case w.depth == 0 && !closing && begins(name, tag):
		w.name, w.depth = name, 1
	}
}
