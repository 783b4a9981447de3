package check

// Severity is how much a finding matters.
type Severity string

// The severities, mildest first.
const (
	Info     Severity = "info"
	Warning  Severity = "warning"
	Critical Severity = "critical"
)

// Rank orders severities: 1 info, 2 warning, 3 critical, 0 for anything else.
func (s Severity) Rank() int {
	switch s {
	case Info:
		return 1
	case Warning:
		return 2
	case Critical:
		return 3
	}
	return 0
}
