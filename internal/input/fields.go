package input

import (
	"reflect"
	"strings"
	"sync"
)

var knownFields sync.Map // reflect.Type → map[string]reflect.Type

// fieldsOf gives the keys that encoding/json reads into a struct, with the type of each; nil for a key whose value may be of any type.
func fieldsOf(t reflect.Type) map[string]reflect.Type {
	if known, ok := knownFields.Load(t); ok {
		return known.(map[string]reflect.Type)
	}
	fields, visited := map[string]reflect.Type{}, map[reflect.Type]bool{}
	for next := []reflect.Type{t}; len(next) > 0; {
		level := next
		next = nil
		of := map[string]reflect.Type{} // keys of an outer struct hide those of one that it embeds
		for _, t := range level {
			if visited[t] {
				continue
			}
			visited[t] = true
			for f := range t.Fields() {
				name, options, _ := strings.Cut(f.Tag.Get("json"), ",")
				inner := f.Type
				if inner.Kind() == reflect.Pointer {
					inner = inner.Elem()
				}
				switch {
				case f.Tag.Get("json") == "-", !f.IsExported() && (!f.Anonymous || inner.Kind() != reflect.Struct):
				case f.Anonymous && name == "" && inner.Kind() == reflect.Struct:
					next = append(next, inner)
				default:
					if name == "" {
						name = f.Name
					}
					of[name] = f.Type
					if strings.Contains(","+options+",", ",string,") {
						of[name] = nil
					}
				}
			}
		}
		for name, t := range of {
			if _, hidden := fields[name]; !hidden {
				fields[name] = t
			}
		}
	}
	knownFields.Store(t, fields)
	return fields
}
