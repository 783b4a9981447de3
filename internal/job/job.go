// Package job is one visit to one boat: the shop's job file, and the service record of the visit.
package job

import (
	"bytes"
	"context"
	"fmt"
	"image"
	_ "image/jpeg" // logos
	_ "image/png"  // logos
	"path/filepath"
	"time"
	_ "time/tzdata" // boat computers and other systems may have none

	"muster/internal/check"
	"muster/internal/input"
)

// Job is the job file: who did what for whom. It is written by hand for each job.
type Job struct {
	Number     string   `yaml:"number"`     // the shop's job number
	Date       string   `yaml:"date"`       // as it should print
	Technician string   `yaml:"technician"` // who did the work
	Customer   string   `yaml:"customer"`
	Place      string   `yaml:"place"`
	Work       string   `yaml:"work"`      // what was ordered, in a sentence or two
	TimeZone   string   `yaml:"time_zone"` // of the boat, as in Europe/Lisbon; UTC when empty
	Shop       Shop     `yaml:"shop"`
	OpenItems  []Reason `yaml:"open_items"` // why findings are still open
	Notes      []string `yaml:"notes"`      // anything else to print
	Cautions   []string `yaml:"cautions"`   // added to the usual ones
	Logo       *Logo    `yaml:"-"`
}

// Shop is the header of the page.
type Shop struct {
	Name    string   `yaml:"name"`
	Address []string `yaml:"address"`
	Contact string   `yaml:"contact"`
	Logo    string   `yaml:"logo"` // PNG or JPEG file, relative to the job file
}

// Reason is why the findings of a check remain.
type Reason struct {
	Check string `yaml:"check"`
	Why   string `yaml:"why"`
}

// Logo is a picture for the header of the page.
type Logo struct {
	Data   []byte
	Format string // "png" or "jpeg"
	Width  int
	Height int
}

// Bounds of the logo.
const (
	maxLogo   = 4 << 20 // bytes of the file
	maxPixels = 4_000_000
)

// Load reads a job file and its logo.
func Load(ctx context.Context, path string) (*Job, error) { return load(ctx, path, Parse) }

// LoadShared reads a job file that serves many jobs: it gives what they share, such as the shop, and need not have a number.
func LoadShared(ctx context.Context, path string) (*Job, error) {
	return load(ctx, path, parseShared)
}

func load(ctx context.Context, path string, read func(ctx context.Context, name string, data []byte) (*Job, error)) (*Job, error) {
	data, err := input.File(ctx, path, input.MaxYAML)
	if err != nil {
		return nil, fmt.Errorf("job file: %w", err)
	}
	job, err := read(ctx, path, data)
	if err != nil {
		return nil, fmt.Errorf("job file %w", err)
	}
	if job.Shop.Logo != "" {
		file := job.Shop.Logo
		if !filepath.IsAbs(file) {
			file = filepath.Join(filepath.Dir(path), file)
		}
		picture, err := input.File(ctx, file, maxLogo)
		if err != nil {
			return nil, fmt.Errorf("job file %s: logo: %w", path, err)
		}
		if job.Logo, err = readLogo(picture); err != nil {
			return nil, fmt.Errorf("job file %s: logo %s: %w", path, file, err)
		}
	}
	return job, nil
}

// Parse reads the text of a job file; name is what a mistake in it, an *input.Mistake, calls it.
func Parse(ctx context.Context, name string, data []byte) (*Job, error) {
	job, err := parseShared(ctx, name, data)
	if err != nil {
		return nil, err
	}
	if job.Number == "" {
		return nil, &input.Mistake{File: name, Text: "number is missing: give the shop's job number, as in number: \"2026-114\""}
	}
	return job, nil
}

// oldKeys are keys of the job file that have a new name.
var oldKeys = []input.OldKey{{Path: "remains", New: "open_items"}}

func parseShared(ctx context.Context, name string, data []byte) (*Job, error) {
	job := new(Job)
	if _, err := input.YAML(ctx, name, data, job, oldKeys...); err != nil {
		return nil, err
	}
	if !KnownZone(job.TimeZone) {
		return nil, &input.Mistake{File: name, Text: fmt.Sprintf("time_zone %s is not known: write one such as Europe/Lisbon", input.Quote(job.TimeZone))}
	}
	return job, nil
}

// KnownZone reports whether a time zone is one of the world's; "" is UTC.
func KnownZone(name string) bool {
	_, err := time.LoadLocation(name)
	return err == nil && name != "Local"
}

// Location is the boat's time zone.
func (j *Job) Location() *time.Location {
	if zone, err := time.LoadLocation(j.TimeZone); err == nil {
		return zone
	}
	return time.UTC
}

func readLogo(data []byte) (*Logo, error) {
	c, format, err := image.DecodeConfig(bytes.NewReader(data))
	if err != nil {
		return nil, fmt.Errorf("%w: give a PNG or JPEG picture", err)
	}
	if c.Width*c.Height > maxPixels {
		return nil, fmt.Errorf("the picture has %d x %d pixels: the limit is 2000 x 2000", c.Width, c.Height)
	}
	if _, _, err := image.Decode(bytes.NewReader(data)); err != nil {
		return nil, fmt.Errorf("%w: the picture is damaged", err)
	}
	return &Logo{data, format, c.Width, c.Height}, nil
}

// Why is why the findings of a check are still open, if the job file gives a reason.
func (j *Job) Why(id string) string {
	for _, r := range j.OpenItems {
		if check.ID(r.Check) == id {
			return r.Why
		}
	}
	return ""
}
