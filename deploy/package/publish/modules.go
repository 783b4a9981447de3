package main

import (
	"debug/buildinfo"
	"encoding/base64"
	"encoding/hex"
	"errors"
	"os"
	"path/filepath"
	"strings"

	cdx "github.com/CycloneDX/cyclonedx-go"
)

// modules writes the list of the modules that the programs were built of, as their own build information shows them.
func (r *release) modules() error {
	programs, err := filepath.Glob(filepath.Join(r.built, "*", "muster*"))
	if err != nil {
		return err
	}
	bom := cdx.NewBOM()
	bom.Metadata = &cdx.Metadata{Timestamp: r.at.Format("2006-01-02T15:04:05Z"),
		Component: &cdx.Component{Type: cdx.ComponentTypeApplication, Name: "muster", Version: r.version}}
	var list []cdx.Component
	seen := map[string]bool{}
	for _, program := range programs {
		info, err := buildinfo.ReadFile(program)
		if err != nil {
			continue // a document or completion
		}
		for _, m := range info.Deps {
			if m.Replace != nil {
				m = m.Replace
			}
			purl := "pkg:golang/" + m.Path + "@" + m.Version
			if seen[purl] {
				continue
			}
			seen[purl] = true
			c := cdx.Component{Type: cdx.ComponentTypeLibrary, BOMRef: purl, Name: m.Path, Version: m.Version, PackageURL: purl}
			if sum, err := base64.StdEncoding.DecodeString(strings.TrimPrefix(m.Sum, "h1:")); err == nil && len(sum) > 0 {
				c.Properties = &[]cdx.Property{{Name: "go:h1", Value: hex.EncodeToString(sum)}}
			}
			list = append(list, c)
		}
	}
	bom.Components = &list
	f, err := os.Create(filepath.Join(r.dest, "muster_"+r.version+".cdx.json"))
	if err != nil {
		return err
	}
	e := cdx.NewBOMEncoder(f, cdx.BOMFileFormatJSON)
	e.SetPretty(true)
	return errors.Join(e.Encode(bom), f.Close())
}
