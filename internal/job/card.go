package job

import (
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"muster/internal/input"
	"muster/internal/release"
)

// CardFile is what became of one file of a memory card.
type CardFile struct {
	Name    string
	Step    string // that needs it, "" for none
	Problem string // "" when it is as the sheet gives it
	Checked bool   // against a size or a digest
}

// Card holds the top folder of a memory card against the files that the order needs. Names are compared as a card's file system does,
// without case. What no step needs is listed too, because a display may offer it as well; sheets, which may be nil, say which model a
// file is for.
//
// kind, when not empty, is the kind of medium that it is: a file for another kind is then not needed.
func Card(o *release.Order, sheets *release.Sheets, dir, kind string) ([]CardFile, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return nil, fmt.Errorf("card %s: %w", input.Quote(dir), err)
	}
	there := map[string]string{}
	for _, e := range entries {
		if !strings.HasPrefix(e.Name(), ".") && !systemFolder(e) {
			there[strings.ToLower(e.Name())] = e.Name()
		}
	}
	var out []CardFile
	needed := map[string]bool{}
	for _, s := range o.Steps() {
		m := s.Medium
		key := strings.ToLower(m.File)
		if m.File == "" || m.Kind == release.Network || kind != "" && m.Kind != kind || needed[key] {
			continue
		}
		needed[key] = true
		f := CardFile{Name: m.File, Step: s.ID, Checked: m.Bytes > 0 || m.SHA256 != ""}
		if name, ok := there[key]; ok {
			f.Problem = wrong(filepath.Join(dir, name), m)
		} else {
			f.Problem = "it is missing: copy it to the card"
		}
		out = append(out, f)
	}
	for _, e := range entries {
		if key := strings.ToLower(e.Name()); there[key] != "" && !needed[key] {
			problem := "no step needs it: take it off the card"
			if of := sheets.ForFile(e.Name()); of != "" && !e.IsDir() {
				problem = "it is for " + of + ", which no step updates with this card: take it off"
			}
			out = append(out, CardFile{Name: e.Name(), Problem: problem})
		}
	}
	return out, nil
}

// systemFolder reports whether it is a folder that a computer makes on every card.
func systemFolder(e os.DirEntry) bool {
	return e.IsDir() && (e.Name() == "System Volume Information" || e.Name() == "lost+found")
}

// wrong is what is wrong with a file; "" for nothing.
func wrong(path string, m release.Medium) string {
	if fi, err := os.Stat(path); err == nil && fi.IsDir() {
		return "it is a folder: copy the file to the card"
	}
	sum, n, err := digestOf(path)
	switch {
	case err != nil:
		return err.Error()
	case m.Bytes > 0 && n < int64(m.Bytes):
		return fmt.Sprintf("it is cut: %d of %d bytes; copy it again", n, m.Bytes)
	case m.Bytes > 0 && n != int64(m.Bytes):
		return fmt.Sprintf("it has %d bytes, not %d: it is another file", n, m.Bytes)
	case m.SHA256 != "" && sum != m.SHA256:
		return fmt.Sprintf("its SHA-256 is %s, not %s: download it again", sum, m.SHA256)
	}
	return ""
}
