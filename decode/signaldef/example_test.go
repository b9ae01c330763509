package signaldef_test

import (
	"fmt"

	"ridewitness/decode/signaldef"
)

func ExampleLoad() {
	_, err := signaldef.Load("wagon.yaml", []byte(`version: 1
signals:
  - name: rear_left_pressure
    corner: rear-left
    quantity: pressure
    unit: bar
    from: {frame: 0x4A1, format: standard}
    bytes: 1-2
    order: low-first
    maks: 0xFFF0
`))
	fmt.Println(err)
	// Output:
	// wagon.yaml:3:5: reference: is missing, expected gauge or absolute: an absolute sensor taken for gauge shows 1 bar that is not there
	// wagon.yaml:10:5: maks: is no key that is known here, expected mask
}

func ExampleMerge() {
	base, _ := signaldef.Builtin("j1939")
	own, err := signaldef.Load("own.yaml", []byte(`version: 1
signals:
  - name: cab_speed
    quantity: vehicle-speed
    unit: km/h
    from: {frame: 0x18FEF1EE, format: extended}
    bytes: 1-2
    order: low-first
    scale: 0.00390625
`))
	if err != nil {
		fmt.Println(err)
		return
	}
	_, replaced, err := signaldef.Merge(base, own)
	fmt.Println(replaced[0], err)
	// Output:
	// the vehicle-speed: cab_speed (own.yaml:3:5) replaces vehicle_speed (j1939:119:5) <nil>
}
