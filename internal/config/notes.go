package config

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"muster/internal/boat"
	"muster/internal/input"
)

// NotesSchema names the version of the notes file's shape.
const NotesSchema = "muster.notes/v1"

// MaxNotes bounds the devices in a notes file.
const MaxNotes = 200

type notes struct {
	Schema  string        `yaml:"schema"`
	Devices []boat.Manual `yaml:"devices"`
}

var noteID = regexp.MustCompile(`^n[1-9][0-9]{0,5}$`)

// LoadNotes reads a notes file: devices that no network shows, each with who noted it and when.
func LoadNotes(ctx context.Context, file string) ([]boat.Manual, error) {
	text, err := input.File(ctx, file, input.MaxYAML)
	if err != nil {
		return nil, outside("notes", err)
	}
	return ParseNotes(ctx, file, text)
}

// ParseNotes reads the text of a notes file, YAML or JSON; name is what errors call it.
func ParseNotes(ctx context.Context, name string, text []byte) ([]boat.Manual, error) {
	var n notes
	d, err := read(ctx, name, text, &n, "muster note add writes the known ones")
	if err != nil {
		return nil, err
	}
	if n.Schema != NotesSchema {
		return nil, d.Mistake("schema", "%q is not %s: give a file that muster note wrote", n.Schema, NotesSchema)
	}
	if len(n.Devices) > MaxNotes {
		return nil, d.Mistake("devices", "%d devices are more than %d: remove some", len(n.Devices), MaxNotes)
	}
	var errs []error
	seen := map[string]bool{}
	for i := range n.Devices {
		m := &n.Devices[i]
		key := "devices." + strconv.Itoa(i)
		if !noteID.MatchString(m.ID) || seen[m.ID] {
			errs = append(errs, d.Mistake(key+".id", "%q must be n and a number that no other device has, such as n1", m.ID))
		}
		seen[m.ID] = true
		if field, err := CheckNote(m); err != nil {
			errs = append(errs, d.Mistake(key+"."+field, "%v", err))
		}
	}
	return n.Devices, input.Mistakes(errs...)
}

// CheckNote reports what is wrong with one noted device but its id, and in which field.
func CheckNote(m *boat.Manual) (field string, err error) {
	for _, f := range []struct {
		key, text string
		most      int
		needed    bool
	}{{"model", m.Model, 80, true}, {"manufacturer", m.Manufacturer, 80, false}, {"serial", m.Serial, 80, false}, {"software", m.Software, 80, false},
		{"place", m.Place, 80, false}, {"note", m.Note, 400, false}, {"by", m.By, 60, true}} {
		switch {
		case f.needed && strings.TrimSpace(f.text) == "":
			return f.key, fmt.Errorf("it is missing: give %s", map[string]string{"model": "the kind of device", "by": "the name of the person who enters it"}[f.key])
		case utf8.RuneCountInString(f.text) > f.most:
			return f.key, fmt.Errorf("the text is longer than %d characters: shorten it", f.most)
		case f.text != boat.Printable(f.text):
			return f.key, fmt.Errorf("%q holds a control character: write it in one plain line", f.text)
		}
	}
	if m.Role != "" && !slices.Contains(boat.Roles(), m.Role) {
		return "role", fmt.Errorf("%q is unknown: use one of %s", m.Role, roleNames())
	}
	if m.At.IsZero() {
		return "at", errors.New("it is missing: give the time of the entry, such as 2026-05-02T08:00:00Z")
	}
	return "", nil
}

func roleNames() string {
	var names []string
	for _, r := range boat.Roles() {
		names = append(names, string(r))
	}
	return strings.Join(names, ", ")
}

// EncodeNotes writes a notes file.
func EncodeNotes(devices []boat.Manual) ([]byte, error) {
	var b bytes.Buffer
	b.WriteString("# Devices that no network shows, as people noted them. muster note add and remove keep this file.\n")
	text, err := input.EncodeYAML(notes{NotesSchema, devices})
	if err != nil {
		return nil, fmt.Errorf("write notes: %w", err)
	}
	b.Write(text)
	return b.Bytes(), nil
}

// NextNote is the id for one more device.
func NextNote(devices []boat.Manual) string {
	last := 0
	for i := range devices {
		if n, err := strconv.Atoi(strings.TrimPrefix(devices[i].ID, "n")); err == nil {
			last = max(last, n)
		}
	}
	return fmt.Sprintf("n%d", last+1)
}
