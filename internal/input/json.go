package input

import (
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"reflect"
	"slices"
	"strings"
	"unicode/utf8"
)

// Bounds of JSON. The caller gives the size, because it depends on the kind of file.
const (
	maxJSONDepth  = 64       // levels of nesting
	maxJSONMemory = 16 << 20 // bytes that the values take once they are read, texts not counted
)

// JSON reads the one value of data into v. A duplicate key in an object, a key that a struct has in another case, and
// anything behind the value are mistakes; so is a key that a struct does not have. What a json.RawMessage takes is
// for its own reader to check: only its form and nesting are checked here. v is as it was when the text is refused
// before it is decoded.
func JSON(ctx context.Context, name string, data []byte, v any) error {
	return readJSON(ctx, name, data, v, true, json.Unmarshal)
}

// OpenJSON is JSON for what another version may have written: keys that a struct does not have are left out.
func OpenJSON(ctx context.Context, name string, data []byte, v any) error {
	return readJSON(ctx, name, data, v, false, json.Unmarshal)
}

// Tree reads the one value of data as maps, lists, texts and so on. Numbers are as they are written, each a json.Number.
func Tree(ctx context.Context, name string, data []byte) (v any, err error) {
	err = readJSON(ctx, name, data, &v, true, func(data []byte, v any) error {
		d := json.NewDecoder(bytes.NewReader(data))
		d.UseNumber()
		return d.Decode(v)
	})
	return v, err
}

func readJSON(ctx context.Context, name string, data []byte, v any, strict bool, decode func([]byte, any) error) error {
	s := jsonScanner{ctx: ctx, data: data, text: string(data), strict: strict}
	t := reflect.TypeOf(v)
	err := s.value(t)
	if s.space(); err == nil && s.at < len(data) {
		err = s.fail(s.at, "something follows after the end of the value: remove it")
	}
	if err == nil {
		err = decode(data, v)
	}
	if err == nil {
		return nil
	}
	var syntax *json.SyntaxError
	var kind *json.UnmarshalTypeError
	m, ok := errors.AsType[*Mistake](err)
	switch {
	case ok:
	case errors.As(err, &syntax):
		m = s.fail(int(max(0, syntax.Offset-1)), "%s", Shorten(syntax.Error()))
	case errors.As(err, &kind):
		m = s.fail(int(kind.Offset), "%s", expected(kind.Type, ""))
		m.Key = Shorten(kind.Field)
	case ctx.Err() != nil:
		return err
	default:
		m = &Mistake{Text: strings.ReplaceAll(Shorten(err.Error()), "\n", " ")}
	}
	m.File = name
	return m
}

// jsonScanner goes through JSON once, beside the type that it is for, before the decoder does. What is left to the
// decoder: the form of numbers and escapes, ranges, and what types with a reader of their own require.
type jsonScanner struct {
	ctx    context.Context
	data   []byte
	text   string // data
	at     int
	strict bool
	depth  int
	raw    bool // inside a value that is kept as it is written
	memory uintptr
	steps  int
}

// fail is a mistake at an offset.
func (s *jsonScanner) fail(offset int, format string, args ...any) *Mistake {
	offset = min(max(offset, 0), len(s.data))
	before := s.data[:offset]
	return &Mistake{Line: 1 + bytes.Count(before, []byte{'\n'}), Column: offset - bytes.LastIndexByte(before, '\n'),
		Text: fmt.Sprintf(format, args...)}
}

func (s *jsonScanner) space() {
	for s.at < len(s.data) && (s.data[s.at] == ' ' || s.data[s.at] == '\n' || s.data[s.at] == '\t' ||
		s.data[s.at] == '\r') {
		s.at++
	}
}

// peek is the next character that is no space; 0 at the end.
func (s *jsonScanner) peek() byte {
	if s.space(); s.at < len(s.data) {
		return s.data[s.at]
	}
	return 0
}

// take takes a character or reports that it is missing.
func (s *jsonScanner) take(c byte) error {
	if s.peek() != c || s.at >= len(s.data) {
		return s.unexpected(string(c))
	}
	s.at++
	return nil
}

func (s *jsonScanner) unexpected(want string) error {
	if s.peek(); s.at >= len(s.data) {
		return s.fail(len(s.data), "it ends too early: expected %s", want)
	}
	return s.fail(s.at, "%q is not correct JSON here: expected %s", s.data[s.at], want)
}

// hold adds to what the values take.
func (s *jsonScanner) hold(size uintptr) error {
	if !s.raw {
		s.memory += size
	}
	if s.memory > maxJSONMemory {
		return s.fail(s.at, "too many values: split the file")
	}
	if s.steps++; s.steps%1024 == 0 {
		return s.ctx.Err()
	}
	return nil
}

var (
	rawValue   = reflect.TypeFor[json.RawMessage]()
	jsonReader = reflect.TypeFor[json.Unmarshaler]()
	textReader = reflect.TypeFor[interface{ UnmarshalText([]byte) error }]()
)

// value takes one value for a type; nil takes any.
func (s *jsonScanner) value(t reflect.Type) error {
	start := s.peek()
	if t == rawValue && !s.raw {
		s.raw = true
		defer func() { s.raw = false }()
	}
	for t != nil && t.Kind() == reflect.Pointer && start != 'n' {
		if t = t.Elem(); t.Implements(jsonReader) || reflect.PointerTo(t).Implements(jsonReader) {
			t = nil
		} else if err := s.hold(t.Size()); err != nil {
			return err
		}
	}
	if t != nil && (t.Kind() == reflect.Interface || reflect.PointerTo(t).Implements(jsonReader) ||
		reflect.PointerTo(t).Implements(textReader)) {
		t = nil
	}
	if t == nil {
		size := uintptr(48)
		if start == '{' {
			size = 336 // of a map
		}
		if err := s.hold(size); err != nil {
			return err
		}
	} else if start != 0 && start != 'n' && !takes(t, start) {
		return s.fail(s.at, "%s", expected(t, ""))
	}
	switch {
	case start == '{':
		return s.nested(s.object, t)
	case start == '[':
		return s.nested(s.array, t)
	case start == '"':
		_, err := s.quoted()
		return err
	case start == '-' || start >= '0' && start <= '9':
		for s.at < len(s.data) && strings.IndexByte("+-.eE0123456789", s.data[s.at]) >= 0 {
			s.at++
		}
		return nil
	}
	for _, word := range []string{"true", "false", "null"} {
		if bytes.HasPrefix(s.data[s.at:], []byte(word)) {
			s.at += len(word)
			return nil
		}
	}
	return s.unexpected("a value")
}

// takes reports whether a value that begins so can be one of the type.
func takes(t reflect.Type, start byte) bool {
	switch t.Kind() {
	case reflect.Struct, reflect.Map:
		return start == '{'
	case reflect.Slice:
		return start == '[' || start == '"' && t.Elem().Kind() == reflect.Uint8
	case reflect.Array:
		return start == '['
	case reflect.String:
		return start == '"' || t == reflect.TypeFor[json.Number]()
	case reflect.Bool:
		return start == 't' || start == 'f'
	}
	return start != '{' && start != '[' && start != '"' && start != 't' && start != 'f'
}

func (s *jsonScanner) nested(read func(reflect.Type) error, t reflect.Type) error {
	if s.depth++; s.depth > maxJSONDepth {
		return s.fail(s.at, "nested deeper than %d levels", maxJSONDepth)
	}
	s.at++
	err := read(t)
	s.depth--
	return err
}

func (s *jsonScanner) array(t reflect.Type) error {
	var elem reflect.Type
	if t != nil {
		elem = t.Elem()
	}
	for first := true; s.peek() != ']'; first = false {
		if !first {
			if err := s.take(','); err != nil {
				return err
			}
		}
		if elem != nil {
			if err := s.hold(elem.Size()); err != nil {
				return err
			}
		}
		if err := s.value(elem); err != nil {
			return err
		}
	}
	s.at++
	return nil
}

func (s *jsonScanner) object(t reflect.Type) error {
	var fields map[string]reflect.Type // of a struct
	var elem reflect.Type              // of a map
	switch {
	case t != nil && t.Kind() == reflect.Struct:
		fields = fieldsOf(t)
	case t != nil:
		elem = t.Elem()
	}
	var seen keys
	for first := true; s.peek() != '}'; first = false {
		if !first {
			if err := s.take(','); err != nil {
				return err
			}
		}
		s.peek()
		begin := s.at
		key, err := s.key()
		if err != nil {
			return err
		}
		if !s.raw && !seen.add(key) {
			return s.fail(begin, "key %s is there twice: remove one", Quote(key))
		}
		of := elem
		if fields != nil {
			known := false
			if of, known = fields[key]; !known {
				err = s.unknown(begin, key, fields)
			}
		} else if err = s.hold(uintptr(64 + len(key))); elem != nil && err == nil {
			err = s.hold(elem.Size())
		}
		if err != nil {
			return err
		}
		if err := s.take(':'); err != nil {
			return err
		}
		if err := s.value(of); err != nil {
			return err
		}
	}
	s.at++
	return nil
}

// keys are those of one object so far.
type keys struct {
	few  []string // looked through as long as they are few
	many map[string]bool
}

// add reports whether the key is new.
func (k *keys) add(key string) bool {
	const few = 16
	if k.many == nil {
		if slices.Contains(k.few, key) {
			return false
		}
		if len(k.few) < few {
			k.few = append(k.few, key)
			return true
		}
		k.many = map[string]bool{}
		for _, have := range k.few {
			k.many[have] = true
		}
	}
	if k.many[key] {
		return false
	}
	k.many[key] = true
	return true
}

// unknown is about a key that a struct does not have.
func (s *jsonScanner) unknown(at int, key string, fields map[string]reflect.Type) error {
	for name := range fields {
		if strings.EqualFold(name, key) {
			return s.fail(at, "unknown key %s: write %q", Quote(key), name)
		}
	}
	if s.strict {
		return s.fail(at, "unknown key %s", Quote(key))
	}
	return s.hold(64)
}

// key takes a key and gives its text.
func (s *jsonScanner) key() (string, error) {
	raw, err := s.quoted()
	if err != nil {
		return "", err
	}
	plain := raw[1 : len(raw)-1]
	if !strings.Contains(plain, "\\") && utf8.ValidString(plain) {
		return plain, nil
	}
	begin := s.at - len(raw)
	if err := json.Unmarshal([]byte(raw), &plain); err != nil {
		return "", s.fail(begin, "the key is not correct JSON")
	}
	return plain, nil
}

// quoted takes a text with its quotation marks.
func (s *jsonScanner) quoted() (string, error) {
	if s.at >= len(s.data) || s.data[s.at] != '"' {
		return "", s.unexpected(`"`)
	}
	begin := s.at
	for s.at++; s.at < len(s.data); s.at++ {
		switch c := s.data[s.at]; {
		case c == '\\':
			s.at++
		case c == '"':
			s.at++
			return s.text[begin:s.at], nil
		case c < ' ':
			return "", s.fail(s.at, "a control character in a text: write it as \\u%04x", c)
		}
	}
	return "", s.fail(begin, `the text that begins here has no " at its end`)
}
