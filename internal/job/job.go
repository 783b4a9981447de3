// Package job is one visit to one boat: the shop's job file, and the service record that comes of the visit.
package job

import (
	"bytes"
	"errors"
	"fmt"
	"image"
	_ "image/jpeg" // logos
	_ "image/png"  // logos
	"io"
	"os"
	"path/filepath"

	"github.com/goccy/go-yaml"

	"muster/internal/mistake"
)

// Job is the job file: who did what for whom. It is written by hand for each job.
type Job struct {
	Number     string   `yaml:"number"`     // the shop's job number
	Date       string   `yaml:"date"`       // as it should print
	Technician string   `yaml:"technician"` // who did the work
	Customer   string   `yaml:"customer"`
	Place      string   `yaml:"place"`
	Work       string   `yaml:"work"` // what was ordered, in a sentence or two
	Shop       Shop     `yaml:"shop"`
	Remains    []Reason `yaml:"remains"`  // why findings remain
	Notes      []string `yaml:"notes"`    // anything else to print
	Cautions   []string `yaml:"cautions"` // added to the usual ones
	Logo       *Logo    `yaml:"-"`
}

// Shop is the head of the page.
type Shop struct {
	Name    string   `yaml:"name"`
	Address []string `yaml:"address"`
	Contact string   `yaml:"contact"`
	Logo    string   `yaml:"logo"` // PNG or JPEG file, relative to the job file
}

// Reason says why the findings of a check remain.
type Reason struct {
	Check string `yaml:"check"`
	Why   string `yaml:"why"`
}

// Logo is a picture for the head of the page.
type Logo struct {
	Data   []byte
	Format string // "png" or "jpeg"
	Width  int
	Height int
}

// maxLogo bounds the logo file in bytes.
const maxLogo = 4 << 20

// Load reads a job file and its logo.
func Load(path string) (*Job, error) { return load(path, Parse) }

// LoadShared reads a job file that serves many jobs: it gives what they share, such as the shop, and need not have a number.
func LoadShared(path string) (*Job, error) { return load(path, parse) }

func load(path string, read func([]byte) (*Job, error)) (*Job, error) {
	data, err := os.ReadFile(path)
	if err != nil {
		return nil, fmt.Errorf("job file: %w", err)
	}
	job, err := read(data)
	if err != nil {
		return nil, fmt.Errorf("job file %s: %w", path, err)
	}
	if job.Shop.Logo != "" {
		file := job.Shop.Logo
		if !filepath.IsAbs(file) {
			file = filepath.Join(filepath.Dir(path), file)
		}
		picture, err := os.ReadFile(file)
		if err != nil {
			return nil, fmt.Errorf("job file %s: logo: %w", path, err)
		}
		if job.Logo, err = readLogo(picture); err != nil {
			return nil, fmt.Errorf("job file %s: logo %s: %w", path, file, err)
		}
	}
	return job, nil
}

// Parse reads the text of a job file. Unknown keys are errors that give line and column.
func Parse(data []byte) (*Job, error) {
	job, err := parse(data)
	if err != nil {
		return nil, err
	}
	if job.Number == "" {
		return nil, errors.New("number is missing: give the shop's job number, as in number: \"2026-114\"")
	}
	return job, nil
}

func parse(data []byte) (job *Job, err error) {
	defer func() { // the YAML reader is not ours: what it trips over is a mistake of the file
		if p := recover(); p != nil {
			job, err = nil, fmt.Errorf("the YAML cannot be read: %v", p)
		}
	}()
	job = new(Job)
	if err := yaml.NewDecoder(bytes.NewReader(data), yaml.Strict()).Decode(job); err != nil {
		if line, column, words := mistake.YAML(err); line > 0 {
			return nil, fmt.Errorf("line %d, column %d: %s", line, column, words)
		}
		if !errors.Is(err, io.EOF) { // an empty file: every key is missing
			return nil, err
		}
	}
	return job, nil
}

func readLogo(data []byte) (*Logo, error) {
	if len(data) > maxLogo {
		return nil, fmt.Errorf("%d bytes are too many: make it smaller than %d", len(data), maxLogo)
	}
	c, format, err := image.DecodeConfig(bytes.NewReader(data))
	if err != nil {
		return nil, fmt.Errorf("%w: give a PNG or JPEG picture", err)
	}
	if _, _, err := image.Decode(bytes.NewReader(data)); err != nil {
		return nil, fmt.Errorf("%w: the picture is damaged", err)
	}
	return &Logo{data, format, c.Width, c.Height}, nil
}

// Why says why the findings of a check remain, if the job tells it.
func (j *Job) Why(check string) string {
	for _, r := range j.Remains {
		if r.Check == check {
			return r.Why
		}
	}
	return ""
}
