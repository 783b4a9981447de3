package input

import (
	"context"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/lexer"
	"github.com/goccy/go-yaml/parser"
	"github.com/goccy/go-yaml/token"
)

// Document is one document of a YAML file. It can report where a key is.
type Document struct {
	Warnings []*Mistake // old keys that Rename found

	file string
	body ast.Node // nil for an empty one
}

// YAML reads the one document of a file into v, over what v already holds. A key that v does not have, a duplicate
// key and a second document are mistakes. A key without a value leaves what v holds, as if everything below it were
// commented out. The document is not nil when the text is YAML, even when v could not take it. Old keys are renamed
// first; see Rename.
func YAML(ctx context.Context, name string, data []byte, v any, old ...OldKey) (*Document, error) {
	docs, err := Documents(ctx, name, data)
	if err != nil {
		return nil, err
	}
	d := docs[0]
	if len(docs) > 1 && docs[1].body != nil {
		return d, docs[1].on(docs[1].body, "", "a second document starts here: keep one in the file")
	}
	dropEmpty(d.body)
	if err := d.Rename(old...); err != nil {
		return d, err
	}
	return d, d.Decode(v)
}

// Documents reads all documents of a file; there is at least one. Decode then takes their values.
func Documents(ctx context.Context, name string, data []byte) (docs []*Document, err error) {
	d := &Document{file: name}
	if err := fits(name, data, MaxYAML); err != nil {
		return nil, err
	}
	if err := plainBounds(ctx, name, data); err != nil {
		return nil, err
	}
	defer func() { // the YAML library is not ours: what it trips over is a mistake of the file
		if recover() != nil {
			docs, err = nil, &Mistake{File: name, Text: "it is not correct YAML"}
		}
	}()
	tokens := lexer.Tokenize(string(data))
	if t, err := new(tokenBounds).check(ctx, tokens); err != nil {
		if t == nil {
			return nil, err
		}
		return nil, &Mistake{File: name, Line: t.Position.Line, Column: t.Position.Column, Text: err.Error()}
	}
	f, err := parser.Parse(tokens, 0)
	if err != nil {
		return nil, d.mistake(err)
	}
	for _, doc := range f.Docs {
		d := &Document{file: name}
		switch body := doc.Body.(type) {
		case nil, *ast.NullNode, *ast.CommentGroupNode:
		default:
			d.body = body
			w := walker{doc: d, anchors: map[string]int{}}
			if _, err := w.values(body); err != nil {
				return nil, err
			}
		}
		docs = append(docs, d)
	}
	if len(docs) == 0 {
		docs = append(docs, d)
	}
	return docs, nil
}

// Empty reports whether the document has no content.
func (d *Document) Empty() bool { return d.body == nil }

// Decode takes the values of the document into v. An empty document leaves v as it is.
func (d *Document) Decode(v any) (err error) {
	if d.body == nil {
		return nil
	}
	defer func() { // the library panics on a tag without a value
		if recover() != nil {
			err = &Mistake{File: d.file, Text: "a tag (!) without a value: remove it"}
		}
	}()
	if err := yaml.NodeToValue(d.body, v, yaml.Strict()); err != nil {
		return d.mistake(err)
	}
	return nil
}

// EncodeYAML writes a value as YAML.
func EncodeYAML(v any) ([]byte, error) { return yaml.MarshalWithOptions(v, yaml.IndentSequence(true)) }

// walker counts the values of a document, those that aliases repeat as often as they are repeated.
type walker struct {
	doc     *Document
	anchors map[string]int
}

func (w *walker) values(n ast.Node) (int, error) {
	sum := 1
	add := func(n ast.Node) error {
		k, err := w.values(n)
		if sum += k; err == nil && sum > maxTokens {
			err = w.doc.on(n, "", fmt.Sprintf("aliases (*) make more than %d values of it: write fewer", maxTokens))
		}
		return err
	}
	switch n := n.(type) {
	case *ast.MappingNode:
		whole := map[string]bool{} // keys that are written as numbers
		for _, v := range n.Values {
			if k, ok := v.Key.(*ast.IntegerNode); ok {
				text := fmt.Sprint(k.Value)
				if whole[text] {
					return 0, w.doc.on(k, "", "key "+Quote(k.GetToken().Value)+" is there twice: remove one")
				}
				whole[text] = true
			}
			if err := add(v); err != nil {
				return 0, err
			}
		}
	case *ast.MappingValueNode:
		if err := add(n.Key); err != nil {
			return 0, err
		}
		err := add(n.Value)
		return sum, err
	case *ast.MappingKeyNode:
		err := add(n.Value)
		return sum, err
	case *ast.SequenceNode:
		for _, v := range n.Values {
			if err := add(v); err != nil {
				return 0, err
			}
		}
	case *ast.TagNode:
		err := add(n.Value)
		return sum, err
	case *ast.AnchorNode:
		err := add(n.Value)
		w.anchors[n.Name.GetToken().Value] = sum
		return sum, err
	case *ast.AliasNode:
		name := n.Value.GetToken().Value
		k, ok := w.anchors[name]
		if !ok {
			return 0, w.doc.on(n, "", "alias "+Quote("*"+name)+" has no anchor before it")
		}
		sum += k
	}
	return sum, nil
}

// dropEmpty takes out the keys without a value.
func dropEmpty(n ast.Node) {
	switch n := n.(type) {
	case *ast.MappingNode:
		n.Values = slices.DeleteFunc(n.Values, func(v *ast.MappingValueNode) bool {
			_, empty := v.Value.(*ast.NullNode)
			return empty
		})
		for _, v := range n.Values {
			dropEmpty(v.Value)
		}
	case *ast.SequenceNode:
		for _, v := range n.Values {
			dropEmpty(v)
		}
	}
}

// Mistake is a mistake at a key, such as sources.0.id or tees[0].drops[1]; at what holds it, when the document does not have the key.
func (d *Document) Mistake(key, format string, args ...any) *Mistake {
	return d.on(d.find(key), key, words(format, args))
}

func (d *Document) on(n ast.Node, key, text string) *Mistake {
	m := &Mistake{File: d.file, Key: key, Text: text}
	if n != nil && n.GetToken() != nil && n.GetToken().Position != nil {
		m.Line, m.Column = n.GetToken().Position.Line, n.GetToken().Position.Column
	}
	return m
}

// find goes down a key as far as the document does. It gives the value if that begins on the line of its key, or else the key.
func (d *Document) find(key string) ast.Node {
	node, found := d.body, ast.Node(nil)
	for part := range strings.FieldsFuncSeq(key, func(r rune) bool { return strings.ContainsRune(".[]", r) }) {
		var next ast.Node
		switch n := node.(type) {
		case *ast.MappingNode:
			for _, v := range n.Values {
				if v.Key.GetToken().Value == part {
					found, next = v.Key, v.Value
				}
			}
			if at := first(next); next != nil && at.GetToken().Position.Line == found.GetToken().Position.Line {
				found = at
			}
		case *ast.SequenceNode:
			if i, err := strconv.Atoi(part); err == nil && i >= 0 && i < len(n.Values) {
				found, next = first(n.Values[i]), n.Values[i]
			}
		}
		if next == nil {
			break
		}
		node = next
	}
	return found
}

// first is the node whose token opens n: the own token of a mapping in lines is the colon behind its first key.
func first(n ast.Node) ast.Node {
	if m, ok := n.(*ast.MappingNode); ok && !m.IsFlowStyle && len(m.Values) > 0 {
		return m.Values[0].Key
	}
	return n
}

// Text is a scalar as it is written, so that 4.50 stays 4.50, with its place. It has its place even when it is no scalar.
type Text struct {
	Value        string
	Line, Column int // 0 when the file does not have it
}

// UnmarshalYAML takes any scalar by the characters it is written with.
func (t *Text) UnmarshalYAML(n ast.Node) error {
	if a, ok := n.(*ast.AnchorNode); ok {
		n = a.Value
	}
	tok := first(n).GetToken()
	*t = Text{Line: tok.Position.Line, Column: tok.Position.Column}
	switch n := n.(type) {
	case *ast.StringNode:
		t.Value = strings.TrimSpace(n.Value)
	case *ast.LiteralNode:
		t.Value = strings.TrimSpace(n.Value.Value)
	case *ast.IntegerNode, *ast.FloatNode, *ast.BoolNode:
		t.Value = strings.TrimSpace(tok.Value)
	default:
		return t.Mistake("expected a text or number")
	}
	return nil
}

// Mistake is a mistake at the text. Whoever decodes the document adds the file.
func (t *Text) Mistake(format string, args ...any) *Mistake {
	return &Mistake{Line: t.Line, Column: t.Column, Text: words(format, args)}
}

// mistake puts what the library or an UnmarshalYAML reports into one line with its place.
func (d *Document) mistake(err error) *Mistake {
	if m, ok := errors.AsType[*Mistake](err); ok {
		m.File = d.file
		return m
	}
	m := &Mistake{File: d.file}
	ye, ok := errors.AsType[yaml.Error](err)
	if !ok {
		return d.unplaced(err)
	}
	if t := ye.GetToken(); t != nil && t.Position != nil {
		m.Line, m.Column = t.Position.Line, t.Position.Column
	}
	m.Text = strings.ReplaceAll(Shorten(plain(ye)), "\n", " ")
	return m
}

// unplaced is about an error that comes without a place: that of a time is looked for by the text that it repeats.
func (d *Document) unplaced(err error) *Mistake {
	text := err.Error()
	quoted, isTime := strings.CutPrefix(text, "time: invalid duration ")
	if !isTime {
		quoted, isTime = strings.CutPrefix(text, "time: missing unit in duration ")
	}
	word, unquote := strconv.Unquote(quoted)
	if !isTime || unquote != nil {
		return &Mistake{File: d.file, Text: strings.ReplaceAll(Shorten(text), "\n", " ")}
	}
	var at ast.Node
	ast.Walk(visitor(func(n ast.Node) bool {
		if s, ok := n.(ast.ScalarNode); ok && at == nil && s.GetToken().Value == word {
			at = n
		}
		return at == nil
	}), d.body)
	return d.on(at, "", Quote(word)+" is not a time: write 10s, 5m or 2h")
}

type visitor func(ast.Node) bool

// Visit implements ast.Visitor.
func (v visitor) Visit(n ast.Node) ast.Visitor {
	if v(n) {
		return v
	}
	return nil
}

func plain(err yaml.Error) string {
	message := err.GetMessage()
	switch e := err.(type) {
	case *yaml.TypeError:
		return expected(e.DstType, keyOf(e.Token))
	case *yaml.OverflowError:
		return Shorten(e.SrcNum) + " is out of range"
	case *yaml.UnexpectedNodeTypeError:
		if e.Expected.YAMLName() == "sequence" {
			return expected(reflect.TypeFor[[]any](), "")
		}
		return expected(reflect.TypeFor[map[string]any](), "")
	case *yaml.UnknownFieldError:
		if name, err := strconv.Unquote(strings.TrimPrefix(message, "unknown field ")); err == nil {
			return "unknown key " + Quote(name)
		}
	}
	if before, _, ok := strings.Cut(message, " already defined at "); ok {
		if name, err := strconv.Unquote(strings.TrimPrefix(before, "mapping key ")); err == nil {
			return "key " + Quote(name) + " is there twice: remove one"
		}
	}
	for _, known := range []struct{ reader, words string }{
		{`found character '\t'`, "a tab is here: indent with spaces"},
		{"could not find flow mapping end token", "the { that begins here has no } at its end"},
		{"sequence end token ']' not found", "the [ that begins here has no ] at its end"},
		{"could not find end character of double-quoted", `the text that begins here has no " at its end`},
		{"could not find end character of single-quoted", "the text that begins here has no ' at its end"},
	} {
		if strings.HasPrefix(strings.ReplaceAll(message, "\t", `\t`), known.reader) {
			return known.words
		}
	}
	return message
}

// keyOf is the key before a value on its line; empty when there is none.
func keyOf(value *token.Token) string {
	if value == nil || value.Prev == nil || value.Prev.Type != token.MappingValueType || value.Prev.Prev == nil {
		return ""
	}
	if key := value.Prev.Prev; len(key.Value) <= maxQuote && key.Position.Line == value.Position.Line {
		return key.Value
	}
	return ""
}

// expected describes what a type takes, with an example for the key if there is one.
func expected(t reflect.Type, key string) string {
	what, example := "keys with values", ""
	if t == reflect.TypeFor[time.Duration]() {
		return "expected a time such as 30s, 5m or 2h"
	}
	switch t.Kind() {
	case reflect.Pointer:
		return expected(t.Elem(), key)
	case reflect.Slice, reflect.Array:
		what = "a list"
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64,
		reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		what, example = "a whole number", "15"
	case reflect.Float32, reflect.Float64:
		what, example = "a number", "1.5"
	case reflect.Bool:
		what, example = "true or false", "true"
	case reflect.String:
		what = "a text"
	}
	if key == "" || example == "" {
		return "expected " + what
	}
	return "expected " + what + ". Example: " + key + ": " + example
}
