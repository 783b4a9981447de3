package input

import (
	"context"
	"fmt"

	"github.com/goccy/go-yaml/token"
)

// Bounds of a YAML file. The parser takes about 850 bytes for a token, up to 80 bytes for a byte of text, memory in proportion to
// the square of the keys of one mapping, and keeps for each value the path to it: together they hold it below 64 MB.
const (
	MaxYAML = 512 << 10 // bytes

	maxTokens    = 30_000    // keys, values and signs such as - : [ ] { }
	maxDepth     = 32        // levels of nesting
	maxKey       = 256       // bytes of a key
	maxDocuments = 100       // parts that begin with ---
	maxAnchors   = 100       // anchors (&) and aliases (*) together
	maxSiblings  = 2_500_000 // sum over all mappings of half the square of its keys: 2,200 keys in one
	maxPaths     = 8 << 20   // bytes of the paths to all values
	maxAngles    = 64        // < in a row, each of which makes the scanner read all that follow
	maxBlanks    = 4 << 20   // lines without text in a row times the bytes of the file: each makes the scanner copy
)

// plainBounds checks what makes the scanner of the YAML library slower than in proportion to the text.
func plainBounds(ctx context.Context, name string, data []byte) error {
	blanks, angles, line := 0, 0, 1
	empty := true
	for i, c := range data {
		if i%(1<<16) == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		if c == '<' {
			angles++
		} else {
			angles = 0
		}
		switch c {
		case '\n', '\r':
			if empty {
				blanks++
			}
			empty = true
			if c == '\n' {
				line++
			}
		case ' ', '\t':
		default:
			empty, blanks = false, 0
		}
		if angles > maxAngles {
			return &Mistake{File: name, Line: line, Column: 1, Text: fmt.Sprintf("more than %d < in a row: remove them", maxAngles)}
		}
		if blanks > 8 && blanks*len(data) > maxBlanks {
			return &Mistake{File: name, Line: line, Column: 1, Text: fmt.Sprintf("%d empty lines in a row: remove them", blanks)}
		}
	}
	return nil
}

// level is one level of nesting.
type level struct {
	kind   byte // '{' in brackets, '-' a list in lines, ':' keys in lines
	column int
	keys   int // so far
	path   int // bytes of its part of the path
}

// tokenBounds checks the very tokens that the parser gets, in one pass.
type tokenBounds struct {
	levels                                       []level
	path                                         int // bytes of the path to where it is
	paths, siblings, documents, anchors, markers int
	start                                        *token.Token // first token of a line, or behind a dash: the column of what begins
	prev                                         *token.Token
}

// check is the first bound that is crossed, and the token that does so.
func (b *tokenBounds) check(ctx context.Context, tokens token.Tokens) (*token.Token, error) {
	if len(tokens) > maxTokens {
		return tokens[maxTokens], fmt.Errorf("more than %d keys, values and signs: split the file", maxTokens)
	}
	for i, t := range tokens {
		if i%1024 == 0 && ctx.Err() != nil {
			return nil, ctx.Err()
		}
		if t.Type == token.CommentType {
			continue
		}
		if b.prev == nil || t.Position.Line != b.prev.Position.Line || b.prev.Type == token.SequenceEntryType ||
			b.prev.Type == token.MappingKeyType {
			b.start = t
		}
		if err := b.token(t); err != nil {
			return t, err
		}
		b.prev = t
		b.paths += b.path
		switch {
		case len(b.levels) > maxDepth:
			return t, fmt.Errorf("nested deeper than %d levels", maxDepth)
		case b.siblings > maxSiblings:
			return t, fmt.Errorf("too many keys in one place: at most 2200")
		case b.paths > maxPaths:
			return t, fmt.Errorf("too many values below long keys: shorten the keys, or split the file")
		case b.documents > maxDocuments:
			return t, fmt.Errorf("more than %d parts that begin with ---", maxDocuments)
		case b.anchors > maxAnchors:
			return t, fmt.Errorf("more than %d anchors (&) and aliases (*): write the values themselves", maxAnchors)
		case b.markers > maxDepth:
			return t, fmt.Errorf("more than %d tags (!) and signs in a row", maxDepth)
		}
	}
	return nil, nil
}

func (b *tokenBounds) token(t *token.Token) error {
	b.markers++
	switch t.Type {
	case token.MappingStartType, token.SequenceStartType:
		b.push(level{kind: '{', path: 8})
	case token.MappingEndType, token.SequenceEndType:
		for len(b.levels) > 0 && b.pop().kind != '{' {
		}
	case token.MappingValueType:
		return b.key(t)
	case token.SequenceEntryType:
		column := t.Position.Column
		b.leave(column, false)
		if n := len(b.levels); n == 0 || b.levels[n-1].kind != '-' || b.levels[n-1].column != column {
			b.push(level{kind: '-', column: column, path: 8})
		}
	case token.DocumentHeaderType, token.DocumentEndType:
		b.levels, b.path = b.levels[:0], 0
		b.documents++
	case token.AnchorType, token.AliasType:
		b.anchors++
		return nil
	case token.TagType, token.MappingKeyType, token.DirectiveType:
		return nil
	}
	b.markers = 0
	return nil
}

// key takes the colon behind a key.
func (b *tokenBounds) key(colon *token.Token) error {
	if b.prev == nil {
		return nil
	}
	size := len(b.prev.Value)
	if size > maxKey {
		return fmt.Errorf("a key is longer than %d bytes", maxKey)
	}
	size = 2*size + 3
	n := len(b.levels)
	if n == 0 || b.levels[n-1].kind != '{' {
		column := b.prev.Position.Column
		if b.start != nil && b.start.Position.Line == b.prev.Position.Line {
			column = b.start.Position.Column // of its anchor or tag
		}
		b.leave(column, true)
		if n = len(b.levels); n == 0 || b.levels[n-1].kind != ':' || b.levels[n-1].column != column {
			b.push(level{kind: ':', column: column})
		}
	}
	top := &b.levels[len(b.levels)-1]
	b.path += size - top.path
	top.path = size
	top.keys++
	b.siblings += top.keys
	return nil
}

// leave leaves the levels that end where something begins in this column: a key ends the list that is in its own
// column.
func (b *tokenBounds) leave(column int, key bool) {
	for n := len(b.levels); n > 0; n = len(b.levels) {
		top := b.levels[n-1]
		if top.kind == '{' || top.column < column || top.column == column && (top.kind == ':' || !key) {
			return
		}
		b.pop()
	}
}

func (b *tokenBounds) push(l level) {
	b.levels = append(b.levels, l)
	b.path += l.path
}

func (b *tokenBounds) pop() level {
	l := b.levels[len(b.levels)-1]
	b.levels = b.levels[:len(b.levels)-1]
	b.path -= l.path
	return l
}
