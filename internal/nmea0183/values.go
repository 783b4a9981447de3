package nmea0183

import (
	"slices"
	"strings"
	"time"

	nmea "github.com/adrianmo/go-nmea"
)

// format is a sentence type whose contents are read.
type format struct {
	name    string
	carries []Quantity // none when it measures nothing
	layout  layout
	library func(*reader, nmea.Sentence) // takes the values from go-nmea's structure
	own     func(*reader)                // takes them from the fields, for the reason below
	why     string                       // what go-nmea lacks or has wrong
}

// notKnown is the reason of a type that go-nmea has nothing for.
const notKnown = "has no such type"

// formats is sorted by name. Those with a reason are read by our own code, HBT, TXT and VER in identity.go, AIS in
// ais.go; all others by go-nmea. TestAgainstLibrary holds the reasons to be true. Read-only.
var formats = []format{
	{"DBK", []Quantity{Depth}, depths, reads(fromDBK), nil, ""},
	{"DBS", []Quantity{Depth}, depths, reads(fromDBS), nil, ""},
	{"DBT", []Quantity{Depth}, depths, reads(fromDBT), nil, ""},
	{"DPT", []Quantity{Depth}, layoutOf("num num"), reads(fromDPT), nil, ""},
	{"GGA", []Quantity{TimeOfDay, Position, SatellitesUsed, HorizontalDilution, Altitude},
		layoutOf("time lat,NS lon,EW 012345678 int num num,M - - - -"), nil, readGGA,
		"refuses quality 7 and 8: typed in, simulated"},
	{"GLL", []Quantity{Position, TimeOfDay}, layoutOf("lat,NS lon,EW time status ADEFMNPRS?"), reads(fromGLL), nil, ""},
	{"GNS", []Quantity{TimeOfDay, Position, SatellitesUsed, HorizontalDilution, Altitude},
		layoutOf("time lat,NS lon,EW modes int num num - - -"), reads(fromGNS), nil, ""},
	{"HBT", nil, layoutOf("num AV int"), nil, nil, ""},
	{"HDG", []Quantity{Heading, Deviation, Variation}, layoutOf("num num,EW num,EW"), reads(fromHDG), nil, ""},
	{"HDM", []Quantity{Heading}, layoutOf("num,M"), reads(fromHDM), nil, ""},
	{"HDT", []Quantity{Heading}, layoutOf("num,T"), reads(fromHDT), nil, ""},
	{"MDA", []Quantity{Pressure, AirTemperature, WaterTemperature, Humidity, WindAngle, WindSpeed},
		layoutOf("num,I num,B num,C num,C num - - - num,T num,M num,N num,M"), reads(fromMDA), nil, ""},
	{"MHU", []Quantity{Humidity}, layoutOf("num"), nil, readMHU, notKnown},
	{"MMB", []Quantity{Pressure}, layoutOf("num - num"), nil, readMMB, notKnown},
	{"MTA", []Quantity{AirTemperature}, layoutOf("num,C"), reads(fromMTA), nil, ""},
	{"MTW", []Quantity{WaterTemperature}, layoutOf("num,C"), reads(fromMTW), nil, ""},
	{"MWD", []Quantity{WindAngle, WindSpeed}, layoutOf("num,T num,M num,N num,M"), reads(fromMWD), nil, ""},
	{"MWV", []Quantity{WindAngle, WindSpeed}, layoutOf("num RT num KMNS AV"), reads(fromMWV), nil, ""},
	{"RMC", []Quantity{Time, TimeOfDay, Position, SpeedOverGround, CourseOverGround, Variation},
		layoutOf("time status lat,NS lon,EW num num date num,EW ADEFMNPRS?"), reads(fromRMC), nil, ""},
	{"ROT", []Quantity{RateOfTurn}, layoutOf("num AV"), reads(fromROT), nil, ""},
	{"RPM", []Quantity{EngineSpeed}, layoutOf("ES int num - AV"), reads(fromRPM), nil, ""},
	{"RSA", []Quantity{RudderAngle}, layoutOf("num AV num AV"), reads(fromRSA), nil, ""},
	{"THS", []Quantity{Heading}, layoutOf("num AEMSV"), reads(fromTHS), nil, ""},
	{"TXT", nil, layout{}, nil, nil, "leaves ^hh in the text, refuses a backslash and an identifier in letters"},
	{"VBW", []Quantity{SpeedThroughWater}, layoutOf("num - AV - - -"), reads(fromVBW), nil, ""},
	{"VDM", nil, layout{}, nil, nil, "joins no parts and reads no message"},
	{"VDO", nil, layout{}, nil, nil, "joins no parts and reads no message"},
	{"VDR", []Quantity{CurrentSet, CurrentDrift}, layoutOf("num,T num,M num,N"), reads(fromVDR), nil, ""},
	{"VER", nil, layout{}, nil, nil, notKnown},
	{"VHW", []Quantity{Heading, SpeedThroughWater}, layoutOf("num,T num,M num,N num,K"), nil, readVHW,
		"reads the old form of four numbers wrong"},
	{"VLW", []Quantity{DistanceLog, TripLog}, layoutOf("num,N num,N num,N num,N"), reads(fromVLW), nil, ""},
	{"VTG", []Quantity{CourseOverGround, SpeedOverGround}, layoutOf("num,T num,M num,N num,K ADEFMNPRS?"), nil, readVTG,
		"reads the old form of four numbers wrong"},
	{"VWR", []Quantity{WindAngle, WindSpeed}, oldWinds, reads(fromVWR), nil, ""},
	{"VWT", []Quantity{WindAngle, WindSpeed}, oldWinds, reads(fromVWT), nil, ""},
	{"XDR", []Quantity{Pitch, Roll, WaterTemperature, AirTemperature, Pressure, Humidity},
		layoutOf("ACHP? num BCDP? text ..."), reads(fromXDR), nil, ""},
	{"ZDA", []Quantity{Time}, layoutOf("time int int int - -"), reads(fromZDA), nil, ""},
}

var (
	depths   = layoutOf("num - num - num -") // their units are fixed by their place
	oldWinds = layoutOf("num LR num,N num,M num,K")
)

// reads makes of a function that takes one type of go-nmea's sentences one that takes any.
func reads[T nmea.Sentence](from func(*reader, T)) func(*reader, nmea.Sentence) {
	return func(r *reader, m nmea.Sentence) { from(r, m.(T)) }
}

// formatOf finds a sentence type, nil when its contents are not read.
func formatOf(formatter string) *format {
	i, ok := slices.BinarySearchFunc(formats, formatter, func(f format, name string) int {
		return strings.Compare(f.name, name)
	})
	if !ok {
		return nil
	}
	return &formats[i]
}

// Nominal is the usual interval of a sentence type that measures something (common practice, no source), 0 for others.
func Nominal(formatter string) time.Duration {
	if len(Carries(formatter)) > 0 {
		return time.Second
	}
	return 0
}

// Carries lists the quantities that a sentence type can carry, none for a type whose values are not read. The list is
// the caller's to read only.
func Carries(formatter string) []Quantity {
	if f := formatOf(formatter); f != nil {
		return f.carries
	}
	return nil
}

// Read appends the readings of s to readings and returns it. An unknown sentence type, and a sentence with a bad
// checksum, gives none and no error. ReasonValue means that a field was not what the type requires; the readings of
// the other fields are given. ReasonCrash means that the library gave up, and there are none.
func Read(s *Sentence, readings []Reading) ([]Reading, error) {
	if s.Start != '$' || s.Checksum == ChecksumBad || s.Address.Proprietary() || s.Address.Query() {
		return readings, nil
	}
	f := formatOf(string(s.Formatter()))
	if f == nil || len(f.carries) == 0 {
		return readings, nil
	}
	r := reader{s: s, out: readings}
	r.clean(f.layout)
	if f.own != nil {
		f.own(&r)
	} else {
		m, err := byLibrary(f.name, r.fields)
		if err != nil {
			return readings, err
		}
		f.library(&r, m)
	}
	if r.bad {
		return r.out, ReasonValue
	}
	return r.out, nil
}
