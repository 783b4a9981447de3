package job

import (
	"bytes"

	_ "embed"
)

// JSON Schemas of what a job's folder holds.
var (
	//go:embed job.schema.json
	Schema []byte // of a job file
	//go:embed ledger.schema.json
	LedgerSchema []byte // of one line
	//go:embed record.schema.json
	RecordSchema []byte
)

// ProfileSchema is that of a job file which serves many jobs: it needs no number.
var ProfileSchema = bytes.Replace(Schema, []byte("  \"required\": [\"number\"],\n"), nil, 1)
