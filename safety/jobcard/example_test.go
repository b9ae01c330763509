package jobcard_test

import (
	"fmt"

	"ridewitness/decode"
	"ridewitness/safety/jobcard"
)

func ExampleLoad() {
	card, err := jobcard.Load("card.yaml", []byte(`version: 1
serviced: [rear-left]
springs:
  rear: {corners: [rear-left, rear-right], volume: 2.2 L, least_pressure: 1 bar}
`))
	if err != nil {
		fmt.Println(err)
		return
	}
	s := card.Springs[decode.RearLeft]
	fmt.Println(s.Name, s.Volume.Value, "m3,", "greatest pressure known:", s.GreatestBar.Known)
	// Output: rear 0.0022 m3, greatest pressure known: false
}
