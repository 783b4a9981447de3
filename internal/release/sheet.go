package release

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"slices"
	"strings"
	"time"

	_ "embed"

	"muster/internal/boat"
	"muster/internal/input"
)

// SheetSchemaID names the version of the sheet's shape.
const SheetSchemaID = "muster.sheet/v1"

// SheetSchema is the JSON Schema of a release sheet, for editors.
//
//go:embed sheet.schema.json
var SheetSchema []byte

// Sheets is everything that a shop wrote down. It is read-only after loading.
type Sheets struct {
	Models   []*Model         // by name
	Problems []Problem        // contradictions between sheets; what they concern is set aside
	Warnings []*input.Mistake // old keys, which are still read
}

// Model is what is known of one model's releases.
type Model struct {
	Name        string
	Family      string // models of one family must run the same release; may be empty
	Role        boat.Role
	Match       Match
	Numbering   Numbering
	Releases    []Release // oldest first
	Current     *Release  // what the model should run; nil when every release is withdrawn
	Medium      Medium
	Minutes     int           // one update, hands off to restarted
	BackWithin  time.Duration // longest it may stay off the network
	Before      []string      // sentences
	After       []string
	Needs       []Need   // of every release
	SupplyVolts float64  // supply must not fall below this; 0 when the sheet does not give it
	Reachable   []string // conditions under which it answers at all: in-water, engine-on
	Cautions    []string
	Hold        []HoldPoint // besides those of every order
	Place       Place

	scheme *Scheme
}

// Match is which devices a model's entry is about. Every criterion given must hold.
type Match struct {
	Manufacturer     string   // with * and ?, without case
	ManufacturerCode *uint32  // decides for a device on a backbone, whose claim carries it
	Products         []uint16 // product codes
	Model            string   // with * and ?, without case
}

// Release is one release of a model.
type Release struct {
	Version   string
	Date      string // YYYY-MM-DD
	Note      string
	Withdrawn string // why it was withdrawn; empty when it was not
	File      string // instead of the medium's file, with the size and the digest that follow
	Bytes     int
	SHA256    string
	Needs     []Need // of this release and every newer one
	Place     Place

	version Version
}

// Need is a release that another model or a whole family aboard must have at least.
type Need struct {
	Model, Family string // one of them: a model's name or a family
	AtLeast       string
	Place         Place
}

// of names what is needed.
func (n Need) of() string { return cmp.Or(n.Model, n.Family) }

// Network is the kind of medium for updates that a display sends over its own network, for which there is nothing to carry but the file.
const Network = "network"

// Medium is what an update travels on.
type Medium struct {
	Kind       string `json:"kind"`                  // "microSD card", "USB stick", or Network
	MinGB      int    `json:"min_gb,omitempty"`      // smallest that the model takes, 10^9 bytes
	MaxGB      int    `json:"max_gb,omitempty"`      // largest that the model takes, 10^9 bytes
	FileSystem string `json:"file_system,omitempty"` // how it must be formatted
	File       string `json:"file,omitempty"`        // name of the update file
	Bytes      int    `json:"bytes,omitempty"`       // its size; 0 where the sheet does not give it
	SHA256     string `json:"sha256,omitempty"`      // its digest in lower-case hex; "" where the sheet does not give it
}

// SheetFile is one sheet as read.
type SheetFile struct {
	Name string
	Data []byte
}

// Bounds of all sheets of a folder together. Models are compared with each other.
const (
	maxModels = 1000
	maxBytes  = 4 << 20
)

// LoadFS reads every .yaml and .yml file at the top of a folder. dir is the folder as the user wrote it, for messages:
// LoadFS(os.DirFS(dir), dir).
func LoadFS(ctx context.Context, folder fs.FS, dir string) (*Sheets, error) {
	files, err := ReadFS(ctx, folder, dir)
	if err != nil {
		return nil, err
	}
	return Load(ctx, files...)
}

// ReadFS reads the files that LoadFS reads.
func ReadFS(ctx context.Context, folder fs.FS, dir string) ([]SheetFile, error) {
	entries, err := fs.ReadDir(folder, ".")
	if err != nil {
		if pe, ok := errors.AsType[*fs.PathError](err); ok {
			err = pe.Err // its path is the folder's own name for itself
		}
		return nil, fmt.Errorf("read release sheets in %q: %w: name the folder that holds the shop's sheets", dir, err)
	}
	var files []SheetFile
	size := 0
	for _, e := range entries {
		if ext := path.Ext(e.Name()); e.IsDir() || ext != ".yaml" && ext != ".yml" {
			continue
		}
		f := SheetFile{Name: path.Join(dir, e.Name())}
		if f.Data, err = readSheet(ctx, folder, e.Name(), f.Name); err != nil {
			return nil, fmt.Errorf("read release sheets in %q: %w", dir, err)
		}
		if size += len(f.Data); size > maxBytes {
			return nil, fmt.Errorf("read release sheets in %q: together they have more than %d bytes; keep the sheets of this shop's work in it", dir, maxBytes)
		}
		files = append(files, f)
	}
	if len(files) == 0 {
		return nil, fmt.Errorf("read release sheets: %q holds no .yaml file; put the shop's sheets there", dir)
	}
	return files, nil
}

func readSheet(ctx context.Context, folder fs.FS, name, shown string) ([]byte, error) {
	f, err := folder.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return input.Read(ctx, shown, f, input.MaxYAML)
}

// Load reads sheets. A sheet that cannot be read, or that is wrong in itself, is an error with file, line and column;
// sheets that contradict each other are not: they come back as Problems, and the rest is valid.
func Load(ctx context.Context, files ...SheetFile) (*Sheets, error) {
	s := &Sheets{}
	var errs []error
	for _, f := range files {
		models, old, err := parseSheet(ctx, f)
		s.Warnings, errs = append(s.Warnings, old...), append(errs, err...)
		s.Models = append(s.Models, models...)
	}
	if len(errs) > 0 {
		return nil, input.Mistakes(errs...)
	}
	if n := len(s.Models); n > maxModels {
		return nil, fmt.Errorf("read release sheets: %d models are more than %d; keep those of this shop's work", n, maxModels)
	}
	slices.SortStableFunc(s.Models, func(a, b *Model) int { return strings.Compare(a.Name, b.Name) })
	s.contradictions()
	return s, nil
}

// contradictions finds entries that cannot both be right and sets them aside.
func (s *Sheets) contradictions() {
	clash := func(a, b *Model, what string) {
		s.Problems = append(s.Problems, Problem{Code: Contradiction, Places: []string{a.Place.String(), b.Place.String()},
			Text: what, Remedy: "keep one of the two"})
	}
	dropped := map[*Model]bool{}
	for i, a := range s.Models {
		for _, b := range s.Models[i+1:] {
			switch {
			case a.Name == b.Name:
				clash(a, b, fmt.Sprintf("two entries are named %q, neither is used", a.Name))
			case a.Match.equal(b.Match):
				clash(a, b, fmt.Sprintf("%q and %q match the same devices, neither is used", a.Name, b.Name))
			case a.Family != "" && a.Family == b.Family && !sameOrder(a, b):
				clash(a, b, fmt.Sprintf("%q and %q are of family %q but number their releases differently, neither is used", a.Name, b.Name, a.Family))
			default:
				continue
			}
			dropped[a], dropped[b] = true, true
		}
	}
	s.Models = slices.DeleteFunc(s.Models, func(m *Model) bool { return dropped[m] })
	for i, a := range s.Models {
		for _, b := range s.Models[i+1:] {
			if a.Family == "" || a.Family != b.Family || a.Current == nil || b.Current == nil {
				continue
			}
			if c, err := Compare(a.Current.version, b.Current.version); err == nil && c == 0 {
				continue
			}
			s.Problems = append(s.Problems, Problem{Code: Contradiction, Places: []string{a.Current.Place.String(), b.Current.Place.String()},
				Text:   fmt.Sprintf("%q and %q are of family %q, but one's current release is %q and the other's %q", a.Name, b.Name, a.Family, a.Current.Version, b.Current.Version),
				Remedy: "give the family one current release, or take one model out of it"})
		}
	}
	for _, m := range s.Models {
		m.Needs = s.checkNeeds(m, m.Needs)
		for i := range m.Releases {
			m.Releases[i].Needs = s.checkNeeds(m, m.Releases[i].Needs)
		}
	}
}

// checkNeeds reports needs that point nowhere or ask for a version that the other side's numbering cannot read. They stay: Plan
// keeps the device back rather than forget what it needs.
func (s *Sheets) checkNeeds(m *Model, needs []Need) []Need {
	for _, n := range needs {
		found := false
		for _, o := range s.Models {
			if !o.is(n) {
				continue
			}
			found = true
			if _, err := o.scheme.ParseListed(n.AtLeast); err != nil {
				s.Problems = append(s.Problems, Problem{Code: Contradiction, Places: []string{n.Place.String(), o.Place.String()},
					Text: fmt.Sprintf("%q needs %q at least %q, which its numbering cannot read: %v", m.Name, o.Name, n.AtLeast, err), Remedy: "correct one of the two"})
			}
		}
		if !found {
			s.Problems = append(s.Problems, Problem{Code: UnmetNeed, Places: []string{n.Place.String()},
				Text: fmt.Sprintf("%q needs %q, which no sheet describes", m.Name, n.of()), Remedy: "write a sheet for it or correct the name"})
		}
	}
	return needs
}

// ForFile names the model and the release that an update file is for, without case; "" when no sheet names it. It may be called on nil.
func (s *Sheets) ForFile(name string) string {
	if s == nil {
		return ""
	}
	for _, m := range s.Models {
		for _, r := range m.Releases {
			if strings.EqualFold(r.File, name) {
				return m.Name + " " + r.Version
			}
		}
		if strings.EqualFold(m.Medium.File, name) {
			return m.Name
		}
	}
	return ""
}

func (m *Model) is(n Need) bool {
	return n.Model != "" && n.Model == m.Name || n.Family != "" && n.Family == m.Family
}

// sameOrder reports whether versions of both models can be compared.
func sameOrder(a, b *Model) bool {
	return a.Numbering.Scheme == b.Numbering.Scheme && slices.Equal(a.Numbering.Order, b.Numbering.Order)
}

// needsOf lists what a model needs when it runs the given version.
func (m *Model) needsOf(v Version) []Need {
	needs := slices.Clone(m.Needs)
	for _, r := range m.Releases {
		if c, err := Compare(r.version, v); err == nil && c <= 0 {
			needs = append(needs, r.Needs...)
		}
	}
	return needs
}

// release finds the release of a version.
func (m *Model) release(v Version) *Release {
	for i := range m.Releases {
		if c, err := Compare(m.Releases[i].version, v); err == nil && c == 0 {
			return &m.Releases[i]
		}
	}
	return nil
}
