package nmea0183_test

import (
	"fmt"

	"muster/internal/nmea0183"
)

func ExampleParse() {
	line := []byte("\x00$HCHDG,115.9,1.0,W,4.2,E*5B$SDDPT,12.$SDDPT,12.4,0.5,50")
	var (
		s        nmea0183.Sentence
		readings []nmea0183.Reading
	)
	for rest := line; rest != nil; {
		var err error
		if rest, err = nmea0183.Parse(rest, &s); err != nil {
			fmt.Printf("%s: %v\n", s.Raw, err)
			continue
		}
		fmt.Printf("%s %s, checksum %v\n", s.Talker(), s.Formatter(), s.Checksum)
		readings, _ = nmea0183.Read(&s, readings[:0])
		for _, r := range readings {
			fmt.Printf("  %v %v %v %.3f\n", r.Quantity, r.Reference, r.Available, r.Value)
		}
	}
	// Output:
	// HC HDG, checksum good
	//   heading magnetic true 2.005
	//   deviation none true -0.017
	//   variation none true 0.073
	// $SDDPT,12.: nmea0183: cut
	// SD DPT, checksum missing
	//   depth transducer true 12.400
}
