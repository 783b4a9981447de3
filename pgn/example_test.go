package pgn_test

import (
	"fmt"

	"muster/pgn"
)

// A wind sensor's message, from bytes to values.
func ExampleDefinition_Decode() {
	id := pgn.ID(0x09FD0223)
	payload := []byte{0x05, 0x0F, 0x02, 0xFF, 0xFF, 0xFA, 0xFF, 0xFF}

	d := pgn.Lookup(id.PGN())
	values, err := d.Decode(payload, nil)
	if err != nil {
		fmt.Println(err)
		return
	}
	fmt.Println(d.PGN, d.Title, "from", id.Source())
	for _, v := range values {
		if v.Field.Role != pgn.RoleReserved {
			fmt.Printf("%s: %s\n", v.Field.Name, v)
		}
	}
	// Output:
	// 130306 Wind Data from 35
	// SID: 5
	// Wind speed: 5.27 m/s
	// Wind angle / direction: not available
	// Reference: Apparent
}

// A device's product information, as a device writes it.
func ExampleProductInformation() {
	m := pgn.ProductInformation{Model: "LF9 display", SoftwareVersion: "4.47", LoadEquivalency: pgn.Some[uint8](6)}
	var got pgn.ProductInformation
	err := got.Decode(m.Append(nil))
	fmt.Println(got.Model, got.SoftwareVersion, got.LoadEquivalency.Value, got.ProductCode.OK, err)
	// Output: LF9 display 4.47 6 false <nil>
}
