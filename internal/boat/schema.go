package boat

import _ "embed"

// Schema is the JSON Schema (draft 2020-12) of a Report.
//
//go:embed report.schema.json
var Schema []byte
