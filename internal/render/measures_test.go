package render

import (
	"strings"
	"testing"
	"time"
)

// all chooses the options with these keys.
func all(keys string) Measures {
	return ChooseMeasures(func(_, option string) bool { return strings.Contains(","+keys+",", ","+option+",") })
}

// TestConvert: the expected values are those of NIST SP 811, appendix B, and of the definitions (1 kn = 1852 m/h, 1 ft = 0.3048 m).
func TestConvert(t *testing.T) {
	us := all("ft,mph,f,psi")
	for _, tt := range []struct {
		name     string
		measures Measures
		apart    bool
		in, want string
	}{
		{"nothing chosen", Measures{}, false, "8.5 m at 14.2 °C", "8.5 m at 14.2 °C"},
		{"a limit", us, false, "Drop cable is 8.5 m (limit 6 m).", "Drop cable is 27.9 ft (limit 19.7 ft)."},
		{"water boils", us, false, "100 °C", "212 °F"},
		{"below zero", us, false, "it was -40.0 °C", "it was -40.0 °F"},
		{"a difference", us, true, "10 °C", "18 °F"},
		{"a difference in prose", us, false, "differ by 10 °C (limit 3.0 °C)", "differ by 18 °F (limit 5.4 °F)"},
		{"the standard atmosphere", us, false, "1013.25 hPa", "29.92 inHg"},
		{"oil", us, false, "4.00 bar, 2 kn", "58.02 psi, 2.3 mph"},
		{"metric speed", all("kmh"), false, "10.0 kn and 3 m", "18.5 km/h and 3 m"},
		{"not units", us, false, "LF9-4.5 m, 1.2.3 m, 10 m/s, 12 min, 4 mm, 3 m², x5 m", "LF9-4.5 m, 1.2.3 m, 10 m/s, 12 min, 4 mm, 3 m², x5 m"},
		{"ends of sentences", us, false, "It is 2 m. Then 3 m, or 4 m", "It is 6.6 ft. Then 9.8 ft, or 13.1 ft"},
		{"a range", us, false, "5-10 m", "5-10 m"},
		{"only numbers", us, false, "12 34", "12 34"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			if got := Convert(tt.in, tt.measures.Conversions(), tt.apart); got != tt.want {
				t.Errorf("%q, want %q", got, tt.want)
			}
		})
	}
}

func FuzzConvert(f *testing.F) {
	f.Add("8.5 m (limit 6 m)", true)
	f.Add("-1..2 m -", false)
	f.Fuzz(func(t *testing.T, text string, apart bool) {
		if got := Convert(text, all("ft,kmh,f,psi").Conversions(), apart); !strings.ContainsAny(text, "0123456789") && got != text {
			t.Errorf("%q became %q", text, got)
		}
		_ = Localise(text, time.FixedZone("CET", 3600))
	})
}

func TestLocalise(t *testing.T) {
	cet := time.FixedZone("CET", 3600)
	for in, want := range map[string]string{
		"since 2026-05-04 23:30:00 UTC, 3 times": "since 5 May 2026 00:30 CET, 3 times",
		"2026-05-04 08:00 UTC":                   "4 May 2026 09:00 CET",
		"UTC, 12:00 UTC, 2026-13-04 08:00 UTC":   "UTC, 12:00 UTC, 2026-13-04 08:00 UTC",
	} {
		if got := Localise(in, cet); got != want {
			t.Errorf("%q, want %q", got, want)
		}
		if got := Localise(in, time.UTC); got != in {
			t.Errorf("in UTC %q", got)
		}
	}
}

func TestPosition(t *testing.T) {
	for degrees, want := range map[float64]string{
		38.703: "38° 42.1800′ N", -0.5: "00° 30.0000′ S", 59.99999999: "60° 00.0000′ N", 0: "00° 00.0000′ N",
	} {
		if got := Latitude(degrees); got != want {
			t.Errorf("%v is %q, want %q", degrees, got, want)
		}
	}
	if got := Longitude(-9.14); got != "009° 08.4000′ W" {
		t.Error(got)
	}
}
