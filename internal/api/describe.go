package api

import (
	"bytes"
	_ "embed"
	"encoding/json"
	"fmt"
	"net/http"
	"net/url"
	"regexp"
	"strings"

	"github.com/danielgtaylor/huma/v2"

	"muster/internal/ui"
)

// openAPI is what Describe writes of the operations; TestDescription holds it to them. To write it while the program runs would take
// several MB for a text of a few dozen kB.
//
//go:embed openapi.json
var openAPI []byte

// apiAbout describes the API.
const apiAbout = "The electronics of one boat. Times are RFC 3339 in UTC; unknown values are absent."

// Describe writes the description, OpenAPI 3.1, of the operations that register registers: a word a line, so that a change of it is seen.
func Describe(about string, register func(huma.API)) ([]byte, error) {
	api := newAPI(http.NewServeMux())
	register(api)
	api.OpenAPI().Info.Description = about
	text, err := json.Marshal(api.OpenAPI())
	if err != nil {
		return nil, fmt.Errorf("api: openapi: %w", err)
	}
	var lines bytes.Buffer
	if err := json.Indent(&lines, text, "", ""); err != nil {
		return nil, fmt.Errorf("api: openapi: %w", err)
	}
	return append(lines.Bytes(), '\n'), nil
}

// serveDescription serves a description, its reference for people, each of its schemas by itself and a list of these.
func serveDescription(mux *http.ServeMux, description []byte) {
	mux.Handle("GET "+ui.ReferencePath+"{$}", ui.Compressed(func(w http.ResponseWriter, r *http.Request) {
		base := url.URL{Scheme: "http", Host: r.Host}
		if r.TLS != nil {
			base.Scheme = "https"
		}
		page, err := ui.Reference(description, base.String())
		if err != nil {
			refuse(w, r, http.StatusInternalServerError, err.Error())
			return
		}
		ui.WritePage(w, http.StatusOK, ui.Rendered(page))
	}))
	mux.HandleFunc("GET "+Prefix+"/openapi.json", func(w http.ResponseWriter, _ *http.Request) {
		w.Header().Set("Content-Type", "application/openapi+json")
		_, _ = w.Write(description)
	})
	mux.HandleFunc("GET "+Prefix+"/schemas", func(w http.ResponseWriter, _ *http.Request) {
		names := map[string]string{}
		for name := range schemasOf(description) {
			names[name] = Prefix + "/schemas/" + name + ".json"
		}
		w.Header().Set("Content-Type", "application/json")
		_ = json.NewEncoder(w).Encode(names)
	})
	mux.HandleFunc("GET "+Prefix+"/schemas/{file}", func(w http.ResponseWriter, r *http.Request) {
		name, ok := strings.CutSuffix(r.PathValue("file"), ".json")
		text := schemasOf(description)[name]
		if !ok || text == nil {
			refuse(w, r, http.StatusNotFound, fmt.Sprintf("there is no schema at %q: %s/schemas lists them", r.URL.Path, Prefix))
			return
		}
		w.Header().Set("Content-Type", "application/schema+json")
		text = schemaRef.ReplaceAll(text, []byte(`"`+Prefix+`/schemas/$1.json"`))
		_, _ = w.Write(append([]byte(`{"$schema":"https://json-schema.org/draft/2020-12/schema",`), text[1:]...))
	})
}

var schemaRef = regexp.MustCompile(`"#/components/schemas/([A-Za-z0-9]+)"`)

// schemasOf are the schemas of a description by name.
func schemasOf(description []byte) map[string]json.RawMessage {
	var doc struct {
		Components struct {
			Schemas map[string]json.RawMessage
		}
	}
	_ = json.Unmarshal(description, &doc) // it was written by Describe
	return doc.Components.Schemas
}
