package ui

import (
	"bytes"
	"encoding/json"
	"fmt"
	"maps"
	"net/http"
	"net/url"
	"slices"
	"strings"

	g "maragu.dev/gomponents"
	h "maragu.dev/gomponents/html"
)

// ReferencePath is where a server shows the reference of its API. The types of its problems are places of that page.
const ReferencePath = "/api/"

// ProblemType identifies the problems of a status (RFC 9457, 3.1.1): the place of the reference that explains it.
func ProblemType(status int) string { return fmt.Sprintf("%s#problem-%d", ReferencePath, status) }

// problems are the statuses with which an operation may refuse: what each means, and the way out.
var problems = []struct {
	status int
	what   string
}{
	{400, "The request cannot be read. Compare it with the example of the operation."},
	{401, "No valid token came with the request. Send the token as bearer token, or as password with any user name."},
	{403, "The token may only read, or a page of another site sent the request. Without a token, only users of this computer may act. Send the token that may act."},
	{404, "The path, or what it names, does not exist. List the ids with the operation that lists them."},
	{405, "The path exists, the method does not. The header Allow lists the methods."},
	{409, "The request contradicts the present state, such as a second open job. Read the detail, change the state, and send it again."},
	{413, "The body is larger than the operation accepts. Send a smaller one."},
	{415, "The body has a content type that the operation does not accept. Send the type of the example."},
	{421, "The server does not answer to this host name. Use its address, or localhost."},
	{422, "The request is readable, but a value is not allowed. Each entry of errors has a message and the location of the value."},
	{429, "Too many wrong tokens or requests came from this address. Wait as many seconds as the header Retry-After gives."},
	{500, "The server failed. Look at its log."},
	{501, "This server only shows a boat: nothing can be changed here."},
	{503, "The server has too many requests, or its storage is full. Read the detail, wait a second, and send the request again."},
}

// description is what the reference shows of an OpenAPI document.
type description struct {
	Info struct {
		Title       string
		Description string
	}
	Paths      map[string]map[string]described
	Components struct{ Schemas map[string]schema }
}

// described is one operation.
type described struct {
	OperationID string
	Summary     string
	Description string
	Tags        []string
	Parameters  []parameter
	RequestBody *struct {
		Content map[string]struct {
			Schema  schema
			Example json.RawMessage
		}
	}
	Responses map[string]struct {
		Description string
		Content     map[string]struct{ Schema schema }
	}
	method, path string
}

type parameter struct {
	Name, In, Description string
	Required              bool
	Schema                schema
	Example               any
}

type schema struct {
	Ref         string `json:"$ref"`
	Type        any
	Format      string
	Description string
	Enum        []any
	Default     any
	Items       *schema
	Properties  map[string]schema
	Required    []string
}

// Reference is the page that shows an OpenAPI document as its server serves it: each operation with a form that sends it and with a command that
// does the same. base is the address of the server, such as https://192.0.2.7:8632.
func Reference(document []byte, base string) (g.Node, error) {
	var d description
	if err := json.Unmarshal(document, &d); err != nil {
		return nil, fmt.Errorf("reference of the API: %w", err)
	}
	groups := map[string][]described{}
	for path, methods := range d.Paths {
		for method, o := range methods {
			o.method, o.path = strings.ToUpper(method), path
			tag := strings.Join(o.Tags, ", ")
			groups[tag] = append(groups[tag], o)
		}
	}
	return h.Doctype(h.HTML(h.Lang("en"),
		Head("API · "+d.Info.Title, h.Script(h.Src("/static/reference.js"), h.Defer())),
		h.Body(Skip,
			h.Header(h.Class("top"), h.P(h.Class("boat"), h.A(h.Href("/"), g.Text(d.Info.Title))),
				h.Nav(h.Aria("label", "Pages"), h.Ul(MenuEntry("api", ReferencePath, "API", "api")))),
			Main(
				h.H1(g.Text("API")), h.P(g.Text(d.Info.Description)),
				Meta(g.Text("Open an operation to read about it and to send it. With a token, add "), h.Code(g.Text(`-H "Authorization: Bearer TOKEN"`)),
					g.Text(" to the commands. As a file: "), h.A(h.Href("/api/v1/openapi.json"), g.Text("OpenAPI 3.1")), g.Text(".")),
				g.Map(slices.Sorted(maps.Keys(groups)), func(tag string) g.Node {
					list := groups[tag]
					slices.SortFunc(list, func(a, b described) int { return strings.Compare(a.path+a.method, b.path+b.method) })
					return Section("tag-"+Slug(tag), strings.ToUpper(tag[:min(1, len(tag))])+tag[min(1, len(tag)):],
						g.Map(list, func(o described) g.Node { return o.node(base) }))
				}),
				problemSection(),
				Section("types", "Types", g.Map(slices.Sorted(maps.Keys(d.Components.Schemas)), func(name string) g.Node {
					s := d.Components.Schemas[name]
					return More("type-"+name, false, h.Code(g.Text(name)), Meta(g.Text(s.Description)), s.fields())
				}))),
			h.Footer(h.Class("foot"), h.P(h.A(h.Href("/"), g.Text("Back to the pages"))))))), nil
}

func problemSection() g.Node {
	return Section("problems", "Problems",
		Meta(g.Text("A refused request is answered with application/problem+json (RFC 9457): type, title, status, detail and, for values, errors. The type is the address of its line here.")),
		h.Ul(h.Class("plain"), g.Map(problems, func(p struct {
			status int
			what   string
		}) g.Node {
			return h.Li(h.ID(fmt.Sprint("problem-", p.status)), h.B(g.Textf("%d %s", p.status, http.StatusText(p.status))), Space, g.Text(p.what))
		})))
}

// node is one operation, folded away: in words, as a form, as a command, and with its answers.
func (o *described) node(base string) g.Node {
	kind, example := o.body()
	return h.Details(h.Class("more operation"), h.ID(o.OperationID),
		h.Summary(h.B(h.Class("method"), g.Text(o.method)), Space, h.Code(g.Text(o.path)), Space, g.Text(o.Summary)),
		g.If(o.Description != "", h.P(g.Text(o.Description))),
		h.Form(h.Class("panel try"), g.If(o.method == http.MethodGet && !strings.Contains(o.path, "{"), g.Group{h.Method("get"), h.Action(o.path)}),
			h.Data("method", o.method), h.Data("path", o.path), g.If(kind != "", h.Data("kind", kind)),
			g.If(len(o.Parameters) > 0, h.Div(h.Class("grid"), g.Map(o.Parameters, parameter.field))),
			o.bodyField(kind, example),
			h.P(Button(o.sending()))),
		h.Pre(h.Class("file curl"), h.TabIndex("0"), h.Role("region"), h.Aria("label", "The same with curl"), h.Data("base", base), g.Text(o.curl(base, kind, example))),
		h.Div(h.Class("answer"), h.Aria("live", "polite")),
		h.H4(g.Text("Answers")),
		h.Ul(h.Class("plain"), g.Map(slices.Sorted(maps.Keys(o.Responses)), o.answer)))
}

func (o *described) sending() string {
	if o.method == http.MethodGet {
		return "Send request"
	}
	return "Send request and change the state"
}

// body is the content type and the example of the body; empty without one.
func (o *described) body() (kind string, example []byte) {
	if o.RequestBody == nil {
		return "", nil
	}
	for kind, content := range o.RequestBody.Content {
		return kind, content.Example
	}
	return "", nil
}

func (o *described) bodyField(kind string, example []byte) g.Node {
	switch {
	case kind == "":
		return nil
	case !strings.HasSuffix(kind, "json"):
		return Field("Body: "+kind, "body", h.Type("file"))
	}
	var type_ g.Node
	for _, content := range o.RequestBody.Content {
		type_ = content.Schema.link()
	}
	return g.Group{h.Label(g.Text("Body "), h.Textarea(h.Name("body"), h.Rows("5"), h.Cols("60"), g.Attr("spellcheck", "false"), g.Text("\n"+indented(example)))),
		Meta(g.Text("Type "), type_)}
}

// indented writes JSON line by line.
func indented(text []byte) string {
	var lines bytes.Buffer
	if json.Indent(&lines, text, "", "  ") != nil {
		return string(text)
	}
	return lines.String()
}

// field is a parameter to type or to choose, filled with its example when it is required.
func (p parameter) field() g.Node {
	value := ""
	if p.Example != nil {
		value = fmt.Sprint(p.Example)
	}
	s := p.Schema
	if s.Items != nil {
		s = *s.Items
	}
	label, in := p.Name, h.Data("in", p.In)
	if p.Required {
		label += " (required)"
	}
	hint := g.If(p.Description != "", h.Small(g.Text(p.Description)))
	if len(s.Enum) > 0 {
		return h.Label(g.Text(label+" "), h.Select(h.Name(p.Name), in, AnyOption(After("default: ", text(s.Default))),
			g.Map(s.Enum, func(v any) g.Node { return Option("", text(v), p.Required && text(v) == value) })), hint)
	}
	return h.Label(g.Text(label+" "), h.Input(h.Name(p.Name), in, g.If(p.Required, g.Group{h.Required(), h.Value(value)}),
		g.If(!p.Required && value != "", h.Placeholder(value))), hint)
}

// text writes a value of a document; nothing is the empty text.
func text(v any) string {
	if v == nil {
		return ""
	}
	return fmt.Sprint(v)
}

// curl is the command that sends the example. The script of the page writes it in the same way for what is typed.
func (o *described) curl(base, kind string, example []byte) string {
	path, query := o.path, url.Values{}
	for _, p := range o.Parameters {
		switch {
		case !p.Required:
		case p.In == "path":
			path = strings.ReplaceAll(path, "{"+p.Name+"}", url.PathEscape(text(p.Example)))
		case p.In == "query":
			query.Set(p.Name, text(p.Example))
		}
	}
	if len(query) > 0 {
		path += "?" + query.Encode()
	}
	words := "curl"
	if o.method != http.MethodGet {
		words += " -X " + o.method
	}
	switch {
	case strings.HasSuffix(kind, "json"):
		words += " -H 'Content-Type: " + kind + "' -d " + shell(string(example))
	case kind != "":
		words += " -H 'Content-Type: " + kind + "' --data-binary @FILE"
	}
	return words + " " + shell(base+path)
}

// shell quotes a word of a command.
func shell(s string) string { return "'" + strings.ReplaceAll(s, "'", `'\''`) + "'" }

// answer is a status with what comes with it.
func (o *described) answer(status string) g.Node {
	r := o.Responses[status]
	if status >= "400" {
		return h.Li(h.A(h.Href("#problem-"+status), g.Text(status)), Space, g.Text(r.Description))
	}
	kinds := g.Map(slices.Sorted(maps.Keys(r.Content)), func(kind string) g.Node {
		return g.Group{Space, h.Code(g.Text(kind)), Space, r.Content[kind].Schema.link()}
	})
	return h.Li(h.B(g.Text(status)), Space, g.Text(r.Description), kinds)
}

// link is the type of a value; one that has a name leads to it.
func (s schema) link() g.Node {
	if name, ok := strings.CutPrefix(s.Ref, "#/components/schemas/"); ok {
		return h.A(h.Href("#type-"+name), g.Text(name))
	}
	if s.Items != nil {
		return g.Group{g.Text("list of "), s.Items.link()}
	}
	words := text(s.Type)
	if list, ok := s.Type.([]any); ok { // and null
		words = text(list[0])
	}
	return g.Text(strings.TrimSpace(words + After(" ", s.Format)))
}

// fields lists the keys of a type.
func (s schema) fields() g.Node {
	return h.Ul(h.Class("plain"), g.Map(slices.Sorted(maps.Keys(s.Properties)), func(key string) g.Node {
		p := s.Properties[key]
		words := p.Description
		if len(p.Enum) > 0 {
			list := make([]string, len(p.Enum))
			for i, v := range p.Enum {
				list[i] = text(v)
			}
			words += " One of " + strings.Join(list, ", ") + "."
		}
		return h.Li(h.Code(g.Text(key)), Space, p.link(), g.If(!slices.Contains(s.Required, key), h.Small(g.Text(" may be absent"))), Space, g.Text(words))
	}))
}
