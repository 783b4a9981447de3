package release_test

import (
	"fmt"

	"muster/internal/release"
)

// The same two versions are in opposite order under two manufacturers' numbering.
func ExampleCompare() {
	for _, name := range []string{release.Decimal, release.Dotted} {
		scheme, err := release.Numbering{Scheme: name}.Compile()
		if err != nil {
			fmt.Println(err)
			return
		}
		a, _ := scheme.Parse("4.5")
		b, _ := scheme.Parse("4.47")
		order, err := release.Compare(a, b)
		fmt.Println(name, order, err)
	}
	// Output:
	// decimal 1 <nil>
	// dotted -1 <nil>
}
