package ui

import (
	"fmt"
	"net/url"
	"strconv"
	"strings"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"

	"muster/internal/boat"
	"muster/internal/render"
)

// This file holds the small parts that the pages of a boat and of the fleet are made of.
//
// A page is a type with the method show(v *view) g.Node, in the file page_NAME.go; its data come from a function that Server.page
// registers. gomponents escapes text and attributes; g.Raw takes constants only. Text of devices, manufacturers and people
// goes through Printable, After or boat.Printable, and into an address through url.PathEscape or Query. g.If evaluates its arguments:
// a part that reads through a pointer goes into g.Iff. A part that never changes is rendered once, by Fixed. Parts that several pages
// of a boat share are in parts.go.

// Space separates two words.
var Space = g.Text(" ")

// Printable is text that came from outside.
func Printable(s string) g.Node { return g.Text(boat.Printable(s)) }

// After is s, made printable, after its introduction; without s it is nothing.
func After(lead, s string) string {
	if s == "" {
		return ""
	}
	return lead + boat.Printable(s)
}

// Either is s, or the other text when s is empty, made printable.
func Either(s, or string) string {
	if s == "" {
		s = or
	}
	return boat.Printable(s)
}

// Slug makes an id of the page of a text: such an id holds no space.
func Slug(id string) string { return strings.Join(strings.Fields(boat.Printable(id)), "-") }

// Query is a value in the query of an address.
func Query(value string) string { return url.QueryEscape(value) }

// State is the symbol and the word of a state or a severity.
func State[T ~string](s T) g.Node {
	return h.Span(h.Class("state "+string(s)), Mark(s), Space, g.Text(render.KeyWords(string(s))))
}

// StateAs is State with other words.
func StateAs[T ~string](s T, words string) g.Node {
	return h.Span(h.Class("state "+string(s)), Mark(s), Space, g.Text(words))
}

// Flag is a warning within a line.
func Flag(words string) g.Node { return h.Span(h.Class("flag"), Mark("warning"), Space, g.Text(words)) }

// Problem is a line about an error; without words it is nothing.
func Problem(words string, more ...g.Node) g.Node {
	if words == "" {
		return nil
	}
	return h.P(h.Class("notice bad"), g.Group(more), Mark("critical"), Space, g.Text(words))
}

// Meta is a line of secondary text.
func Meta(words ...g.Node) g.Node { return h.P(h.Class("meta"), g.Group(words)) }

// Empty replaces a list without entries.
func Empty(words string) g.Node { return h.P(h.Class("empty"), g.Text(words)) }

// Small is secondary text within a line; without words it is nothing.
func Small(words string) g.Node {
	if words == "" {
		return nil
	}
	return g.Group{Space, h.Small(g.Text(words))}
}

// Unseen is read out by screen readers and not shown.
func Unseen(words string) g.Node { return h.Span(h.Class("hidden"), g.Text(words)) }

// Section is a part of the page with a heading, which has the id.
func Section(id, title string, body ...g.Node) g.Node {
	return h.Section(h.Aria("labelledby", id), h.H2(h.ID(id), g.Text(title)), g.Group(body))
}

// More is a part that is folded away, unless it is open.
func More(id string, open bool, summary g.Node, body ...g.Node) g.Node {
	return h.Details(h.Class("more"), h.ID(id), g.If(open, g.Attr("open")), h.Summary(summary), g.Group(body))
}

// Row is a line of a sheet: a name and its value.
func Row(name string, value ...g.Node) g.Node {
	return h.Li(h.Span(g.Text(name)), Space, h.Span(g.Group(value)))
}

// TextRow is a line of a sheet with text that came from outside; without text it is nothing.
func TextRow(name, text string) g.Node {
	if text == "" {
		return nil
	}
	return Row(name, Printable(text))
}

// NumberRow is a line of a sheet with a number; without one it is nothing.
func NumberRow[T ~uint8 | ~uint16](name string, n *T, unit string) g.Node {
	if n == nil {
		return nil
	}
	return Row(name, Number(*n), g.Text(unit))
}

// Number is a whole number.
func Number[T ~int | ~uint8 | ~uint16 | ~uint32 | ~uint64](n T) g.Node { return g.Text(fmt.Sprint(n)) }

// Plain is a list of lines.
func Plain(items ...g.Node) g.Node { return h.Ul(h.Class("plain"), g.Group(items)) }

// Lines lists texts that came from outside.
func Lines(texts []string) g.Node {
	return Plain(g.Map(texts, func(s string) g.Node { return h.Li(Printable(s)) }))
}

// Joined writes things in a row, with a separator between them.
func Joined[T any](list []T, between string, f func(T) g.Node) g.Node {
	var nodes g.Group
	for i, x := range list {
		if i > 0 {
			nodes = append(nodes, g.Text(between))
		}
		nodes = append(nodes, f(x))
	}
	return nodes
}

// OrElse is a list, or its replacement when it is empty.
func OrElse(list g.Group, none g.Node) g.Node {
	if len(list) == 0 {
		return none
	}
	return list
}

// Field is one line to type into, with its label; more are the attributes of the input.
func Field(label, name string, more ...g.Node) g.Node {
	return h.Label(g.Text(label+" "), h.Input(h.Name(name), g.Group(more)))
}

// ValueField is a Field that may hold text of up to most letters, and holds value.
func ValueField(label, name string, most int, value string, more ...g.Node) g.Node {
	return Field(label, name, MaxLength(most), h.Value(value), g.Group(more))
}

// MaxLength bounds what may be typed.
func MaxLength(most int) g.Node { return h.MaxLength(strconv.Itoa(most)) }

// Choice is a list to choose from, with its label.
func Choice(label, name string, options ...g.Node) g.Node {
	return h.Label(g.Text(label+" "), h.Select(h.Name(name), g.Group(options)))
}

// Option is an entry of a Choice; its value is its text when value is empty.
func Option(value, text string, chosen bool) g.Node {
	return h.Option(g.If(value != "", h.Value(value)), g.If(chosen, selected), g.Text(text))
}

var selected = h.Selected()

// AnyOption is the entry for no choice.
func AnyOption(text string) g.Node { return h.Option(h.Value(""), g.Text(text)) }

// TextOptions are texts to choose from, of which one may be chosen now.
func TextOptions(texts []string, now string) g.Node {
	return g.Map(texts, func(s string) g.Node { return Option("", s, s == now) })
}

// Tick is a box to tick, with its label; more are the attributes of the input.
func Tick(label, name string, ticked bool, more ...g.Node) g.Node {
	return h.Label(h.Class("tick"), h.Input(h.Type("checkbox"), h.Name(name), g.Group(more), g.If(ticked, h.Checked())), g.Text(" "+label))
}

// Hidden is a value that a form sends along.
func Hidden(name, value string) g.Node {
	return h.Input(h.Type("hidden"), h.Name(name), h.Value(value))
}

// Post is a form that changes something.
func Post(action string, body ...g.Node) g.Node {
	return h.Form(h.Method("post"), h.Action(action), g.Group(body))
}

// Button sends its form.
func Button(words string, more ...g.Node) g.Node { return h.Button(g.Group(more), g.Text(words)) }

// DeviceLink links to the page of a device or talker.
func DeviceLink(id string, words ...g.Node) g.Node {
	return h.A(h.Href("/devices/"+url.PathEscape(id)), g.Group(words))
}
