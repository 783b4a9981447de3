package release

import (
	"context"
	"encoding/hex"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"muster/internal/boat"
	"muster/internal/input"
)

// text is a scalar of a sheet, with its place.
type text = input.Text

type sheetYAML struct {
	Schema text        `yaml:"schema"`
	Models []modelYAML `yaml:"models"`
}

type modelYAML struct {
	Name   text `yaml:"name"`
	Family text `yaml:"family"`
	Role   text `yaml:"role"`
	Match  struct {
		Manufacturer     text   `yaml:"manufacturer"`
		ManufacturerCode text   `yaml:"manufacturer_code"`
		Products         []text `yaml:"products"`
		Model            text   `yaml:"model"`
	} `yaml:"match"`
	Numbering struct {
		Scheme  text   `yaml:"scheme"`
		Pattern text   `yaml:"pattern"`
		Order   []text `yaml:"order"`
	} `yaml:"numbering"`
	Releases []struct {
		Version   text       `yaml:"version"`
		Date      text       `yaml:"date"`
		Note      text       `yaml:"note"`
		Withdrawn text       `yaml:"withdrawn"`
		File      text       `yaml:"file"`
		Bytes     text       `yaml:"bytes"`
		SHA256    text       `yaml:"sha256"`
		Needs     []needYAML `yaml:"needs"`
	} `yaml:"releases"`
	Current text `yaml:"current"`
	Medium  struct {
		Kind       text `yaml:"kind"`
		MinGB      text `yaml:"min_gb"`
		MaxGB      text `yaml:"max_gb"`
		FileSystem text `yaml:"file_system"`
		File       text `yaml:"file"`
		Bytes      text `yaml:"bytes"`
		SHA256     text `yaml:"sha256"`
	} `yaml:"medium"`
	Minutes     text       `yaml:"minutes"`
	BackWithin  text       `yaml:"back_within_minutes"`
	Before      []text     `yaml:"before"`
	After       []text     `yaml:"after"`
	Needs       []needYAML `yaml:"needs"`
	SupplyVolts text       `yaml:"supply_volts"`
	Reachable   []text     `yaml:"reachable"`
	Cautions    []text     `yaml:"cautions"`
	Hold        []holdYAML `yaml:"hold_points"`
}

type needYAML struct {
	Model   text `yaml:"model"`
	Family  text `yaml:"family"`
	AtLeast text `yaml:"at_least"`
}

// reader turns one sheet's YAML into models and collects what is wrong with it.
type reader struct {
	file string
	top  Place // where the model is, for things that are missing
	errs []error
}

func (r *reader) fail(t text, format string, args ...any) {
	p := r.at(t)
	m := (&text{Line: p.Line, Column: p.Column}).Mistake(format, args...)
	m.File = r.file
	r.errs = append(r.errs, m)
}

// at is the place of t, or the model's place when t is not given.
func (r *reader) at(t text) Place {
	if t.Line == 0 {
		return r.top
	}
	return Place{r.file, t.Line, t.Column}
}

// oldKeys are keys of a sheet that have a new name.
var oldKeys = []input.OldKey{
	{Path: "models.*.match.maker", New: "manufacturer"},
	{Path: "models.*.match.maker_code", New: "manufacturer_code"},
}

// parseSheet reads one sheet. old are the old keys in it.
func parseSheet(ctx context.Context, f SheetFile) (models []*Model, old []*input.Mistake, errs []error) {
	docs, err := input.Documents(ctx, f.Name, f.Data)
	if err != nil {
		return nil, nil, []error{err}
	}
	r := &reader{file: f.Name}
	for _, doc := range docs {
		if doc.Empty() {
			continue
		}
		var y sheetYAML
		err := doc.Rename(oldKeys...)
		if old = append(old, doc.Warnings...); err == nil {
			err = doc.Decode(&y)
		}
		if err != nil {
			r.errs = append(r.errs, err)
			continue
		}
		r.top = Place{f.Name, 1, 1}
		if y.Schema.Value != SheetSchemaID {
			r.fail(y.Schema, "schema is %q; write schema: %s", y.Schema.Value, SheetSchemaID)
			continue
		}
		for i := range y.Models {
			models = append(models, r.model(&y.Models[i]))
		}
	}
	if len(models) == 0 && len(r.errs) == 0 {
		r.top = Place{f.Name, 1, 1}
		r.fail(text{}, "the sheet describes no model; write models:")
	}
	return models, old, r.errs
}

func (r *reader) model(y *modelYAML) *Model {
	r.top = r.at(y.Name)
	role, known := boat.ParseRole(y.Role.Value)
	m := &Model{Name: y.Name.Value, Family: y.Family.Value, Role: role, Place: r.top}
	if m.Name == "" {
		r.fail(y.Name, "a model has no name; add name:")
	}
	if m.Role != "" && !known {
		r.fail(y.Role, "role %q is not known; the roles are %v", m.Role, boat.Roles())
	}
	r.match(m, y)
	m.Numbering = Numbering{Scheme: y.Numbering.Scheme.Value, Pattern: y.Numbering.Pattern.Value, Order: values(y.Numbering.Order)}
	scheme, err := m.Numbering.Compile()
	if err != nil {
		r.fail(y.Numbering.Scheme, "%v", err)
	}
	m.scheme = scheme
	m.Medium = Medium{Kind: y.Medium.Kind.Value, FileSystem: y.Medium.FileSystem.Value, File: y.Medium.File.Value,
		MinGB: r.whole(y.Medium.MinGB, 0, 4096), MaxGB: r.whole(y.Medium.MaxGB, 0, 4096),
		Bytes: r.whole(y.Medium.Bytes, 1, maxDownload), SHA256: r.sum(y.Medium.SHA256)}
	if m.Medium.Kind == "" {
		r.fail(y.Medium.Kind, "the medium has no kind; add medium: {kind: …}")
	}
	if m.Medium.MaxGB != 0 && m.Medium.MinGB > m.Medium.MaxGB {
		r.fail(y.Medium.MinGB, "min_gb %d is above max_gb %d", m.Medium.MinGB, m.Medium.MaxGB)
	}
	if m.Minutes = r.whole(y.Minutes, 1, 24*60); m.Minutes == 0 && y.Minutes.Line == 0 {
		r.fail(y.Minutes, "minutes is missing; give the time that one update takes")
	}
	// Twice the time and never under ten minutes before a device counts as lost (common practice, no source).
	m.BackWithin = time.Duration(max(10, 2*m.Minutes)) * time.Minute
	if y.BackWithin.Line > 0 {
		m.BackWithin = time.Duration(r.whole(y.BackWithin, 1, 24*60)) * time.Minute
	}
	m.Before, m.After = r.steps(y.Before, y.After)
	m.Needs = r.needs(y.Needs)
	if t := y.SupplyVolts; t.Line > 0 {
		v, err := strconv.ParseFloat(t.Value, 64)
		if err != nil || !(v >= 6 && v <= 60) {
			r.fail(t, "supply_volts %q is not a voltage from 6 to 60", t.Value)
		}
		m.SupplyVolts = v
	}
	for _, t := range y.Reachable {
		if t.Value != InWater && t.Value != EngineOn {
			r.fail(t, "reachable %q is not known; use %s or %s", t.Value, InWater, EngineOn)
		}
		m.Reachable = append(m.Reachable, t.Value)
	}
	m.Cautions, m.Hold = values(y.Cautions), r.holds(y.Hold)
	if scheme != nil {
		r.releases(m, y)
	}
	return m
}

func (r *reader) match(m *Model, y *modelYAML) {
	m.Match = Match{Manufacturer: y.Match.Manufacturer.Value, Model: y.Match.Model.Value}
	if t := y.Match.ManufacturerCode; t.Line > 0 {
		code := uint32(r.whole(t, 0, 2047))
		m.Match.ManufacturerCode = &code
	}
	for _, t := range y.Match.Products {
		m.Match.Products = append(m.Match.Products, uint16(r.whole(t, 0, 65534)))
	}
	if m.Match.Model == "" && len(m.Match.Products) == 0 {
		r.fail(y.Match.Model, "match gives neither a model nor products, so %q would match anything", m.Name)
	}
	for _, t := range []text{y.Match.Manufacturer, y.Match.Model} {
		if len(t.Value) > 100 {
			r.fail(t, "match text is longer than 100 characters")
		}
	}
}

func (r *reader) releases(m *Model, y *modelYAML) {
	if len(y.Releases) == 0 {
		r.fail(text{}, "%q lists no releases; add releases:", m.Name)
	}
	for _, yr := range y.Releases {
		rel := Release{Version: yr.Version.Value, Date: yr.Date.Value, Note: yr.Note.Value, Withdrawn: yr.Withdrawn.Value,
			File: yr.File.Value, Bytes: r.whole(yr.Bytes, 1, maxDownload), SHA256: r.sum(yr.SHA256),
			Needs: r.needs(yr.Needs), Place: r.at(yr.Version)}
		var err error
		if rel.version, err = m.scheme.ParseListed(rel.Version); err != nil {
			r.fail(yr.Version, "version of %q: %v", m.Name, err)
			continue
		}
		if rel.Date != "" {
			if _, err := time.Parse(time.DateOnly, rel.Date); err != nil {
				r.fail(yr.Date, "date %q is not YYYY-MM-DD", rel.Date)
			}
		}
		for _, other := range m.Releases {
			if c, err := Compare(other.version, rel.version); err != nil {
				r.fail(yr.Version, "version of %q: %v", m.Name, err)
			} else if c == 0 {
				r.fail(yr.Version, "%q is the same release of %q as %q at %s", rel.Version, m.Name, other.Version, other.Place)
			}
		}
		m.Releases = append(m.Releases, rel)
	}
	slices.SortStableFunc(m.Releases, func(a, b Release) int { c, _ := Compare(a.version, b.version); return c })
	if y.Current.Value == "" {
		for i := range m.Releases {
			if m.Releases[i].Withdrawn == "" {
				m.Current = &m.Releases[i]
			}
		}
		return
	}
	v, err := m.scheme.ParseListed(y.Current.Value)
	if err == nil {
		m.Current = m.release(v)
	}
	switch {
	case m.Current == nil:
		r.fail(y.Current, "current %q of %q is not among its releases", y.Current.Value, m.Name)
	case m.Current.Withdrawn != "":
		r.fail(y.Current, "current %q of %q is withdrawn at %s", y.Current.Value, m.Name, m.Current.Place)
	}
}

func (r *reader) needs(ys []needYAML) []Need {
	var out []Need
	for _, y := range ys {
		n := Need{Model: y.Model.Value, Family: y.Family.Value, AtLeast: y.AtLeast.Value, Place: r.at(y.AtLeast)}
		switch {
		case (n.Model == "") == (n.Family == ""):
			r.fail(y.AtLeast, "a need names either a model or a family")
		case n.AtLeast == "":
			r.fail(y.Model, "the need for %q has no at_least with a release", n.of())
		}
		out = append(out, n)
	}
	return out
}

// stepWords are the steps that most sheets ask for (common practice, no source).
var stepWords = map[string]string{
	"record-settings":       "Record the settings that matter on paper or as photographs of the screens.",
	"record-waypoints":      "Copy waypoints, routes and tracks to a card and check that the card holds them.",
	"record-instances":      "Record device and data instances as the snapshot shows them.",
	"read-version":          "Read the installed version on the device's own screen and note it.",
	"restore-defaults":      "Restore the factory defaults of the device.",
	"charger-on":            "Connect shore power or a charger and keep it on until the device has restarted.",
	"moored":                "Moor the boat and stop the engines.",
	"reenter-settings":      "Enter the recorded settings again.",
	"reenter-waypoints":     "Load waypoints, routes and tracks from the card.",
	"reenter-instances":     "Set the recorded instances again.",
	"settings-from-display": "Restore the accessory's settings from a display.",
	"check-version":         "Read the version on the device's own screen and compare it with this order.",
	"leave-power":           "Do not switch off: wait until the device restarts by itself.",
}

// makesSafe finds steps that connect power or moor the boat; failsUnsafe finds steps that can leave a device unusable without.
var (
	makesSafe   = regexp.MustCompile(`(?i)\b(connect|switch on|turn on)\b.*\b(shore power|charger)\b|\bmoor\b|\bmake (the boat )?fast\b`)
	failsUnsafe = regexp.MustCompile(`(?i)\b(factory|defaults|reset|erase|do not switch off|(start|run|install) the (update|software))\b`)
)

// steps are the steps before and after an update. Power and mooring come before any step that can fail without them.
func (r *reader) steps(before, after []text) (first, last []string) {
	var risky text // the last such step so far
	read := func(ts []text) []string {
		var out []string
		for _, t := range ts {
			s := r.step(t)
			switch {
			case s == "":
				continue
			case failsUnsafe.MatchString(s):
				risky = t
			case risky.Line > 0 && makesSafe.MatchString(s):
				r.fail(t, "step %q comes after %q, which can fail without it: put it before", t.Value, risky.Value)
			}
			out = append(out, s)
		}
		return out
	}
	return read(before), read(after)
}

// step turns a word of the list above into its sentence; whatever holds a space is a sentence already. It is empty when t is neither.
func (r *reader) step(t text) string {
	if t.Value == "settings-from-head" { // its old name
		t.Value = "settings-from-display"
	}
	if s, ok := stepWords[t.Value]; ok {
		return s
	}
	if strings.Contains(t.Value, " ") {
		return t.Value
	}
	r.fail(t, "step %q is not known; write a sentence or one of %s", t.Value, strings.Join(sortedKeys(stepWords), ", "))
	return ""
}

// maxDownload bounds the size of an update file that a sheet gives.
const maxDownload = 2_000_000_000

// sum is a SHA-256 in lower-case hex.
func (r *reader) sum(t text) string {
	if b, err := hex.DecodeString(t.Value); t.Line != 0 && (err != nil || len(b) != 32) {
		r.fail(t, "%q is no SHA-256: give its 64 hex digits, as sha256sum prints them", t.Value)
	}
	return strings.ToLower(t.Value)
}

// whole reads a whole number in a range; 0 when t is not given or wrong.
func (r *reader) whole(t text, low, high int) int {
	if t.Line == 0 {
		return 0
	}
	n, err := strconv.Atoi(t.Value)
	if err != nil || n < low || n > high {
		r.fail(t, "%q is not a whole number from %d to %d", t.Value, low, high)
		return 0
	}
	return n
}

func values(ts []text) []string {
	var out []string
	for _, t := range ts {
		out = append(out, t.Value)
	}
	return out
}

func sortedKeys(m map[string]string) []string {
	var out []string
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}
