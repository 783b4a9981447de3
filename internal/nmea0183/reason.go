package nmea0183

import "fmt"

// Reason is why bytes of a line gave no sentence or a sentence no values. It is an error, and small enough to label a
// metric.
type Reason uint8

// The reasons.
const (
	ReasonNone          Reason = iota
	ReasonEmpty                // nothing but white space; not a fault
	ReasonTagAlone             // a tag block without a sentence, as the first line of a group is; not a fault
	ReasonNoStart              // no '$' or '!'
	ReasonAddress              // a start character without an address after it
	ReasonCut                  // the next sentence began before this one ended, or the line ended within the address
	ReasonBinary               // bytes that are not printable, and no checksum that vouches for them
	ReasonTooLong              // longer than MaxLength
	ReasonTooManyFields        // more than MaxFields
	ReasonValue                // a field is not what the formatter requires
	ReasonParts                // parts of a message of several sentences do not fit together
	ReasonCrash                // the library that reads values gave up in a panic
	reasonCount
)

var reasonNames = [reasonCount]string{
	"none", "empty", "tag-alone", "no-start", "address", "cut", "binary", "too-long", "too-many-fields", "value",
	"parts", "crash",
}

// String is the reason as a word for labels.
func (r Reason) String() string {
	if r < reasonCount {
		return reasonNames[r]
	}
	return fmt.Sprintf("reason(%d)", uint8(r))
}

// Error makes a Reason an error.
func (r Reason) Error() string { return "nmea0183: " + r.String() }

// Garbled reports whether the reason means that the line was damaged or is no NMEA 0183 at all.
func (r Reason) Garbled() bool { return r >= ReasonNoStart && r <= ReasonTooManyFields }

// Checksum is the state of a checksum.
type Checksum uint8

// The states of a checksum.
const (
	ChecksumMissing Checksum = iota
	ChecksumGood
	ChecksumBad // does not match, or its digits are not hexadecimal or torn off
)

// String is the state as a word.
func (c Checksum) String() string {
	switch c {
	case ChecksumGood:
		return "good"
	case ChecksumBad:
		return "bad"
	}
	return "missing"
}
