package check

import (
	"maps"
	"slices"
)

// formerIDs holds the ids that checks had in earlier versions, each with its id of today. Read-only.
var formerIDs = map[string]string{
	"broken-sequences": "incomplete-messages",
	"bus-busy":         "bus-load-high",
	"clock-off":        "clock-mismatch",
	"drop-too-long":    "drop-cable-too-long",
	"echo":             "data-loop",
	"many-sources":     "multiple-sources",
	"newcomer":         "new-device",
	"same-name":        "duplicate-name",
	"supply-low":       "low-voltage",
}

// ID is the id of today of a check. Files, stores and messages of earlier versions hold former ids; any other text stays as it is.
func ID(id string) string {
	if now, ok := formerIDs[id]; ok {
		return now
	}
	return id
}

// FormerIDs lists the ids that ID replaces, sorted.
func FormerIDs() []string { return slices.Sorted(maps.Keys(formerIDs)) }
