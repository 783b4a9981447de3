package config

import "muster/internal/input"

// Schema is the JSON Schema of a config file, without its old keys.
func Schema() []byte {
	return input.Schema(Config{}, "Config of muster", "The file of muster run. muster.yaml(5) and deploy/muster.yaml describe each key.")
}

// NotesFileSchema is the JSON Schema of a notes file.
func NotesFileSchema() []byte {
	return input.Schema(notes{}, "Notes of muster", "Devices that no network shows. muster note writes it.")
}
