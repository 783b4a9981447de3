package check

import (
	"time"

	"muster/internal/boat"
)

// ClockMismatchSettings are the thresholds of clock-mismatch.
type ClockMismatchSettings struct {
	Common  `yaml:",inline"`
	Sources time.Duration `yaml:"sources"` // how far two sources of satellite time may be apart
	System  time.Duration `yaml:"system"`  // how far the computer's clock may be off
}

// DataLoopSettings are the thresholds of data-loop.
type DataLoopSettings struct {
	Common  `yaml:",inline"`
	Changes int `yaml:"changes"` // changes of a value needed for a judgement
}

// LineSaturatedSettings are the thresholds of line-saturated, as shares of the baud rate from 0 to 1.
type LineSaturatedSettings struct {
	Common   `yaml:",inline"`
	Warning  float64 `yaml:"warning"`
	Critical float64 `yaml:"critical"`
}

// SentenceLateSettings are the thresholds of sentence-late.
type SentenceLateSettings struct {
	Common `yaml:",inline"`
	Factor float64 `yaml:"factor"` // how many usual intervals a sentence may take
	Count  uint64  `yaml:"count"`  // sentences needed for a judgement
}

// Bank is the nominal voltage of one bank, which is one battery instance of one device.
type Bank struct {
	Device   string  `yaml:"device"` // NAME or serial number of the device that measures it
	Instance uint8   `yaml:"instance"`
	Nominal  float64 `yaml:"nominal"` // V
}

// LowVoltageSettings are the thresholds of low-voltage in V for a bank of 12 V nominal.
type LowVoltageSettings struct {
	Common   `yaml:",inline"`
	Warning  float64 `yaml:"warning"`
	Critical float64 `yaml:"critical"`
	Nominal  float64 `yaml:"nominal"` // of the banks aboard: 6, 12, 24, 32, 36, 42 or 48; 0 takes it from the device or the voltage
	Banks    []Bank  `yaml:"banks"`   // banks that have another one
}

// SourcesDisagreeSettings are the tolerances of sources-disagree; 0 leaves a quantity out.
type SourcesDisagreeSettings struct {
	Common            `yaml:",inline"`
	Position          float64 `yaml:"position_m"`
	Course            float64 `yaml:"course_deg"`
	Speed             float64 `yaml:"speed_kn"` // over ground and through water
	Heading           float64 `yaml:"heading_deg"`
	RateOfTurn        float64 `yaml:"rate_of_turn_deg_s"`
	Attitude          float64 `yaml:"attitude_deg"`
	Variation         float64 `yaml:"variation_deg"`
	Depth             float64 `yaml:"depth_m"`             // below surface or keel
	DepthTransducer   float64 `yaml:"depth_transducer_m"`  // below transducers whose place is not known
	ApparentWindAngle float64 `yaml:"apparent_wind_deg"`   // from the bow
	TrueWindAngle     float64 `yaml:"true_wind_deg"`       // from the bow or from north
	WindSpeed         float64 `yaml:"wind_speed_kn"`       // of any reference
	WaterTemperature  float64 `yaml:"water_temperature_c"` // in degrees Celsius
	Pressure          float64 `yaml:"pressure_hpa"`
	Humidity          float64 `yaml:"humidity_percent"`
	Rudder            float64 `yaml:"rudder_deg"`
}

// defaultTolerances are those of the table of measures.
func defaultTolerances() (s SourcesDisagreeSettings) {
	for _, m := range boat.Measures() {
		if at := s.of(m); at != nil {
			*at = m.Info().Tolerance
		}
	}
	return s
}

// of is where the tolerance of a measure is set, nil for one that is not compared.
func (s *SourcesDisagreeSettings) of(m boat.Measure) *float64 {
	switch m {
	case boat.Position:
		return &s.Position
	case boat.CourseTrue, boat.CourseMagnetic:
		return &s.Course
	case boat.SpeedOverGround, boat.SpeedThroughWater:
		return &s.Speed
	case boat.HeadingTrue, boat.HeadingMagnetic:
		return &s.Heading
	case boat.RateOfTurn:
		return &s.RateOfTurn
	case boat.Pitch, boat.Roll:
		return &s.Attitude
	case boat.Variation:
		return &s.Variation
	case boat.DepthSurface, boat.DepthKeel:
		return &s.Depth
	case boat.DepthTransducer:
		return &s.DepthTransducer
	case boat.ApparentWindAngle:
		return &s.ApparentWindAngle
	case boat.TrueWindAngle, boat.GroundWindDirection, boat.GroundWindAngle:
		return &s.TrueWindAngle
	case boat.ApparentWindSpeed, boat.TrueWindSpeed, boat.GroundWindSpeed:
		return &s.WindSpeed
	case boat.WaterTemperature:
		return &s.WaterTemperature
	case boat.Pressure:
		return &s.Pressure
	case boat.Humidity:
		return &s.Humidity
	case boat.RudderAngle:
		return &s.Rudder
	}
	return nil
}

// tolerance is how far two sources of a measure may be apart, in the unit of its Info; 0 when they are not compared.
func (s *SourcesDisagreeSettings) tolerance(m boat.Measure) float64 {
	if at := s.of(m); at != nil {
		return *at
	}
	return 0
}
