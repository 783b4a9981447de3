// Package input reads every file that comes from outside: what a person wrote, what was uploaded, what another program sent.
// Size, nesting, number of values and references are bounded before anything is parsed, so that reading takes time and memory in
// proportion to the file. A mistake in a file is a *Mistake: one line with the place and the way out.
package input

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"reflect"
	"runtime"
	"slices"
	"strconv"
	"unicode/utf8"
)

// Mistake is something wrong in a file, with its place.
type Mistake struct {
	File         string // as the caller calls it; empty when it did not come from a file
	Line, Column int    // from 1; 0 when the place is unknown
	Key          string // where in the file, such as sources.0.id; empty when it is about the file or a place is enough
	Text         string // what is wrong and what to do
}

// Error is one line: FILE:LINE:COLUMN: KEY: what is wrong.
func (m *Mistake) Error() string {
	s := m.Text
	if m.Key != "" {
		s = m.Key + ": " + s
	}
	switch {
	case m.File != "" && m.Line > 0:
		return fmt.Sprintf("%s:%d:%d: %s", m.File, m.Line, m.Column, s)
	case m.File != "":
		return m.File + ": " + s
	case m.Line > 0:
		return fmt.Sprintf("line %d, column %d: %s", m.Line, m.Column, s)
	}
	return s
}

// maxMistakes bounds how many mistakes of one file are listed.
const maxMistakes = 20

// Mistakes joins the mistakes of one file. Only the first ones are listed; the last line then gives the number of the
// others.
func Mistakes(errs ...error) error {
	if more := len(errs) - maxMistakes; more > 1 {
		errs = append(errs[:maxMistakes:maxMistakes], fmt.Errorf("and %d more mistakes", more))
	}
	return errors.Join(errs...)
}

// maxQuote bounds how much of a file a message repeats, in bytes.
const maxQuote = 60

// maxWords bounds a part of a message, in bytes.
const maxWords = 400

// Quote is a piece of a file for a message: quoted, and shortened when it is long.
func Quote(s string) string {
	if len(s) <= maxQuote {
		return strconv.Quote(s)
	}
	return strconv.Quote(cut(s, maxQuote)) + "…"
}

// Shorten cuts what another library reports, or repeats of a file, to at most 400 bytes.
func Shorten(s string) string {
	if len(s) <= maxWords {
		return s
	}
	return cut(s, maxWords-len("…")) + "…"
}

// cut is the beginning of s, of so many bytes or a few less.
func cut(s string, most int) string {
	for most > 0 && !utf8.RuneStart(s[most]) {
		most--
	}
	return s[:most]
}

// words sets a message. Texts from a file are shortened; what is ours, such as a list of the known names, is never so long.
func words(format string, args []any) string {
	short := slices.Clone(args)
	for i, arg := range short {
		if v := reflect.ValueOf(arg); v.Kind() == reflect.String && v.Len() > maxWords {
			short[i] = Shorten(v.String())
		}
	}
	return fmt.Sprintf(format, short...)
}

// File reads a file of at most so many bytes. A longer one is a *Mistake; what the system refuses is its own error.
func File(ctx context.Context, name string, most int) ([]byte, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return Read(ctx, name, f, most)
}

// Secret reads a file that holds a secret. One that every user of this computer can read is a *Mistake.
func Secret(ctx context.Context, name string, most int) ([]byte, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	info, err := f.Stat()
	if err != nil {
		return nil, err
	}
	if info.Mode().IsRegular() && info.Mode().Perm()&0o004 != 0 && runtime.GOOS != "windows" {
		return nil, &Mistake{File: name, Text: "every user of this computer can read it: chmod 600 keeps it to its owner"}
	}
	return Read(ctx, name, f, most)
}

// Read reads at most so many bytes to the end. More is a *Mistake. It stops between two reads when ctx ends; a read that blocks is for
// the owner of r to close.
func Read(ctx context.Context, name string, r io.Reader, most int) ([]byte, error) {
	data, err := io.ReadAll(io.LimitReader(contextReader{ctx, r}, int64(most)+1))
	if err != nil {
		return nil, err
	}
	return data, fits(name, data, most)
}

func fits(name string, data []byte, most int) error {
	if len(data) > most {
		return &Mistake{File: name, Text: fmt.Sprintf("it has more than %d bytes, which is the limit for such a file", most)}
	}
	return nil
}

type contextReader struct {
	ctx context.Context
	r   io.Reader
}

func (c contextReader) Read(p []byte) (int, error) {
	if err := c.ctx.Err(); err != nil {
		return 0, err
	}
	return c.r.Read(p)
}
