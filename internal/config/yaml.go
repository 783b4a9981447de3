package config

import (
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/goccy/go-yaml"
	"github.com/goccy/go-yaml/ast"
	"github.com/goccy/go-yaml/parser"

	"muster/internal/mistake"
)

// document is a parsed file that can say where a key stands.
type document struct {
	name string
	body ast.Node // nil for an empty file
}

// decodeStrict decodes text over what v already holds. Unknown and repeated keys are mistakes.
func decodeStrict(name string, text []byte, v any) (d *document, err error) {
	defer func() { // the YAML reader is not ours: what it trips over is a mistake of the file
		if p := recover(); p != nil {
			d, err = nil, fmt.Errorf("%s: the YAML cannot be read: %v", name, p)
		}
	}()
	d = &document{name: name}
	f, err := parser.ParseBytes(text, 0)
	if err != nil {
		return nil, d.yamlError(err)
	}
	if len(f.Docs) > 1 && f.Docs[1].Body != nil {
		return nil, d.errorOn(f.Docs[1].Body, "", "a second document starts here: keep one in the file")
	}
	if len(f.Docs) > 0 {
		d.body = f.Docs[0].Body
	}
	dropEmpty(d.body)
	switch d.body.(type) {
	case nil, *ast.NullNode, *ast.CommentGroupNode:
		return d, nil
	}
	if err := toValue(d.body, v); err != nil {
		return nil, d.yamlError(err)
	}
	return d, nil
}

// toValue is the library's decoder, which panics on a tag without a value.
func toValue(n ast.Node, v any) (err error) {
	defer func() {
		if recover() != nil {
			err = errors.New("a tag (!) stands without a value: take it out")
		}
	}()
	return yaml.NodeToValue(n, v, yaml.Strict())
}

// dropEmpty takes out the keys without a value, so that "checks:" with everything below it commented out keeps the defaults.
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

// scalar is the first scalar of the document with this text.
func (d *document) scalar(text string) ast.Node {
	var found ast.Node
	if d.body != nil {
		ast.Walk(visitor(func(n ast.Node) bool {
			if s, ok := n.(ast.ScalarNode); ok && found == nil && s.GetToken().Value == text {
				found = n
			}
			return found == nil
		}), d.body)
	}
	return found
}

type visitor func(ast.Node) bool

func (v visitor) Visit(n ast.Node) ast.Visitor {
	if v(n) {
		return v
	}
	return nil
}

// yamlError turns the library's error, which shows several lines of source, into one line with its place.
func (d *document) yamlError(err error) error {
	e := &Error{File: d.name}
	e.Line, e.Column, e.Message = mistake.YAML(err)
	if strings.HasPrefix(e.Message, "unknown key ") {
		e.Message += ": deploy/muster.yaml lists them all"
	}
	if quoted, ok := strings.CutPrefix(e.Message, "time: invalid duration "); ok {
		if word, err := strconv.Unquote(quoted); err == nil {
			e = d.errorOn(d.scalar(word), "", fmt.Sprintf("%q is no duration: write 10s, 5m or 2h", word))
		}
	}
	return e
}

// errorAt makes an error about a dotted key. A key that the file does not hold is placed at its nearest parent.
func (d *document) errorAt(key, message string) *Error { return d.errorOn(d.find(key), key, message) }

func (d *document) errorOn(n ast.Node, key, message string) *Error {
	e := &Error{File: d.name, Key: key, Message: message}
	if n != nil && n.GetToken() != nil && n.GetToken().Position != nil {
		e.Line, e.Column = n.GetToken().Position.Line, n.GetToken().Position.Column
	}
	return e
}

// find walks down the dotted key as far as the file goes; nil when not even the first part is there.
func (d *document) find(key string) ast.Node {
	node, found := d.body, ast.Node(nil)
	for part := range strings.SplitSeq(key, ".") {
		switch n := node.(type) {
		case *ast.MappingNode:
			node = nil
			for _, v := range n.Values {
				if v.Key.GetToken().Value == part {
					found, node = v.Key, v.Value
				}
			}
		case *ast.MappingValueNode:
			node = nil
			if n.Key.GetToken().Value == part {
				found, node = n.Key, n.Value
			}
		case *ast.SequenceNode:
			node = nil
			if i, err := strconv.Atoi(part); err == nil && i < len(n.Values) {
				found, node = first(n.Values[i]), n.Values[i]
			}
		}
		if node == nil {
			break
		}
	}
	return found
}

// first is the node whose token opens n: a mapping's own token is the colon after its first key.
func first(n ast.Node) ast.Node {
	switch n := n.(type) {
	case *ast.MappingNode:
		if len(n.Values) > 0 {
			return n.Values[0].Key
		}
	case *ast.MappingValueNode:
		return n.Key
	}
	return n
}

// settingErrors places the errors of a Validate below section. Each starts with its key and a colon.
func (d *document) settingErrors(section string, err error) []error {
	if err == nil {
		return nil
	}
	all := []error{err}
	if joined, ok := err.(interface{ Unwrap() []error }); ok {
		all = joined.Unwrap()
	}
	for i, e := range all {
		key, message, ok := strings.Cut(e.Error(), ": ")
		if !ok {
			all[i] = fmt.Errorf("%s: %s: %w", d.name, section, e)
			continue
		}
		all[i] = d.errorAt(section+"."+key, message)
	}
	return all
}
