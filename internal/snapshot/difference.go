package snapshot

import (
	"context"
	"maps"
	"slices"
	"strconv"
	"strings"

	"muster/internal/input"
)

// FirstDifference finds the first place where two JSON texts hold different values, as a path such as
// devices[3].product.software; members of an object are gone through by name. The path is empty when the whole
// differs. ok is false when they hold the same values, however they are laid out, or when one of them is no JSON.
func FirstDifference(a, b []byte) (path string, ok bool) {
	x, errX := input.Tree(context.Background(), "", a)
	y, errY := input.Tree(context.Background(), "", b)
	if errX != nil || errY != nil {
		return "", false
	}
	return difference("", x, y)
}

func difference(at string, a, b any) (string, bool) {
	switch x := a.(type) {
	case map[string]any:
		y, same := b.(map[string]any)
		if !same {
			return at, true
		}
		names := slices.AppendSeq(slices.Collect(maps.Keys(x)), maps.Keys(y))
		slices.Sort(names)
		for _, name := range slices.Compact(names) {
			v, inX := x[name]
			w, inY := y[name]
			if !inX || !inY {
				return member(at, name), true
			}
			if path, found := difference(member(at, name), v, w); found {
				return path, true
			}
		}
		return "", false
	case []any:
		y, same := b.([]any)
		if !same {
			return at, true
		}
		for i := range max(len(x), len(y)) {
			here := at + "[" + strconv.Itoa(i) + "]"
			if i >= len(x) || i >= len(y) {
				return here, true
			}
			if path, found := difference(here, x[i], y[i]); found {
				return path, true
			}
		}
		return "", false
	}
	switch b.(type) {
	case map[string]any, []any:
		return at, true
	}
	return at, a != b
}

// member adds a name to a path, quoted when it would not read as one.
func member(at, name string) string {
	if name == "" || strings.ContainsAny(name, ".[]\" \t\n") {
		return at + "[" + strconv.Quote(name) + "]"
	}
	if at == "" {
		return name
	}
	return at + "." + name
}
