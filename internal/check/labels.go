package check

import (
	"maps"
	"slices"
	"strings"
)

// evidenceLabels are the words for the keys of evidence that do not read as their own words. Read-only.
var evidenceLabels = map[string]string{
	"ahead": "source ahead", "at": "time", "at_least": "minimum version", "asked": "asked by muster", "behind": "source behind",
	"by": "entered by", "changes": "changes compared", "claim": "address claim", "current": "current release",
	"devices": "devices", "difference_s": "difference (s)", "down_since": "missing since", "dropped": "dropped frames", "entered_by_hand": "entered by hand",
	"factor": "limit (multiple of the interval)", "lag_ms": "delay (ms)", "last": "last seen", "last_seen_then": "last seen at the baseline",
	"likely_baud": "likely baud rate", "baud": "baud rate", "matched": "changes repeated", "odd": "differs from all others", "others_within": "the others differ by at most", "path": "path of the data",
	"per_minute": "in the last minute", "planned": "load equivalency in the layout", "declared": "load equivalency reported",
	"rating_amps": "cable rating (A)", "fuse_amps": "fuse (A)", "amps": "current (A)", "volts": "voltage (V)", "limit_volts": "limit (V)",
	"minimum_volts": "limit (V)", "maximum_volts": "limit (V)", "measured_volts": "measured voltage (V)", "computed_volts": "calculated voltage (V)",
	"planned_volts": "voltage in the layout (V)", "rule_of_thumb_volts": "voltage drop by rule of thumb (V)", "metres": "length (m)",
	"limit_metres": "limit (m)", "ohm": "resistance (ohm)", "power_points": "power feeds", "planned_from": "source in the layout",
	"moves_per_minute": "moves in the last minute", "changes_per_minute": "changes in the last minute", "names": "NAMEs", "name": "NAME",
	"bit_rate": "bit rate (bit/s)", "expected": "expected bit rate (bit/s)", "iso_transport": "incomplete ISO transport messages",
	"fast_packet": "incomplete fast-packet messages", "never_came": "messages that never came", "lost_by": "messages that never came, by sender", "times_lost": "times lost", "total": "since the start", "unanswered": "why not identified",
	"unwritten": "not yet written", "set_aside_as": "moved to", "why": "reason", "family": "group", "selector": "type", "selector_name": "type name",
	"serial": "serial number", "serial_before": "serial number before", "before": "unit before", "needs": "needs unit", "lost": "lost content",
	"nominal":     "system voltage (V)",
	"interval_ms": "interval (ms)", "nominal_ms": "published interval (ms)", "since_last_ms": "time since the last one (ms)", "count": "messages received",
	"moments": "moments compared", "moments_apart": "moments beyond the limit", "doubt": "doubt of the difference, from noise", "serials": "serial numbers", "measure": "compared by",
	"sure": "share of the moments that show it", "correlation": "correlation at that delay",
	"nominal_from": "system voltage from",
}

// LabelledKeys lists the keys of evidence with a label that is not their own words, sorted.
func LabelledKeys() []string { return slices.Sorted(maps.Keys(evidenceLabels)) }

// EvidenceLabel is what people read for a key of evidence: the same words on pages, in a terminal and on paper.
func EvidenceLabel(key string) string {
	if label, ok := evidenceLabels[key]; ok {
		return label
	}
	return strings.ReplaceAll(key, "_", " ")
}
