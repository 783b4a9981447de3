package record

import (
	_ "embed"
	"encoding/base64"
	"fmt"
	"html/template"
	"io"
	"strings"

	"muster/internal/boat"
)

//go:embed record.html
var pageHTML string

var page = template.Must(template.New("record").Funcs(template.FuncMap{"list": func(v ...any) []any { return v }}).Parse(pageHTML))

// LogoURL is the logo as a data URL, so that the page stands alone.
func (j *Job) LogoURL() template.URL {
	if j.Logo == nil {
		return ""
	}
	return template.URL("data:image/" + j.Logo.Format + ";base64," + base64.StdEncoding.EncodeToString(j.Logo.Data))
}

// WriteHTML writes the record as one page that stands alone and prints well.
func (r *Record) WriteHTML(w io.Writer) error {
	var text strings.Builder
	if err := page.Execute(&text, r); err != nil {
		return fmt.Errorf("write service record: %w", err)
	}
	if _, err := io.WriteString(w, boat.PrintableText(text.String())); err != nil { // devices' texts could steer what shows the page
		return fmt.Errorf("write service record: %w", err)
	}
	return nil
}
