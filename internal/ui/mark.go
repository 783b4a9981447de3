package ui

import (
	"fmt"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"
)

// shapes are the symbols beside words: each state has a shape of its own, so that no state depends on colour alone.
var shapes = map[string]g.Node{
	"present":     g.Group{disc("7"), cut("m4.6 8.3 2.3 2.4 4.5-5")},
	"silent":      g.Group{ring(), solid("M8 1.8a6.2 6.2 0 0 1 0 12.4z")},
	"gone":        g.Group{ring(), stroke("m5.4 5.4 5.2 5.2m0-5.2-5.2 5.2")},
	"no-address":  g.Group{stroke("M8 1.8 15 14H1z"), stroke("M8 6v4m0 1.4v1.2")},
	"provisional": g.Group{stroke("m8 1.2 6.8 6.8L8 14.8 1.2 8z"), stroke("M6.2 6.4C6.4 4.4 9.8 4.6 9.6 6.6 9.5 7.8 8 7.8 8 9.2m0 1v1.4")},
	"critical":    g.Group{solid("M5.1 1h5.8L15 5.1v5.8L10.9 15H5.100L1 10.900V5.100z"), cut("M8 4v5m0 1.600v1.6")},
	"warning":     g.Group{solid("M8 1.2 15.4 14.600H.600z"), cut("M8 6v4.200m0 1.200v1.5")},
	"info":        g.Group{Drawn("rect", "x", "1.8", "y", "1.8", "width", "12.4", "height", "12.4"), stroke("M8 7v5M8 4v1.6")},
	"waiting":     Drawn("circle", "cx", "8", "cy", "8", "r", "6.2", "stroke-dasharray", "2.5 2"),
	"left":        g.Group{ring(), stroke("M8 11.500v-7m-3 3 3-3 3 3")},
	"back":        g.Group{ring(), stroke("M8 4.500v7m-3-3 3 3 3-3")},
	"identified":  g.Group{ring(), disc("2.6")},
	"none":        stroke("M2 8h12"),
	"two":         stroke("M2 4h5l3 4h4M2 12h5l3-4"),
}

// NoValue is the state of a source that sends messages without data, such as a receiver without a fix.
const NoValue = "without data"

// alike are states that share the shape of another.
var alike = map[string]string{"verified": "present", "failed": "gone", "disputed": "two", "awaiting-reentry": "identified", "passed": "present", "unknown": "provisional", "one": "present", "well": "present",
	"quiet": "waiting", "stopped": "silent", NoValue: "silent", "covered": "present", "missing": "gone", "several": "two", "slow": "silent", "elsewhere": "back"}

// Mark draws the symbol of a state. The word is always beside it.
func Mark(state any) g.Node {
	name := fmt.Sprint(state)
	if other, ok := alike[name]; ok {
		name = other
	}
	return marks[name]
}

// marks are the rendered shapes: a page may hold hundreds.
var marks = func() map[string]g.Node {
	m := map[string]g.Node{}
	for name, shape := range shapes {
		m[name] = Fixed(h.SVG(h.Class("mark"), g.Attr("viewBox", "0 0 16 16"), h.Aria("hidden", "true"), shape))
	}
	return m
}()

// Drawn is an element of a drawing; its attributes come as names with their values.
func Drawn(name string, attributes ...string) g.Node { return g.El(name, Drawing(attributes...)) }

// Drawing is the attributes of an element of a drawing, as names with their values.
func Drawing(attributes ...string) g.Node {
	var list g.Group
	for i := 0; i+1 < len(attributes); i += 2 {
		list = append(list, g.Attr(attributes[i], attributes[i+1]))
	}
	return list
}

func ring() g.Node { return Drawn("circle", "cx", "8", "cy", "8", "r", "6.2") }
func disc(r string) g.Node {
	return Drawn("circle", "cx", "8", "cy", "8", "r", r, "fill", "currentColor")
}
func stroke(d string) g.Node { return Drawn("path", "d", d) }
func solid(d string) g.Node  { return Drawn("path", "d", d, "fill", "currentColor") }
func cut(d string) g.Node    { return Drawn("path", "class", "cut", "d", d) }
