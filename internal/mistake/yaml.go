// Package mistake says in plain words what the YAML reader found wrong with a file that a person wrote.
package mistake

import (
	"errors"
	"reflect"
	"strings"
	"time"

	"github.com/goccy/go-yaml"
)

// YAML says what the YAML reader found wrong, in one line, and where: line and column count from 1, and are 0 when it does not tell.
func YAML(err error) (line, column int, words string) {
	ye, ok := errors.AsType[yaml.Error](err)
	if !ok {
		return 0, 0, strings.ReplaceAll(err.Error(), "\n", " ")
	}
	if t := ye.GetToken(); t != nil && t.Position != nil {
		line, column = t.Position.Line, t.Position.Column
	}
	return line, column, strings.ReplaceAll(plain(ye), "\n", " ")
}

func plain(err yaml.Error) string {
	message := err.GetMessage()
	switch e := err.(type) {
	case *yaml.TypeError:
		return must(e.DstType)
	case *yaml.OverflowError:
		return e.SrcNum + " is out of range"
	case *yaml.UnexpectedNodeTypeError:
		if e.Expected.YAMLName() == "sequence" {
			return must(reflect.TypeFor[[]any]())
		}
		return must(reflect.TypeFor[map[string]any]())
	case *yaml.UnknownFieldError:
		return strings.Replace(message, "unknown field", "unknown key", 1)
	}
	if before, _, ok := strings.Cut(message, " already defined at "); ok {
		return strings.TrimPrefix(before, "mapping ") + " stands here a second time"
	}
	for _, known := range []struct{ reader, words string }{
		{`found character '\t'`, "a tab stands here: indent with spaces"},
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

// must says what must stand in the place of something that does not fit a type.
func must(t reflect.Type) string {
	if t == reflect.TypeFor[time.Duration]() {
		return "a time such as 30s, 5m or 2h must stand here"
	}
	switch t.Kind() {
	case reflect.Pointer:
		return must(t.Elem())
	case reflect.Slice, reflect.Array:
		return "a list must stand here"
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64,
		reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		return "a whole number must stand here"
	case reflect.Float32, reflect.Float64:
		return "a number must stand here"
	case reflect.Bool:
		return "true or false must stand here"
	case reflect.String:
		return "a text must stand here"
	}
	return "keys with values must stand here"
}
