package sim

import _ "embed"

// Schema is the JSON Schema of a scenario file.
//
//go:embed scenario.schema.json
var Schema []byte
