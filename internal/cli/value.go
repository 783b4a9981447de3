package cli

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strconv"
	"strings"
	"time"

	"github.com/spf13/pflag"
)

// Value is the value of a flag. It implements pflag.Value; its type is what stands for the value in help, such as FILE.
type Value[T any] struct {
	into  *T
	holds string
	parse func(string) (T, error)
	print func(T) string // the default as help shows it, "" for none
	words Words
}

// Set implements pflag.Value.
func (v *Value[T]) Set(text string) error {
	parsed, err := v.parse(text)
	if err != nil {
		return err
	}
	*v.into = parsed
	return nil
}

// String implements pflag.Value.
func (v *Value[T]) String() string {
	if v.into == nil || v.print == nil {
		return ""
	}
	return v.print(*v.into)
}

// Type implements pflag.Value.
func (v *Value[T]) Type() string { return v.holds }

// Complete says how the value is completed.
func (v *Value[T]) Complete(words Words) *Value[T] {
	v.words = words
	return v
}

func (v *Value[T]) complete() Words { return v.words }

// Parsed is a value that is read by parse. What into holds before is not shown as a default.
func Parsed[T any](into *T, holds string, parse func(string) (T, error)) *Value[T] {
	return &Value[T]{into: into, holds: holds, parse: parse}
}

// AnyText is what Text holds that may be empty.
const AnyText = "TEXT"

// Text is a text. holds tells what: those of FILE are completed as files, those of DIR as folders. Only AnyText may be empty: a variable
// that a script forgot to set must not pass for a flag that is not given.
func Text(into *string, holds string) *Value[string] {
	return &Value[string]{into: into, holds: holds, print: func(s string) string { return s }, parse: func(s string) (string, error) {
		if s == "" && holds != AnyText {
			return "", fmt.Errorf("the value is empty: %s", holds)
		}
		return s, nil
	}}
}

// Choice is one of the words; none as well when into is empty before.
func Choice(into *string, holds string, words ...string) *Value[string] {
	v := Text(into, holds).Complete(Fixed(words...))
	none := *into == ""
	v.parse = func(s string) (string, error) {
		if slices.Contains(words, s) || none && s == "" {
			return s, nil
		}
		return "", fmt.Errorf("%q is not one of %s", s, strings.Join(words, ", "))
	}
	return v
}

// Duration is a time such as 30s, 5m or 1h30m; 0 is none.
func Duration(into *time.Duration) *Value[time.Duration] {
	v := Parsed(into, "DUR", func(s string) (time.Duration, error) {
		d, err := time.ParseDuration(s)
		if err != nil {
			return 0, fmt.Errorf("%q is no time: write 30s, 5m or 1h30m", s)
		}
		return d, nil
	})
	v.print = func(d time.Duration) string {
		if d == 0 {
			return ""
		}
		text := d.String()
		for _, zero := range []string{"m0s", "h0m"} { // 1h0m0s is 1h
			if strings.HasSuffix(text, zero) {
				text = text[:len(text)-2]
			}
		}
		return text
	}
	return v
}

// Int is a whole number; 0 is shown as no default.
func Int(into *int, holds string) *Value[int] {
	v := Parsed(into, holds, func(s string) (int, error) {
		n, err := strconv.ParseInt(s, 0, strconv.IntSize)
		return int(n), noNumber(s, "a whole number", err)
	})
	v.print = func(n int) string {
		if n == 0 {
			return ""
		}
		return strconv.Itoa(n)
	}
	return v
}

// Uint is a whole number of 0 or more.
func Uint(into *uint64, holds string) *Value[uint64] {
	return Parsed(into, holds, func(s string) (uint64, error) {
		n, err := strconv.ParseUint(s, 0, 64)
		return n, noNumber(s, "a whole number of 0 or more", err)
	})
}

// Float is a number that may be left out: *into stays nil then.
func Float(into **float64, holds string) *Value[*float64] {
	return Parsed(into, holds, func(s string) (*float64, error) {
		x, err := strconv.ParseFloat(s, 64)
		return &x, noNumber(s, "a number", err)
	})
}

func noNumber(s, what string, err error) error {
	switch {
	case errors.Is(err, strconv.ErrRange):
		return fmt.Errorf("%s is out of range", s)
	case err != nil:
		return fmt.Errorf("%q is not %s", s, what)
	}
	return nil
}

// list are values of a flag that may be given more than once, or once with commas between them.
type list struct {
	into  *[]string
	holds string
}

// List takes one value or more; a comma in a value is written \,.
func List(into *[]string, holds string) pflag.Value { return list{into, holds} }

func (l list) Set(text string) error {
	const escaped = "\x00" // no argument holds it
	for s := range strings.SplitSeq(strings.ReplaceAll(text, `\,`, escaped), ",") {
		if s = strings.ReplaceAll(s, escaped, ","); s != "" {
			*l.into = append(*l.into, s)
		}
	}
	return nil
}

func (l list) String() string     { return "" }
func (l list) Type() string       { return l.holds + ",..." }
func (l list) GetSlice() []string { return *l.into } // tells cobra that it may be repeated

// pairs are values of a flag that may be given more than once, each with a key.
type pairs struct {
	into       *map[string]string
	key, value string
}

// Pairs takes KEY=VALUE, once for each key.
func Pairs(into *map[string]string, key, value string) pflag.Value { return pairs{into, key, value} }

func (p pairs) Set(text string) error {
	key, value, ok := strings.Cut(text, "=")
	if !ok || key == "" {
		return fmt.Errorf("%q is not %s", text, p.Type())
	}
	if before, twice := (*p.into)[key]; twice && before != value {
		return fmt.Errorf("%s is given as %q and as %q", key, before, value)
	}
	if *p.into == nil {
		*p.into = map[string]string{}
	}
	(*p.into)[key] = value
	return nil
}

func (p pairs) String() string     { return "" }
func (p pairs) Type() string       { return p.key + "=" + p.value }
func (p pairs) GetSlice() []string { return slices.Sorted(maps.Keys(*p.into)) } // tells cobra that it may be repeated

// either is a switch that may be left out: *into stays nil then.
type either struct {
	into **bool
	not  bool
}

func (e either) Set(text string) error {
	b, err := strconv.ParseBool(text)
	if err != nil {
		return fmt.Errorf("%q is neither true nor false", text)
	}
	if b = b != e.not; *e.into != nil && **e.into != b {
		return errors.New("the opposite is given too")
	}
	*e.into = &b
	return nil
}

func (e either) String() string   { return "" }
func (e either) Type() string     { return "bool" }
func (e either) IsBoolFlag() bool { return true }

// Either declares the flags --NAME and --no-NAME.
func Either(f *pflag.FlagSet, into **bool, name, usage string) {
	f.VarPF(either{into, false}, name, "", usage).NoOptDefVal = "true"
	f.VarPF(either{into, true}, "no-"+name, "", usage).NoOptDefVal = "true"
	annotate(f, "no-"+name, annotationNegates, name)
}
