package input

import (
	"bytes"
	"maps"
	"slices"
	"strings"

	"github.com/goccy/go-yaml/ast"
)

// OldKey is a key that has a new name.
type OldKey struct {
	Path string // of the old key, such as notify.*.severity; * is every value of a list
	New  string // the new name of its last part
}

// Rename gives old keys their new names before Decode, in the order of the table. Each adds a warning with its place. An old key beside
// the new one is a mistake.
func (d *Document) Rename(old ...OldKey) error {
	for _, o := range old {
		path := strings.Split(o.Path, ".")
		last := len(path) - 1
		for _, m := range mappings(d.body, path[:last]) {
			key := keyNode(m, path[last])
			if key == nil {
				continue
			}
			if keyNode(m, o.New) != nil {
				return d.on(key, "", Quote(path[last])+" is the old name of "+Quote(o.New)+": remove it")
			}
			d.Warnings = append(d.Warnings, d.on(key, "", "old key "+Quote(path[last])+": write "+Quote(o.New)+" instead"))
			key.Value, key.Token.Value = o.New, o.New
		}
	}
	return nil
}

// mappings are the mappings at a path below n.
func mappings(n ast.Node, path []string) []*ast.MappingNode {
	if a, ok := n.(*ast.AnchorNode); ok {
		n = a.Value
	}
	var out []*ast.MappingNode
	switch n := n.(type) {
	case *ast.MappingNode:
		if len(path) == 0 {
			return []*ast.MappingNode{n}
		}
		for _, v := range n.Values {
			if v.Key.GetToken().Value == path[0] {
				out = append(out, mappings(v.Value, path[1:])...)
			}
		}
	case *ast.SequenceNode:
		if len(path) > 0 && path[0] == "*" {
			for _, v := range n.Values {
				out = append(out, mappings(v, path[1:])...)
			}
		}
	}
	return out
}

// keyNode is the key of that name; nil when there is none.
func keyNode(m *ast.MappingNode, name string) *ast.StringNode {
	for _, v := range m.Values {
		if key, ok := v.Key.(*ast.StringNode); ok && key.Value == name {
			return key
		}
	}
	return nil
}

// RenameJSON gives the old keys of a JSON text that an earlier version wrote their new names, wherever they are. The text may be of any form.
func RenameJSON(text []byte, renamed map[string]string) []byte {
	for _, old := range slices.Sorted(maps.Keys(renamed)) {
		text = renameKey(text, []byte(`"`+old+`"`), []byte(`"`+renamed[old]+`"`))
	}
	return text
}

// renameKey renames a key, given in its quotation marks. Within a text its second quotation mark would have a backslash before it.
func renameKey(text, old, now []byte) []byte {
	var out []byte
	done := 0
	for at := 0; ; {
		i := bytes.Index(text[at:], old)
		if i < 0 {
			break
		}
		i += at
		at = i + len(old)
		if after := bytes.TrimLeft(text[at:], " \t\r\n"); len(after) > 0 && after[0] == ':' {
			if out == nil {
				out = make([]byte, 0, len(text)+len(text)/4)
			}
			out = append(append(out, text[done:i]...), now...)
			done = at
		}
	}
	if out == nil {
		return text
	}
	return append(out, text[done:]...)
}
