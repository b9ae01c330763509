// Package obd takes answers of service 0x01 of ISO 15031-5 (SAE J1979) apart: current values, one or
// several parameters at once.
//
//	0x7DF  01 0C 0D             0x7E8  41 0C 1A F8 0D 32
//	tester -> all               unit      \_____/  \___/
//	                                      0x0C: 2  0x0D: 1 byte of data
//
// The invariant: a parameter is given only when the lengths of all before it are known and the bytes
// come out even.
//
// Identifiers follow ISO 15765-4. The package does not decode values: the built-in definitions do, and
// so they stand in one place with all others. Service 0x02 looks alike and is none of its business:
// its values were frozen when a fault was stored, and are not live.
package obd
