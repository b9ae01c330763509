package j1939

import (
	"encoding/binary"
	"math"
	"time"

	"ridewitness/capture"
)

// Name is the NAME of a unit (SAE J1939-81). The smaller one wins a contest for an address.
//
//	63   62     60 59      56 55   49 48 47      40 39        35 34     32 31        21 20       0
//	arb. industry  system     vehicle -  function   function     ECU       manufacturer identity
//	addr. group    instance   system                instance     instance
type Name uint64

// Identity returns the number that the maker gave this one unit. It belongs to the personal data of
// the vehicle.
func (n Name) Identity() uint32 { return uint32(n & identityMask) }

// WithoutIdentity returns the NAME with the identity number left out, to be shown to others.
func (n Name) WithoutIdentity() Name { return n &^ identityMask }

// Manufacturer returns the maker's code, 0 to 2047.
func (n Name) Manufacturer() uint16 { return uint16(n >> 21 & 0x7FF) }

// ECUInstance tells apart the control units that share one function, from 0.
func (n Name) ECUInstance() uint8 { return uint8(n >> 32 & 0x7) }

// FunctionInstance tells apart equal functions, from 0.
func (n Name) FunctionInstance() uint8 { return uint8(n >> 35 & 0x1F) }

// Function returns what the unit does. Codes from 128 on depend on industry group and vehicle system.
func (n Name) Function() uint8 { return uint8(n >> 40) }

// VehicleSystem returns the part of the vehicle that the unit belongs to, 0 to 127.
func (n Name) VehicleSystem() uint8 { return uint8(n >> 49 & 0x7F) }

// SystemInstance tells apart equal vehicle systems, from 0.
func (n Name) SystemInstance() uint8 { return uint8(n >> 56 & 0xF) }

// IndustryGroup returns the industry, 0 to 7: 0 for all, 1 for on-highway equipment.
func (n Name) IndustryGroup() uint8 { return uint8(n >> 60 & 0x7) }

// ArbitraryAddress reports whether the unit takes another address when it loses the one it wants.
func (n Name) ArbitraryAddress() bool { return n>>63 == 1 }

// identityMask covers the identity number.
const identityMask Name = 0x1FFFFF

// nameOf reads the NAME of an address claim, low byte first.
func nameOf(f *capture.Frame) Name { return Name(binary.LittleEndian.Uint64(f.Data[:8])) }

// isClaim reports whether a frame is an address claim, or says that none can be claimed.
func isClaim(f *capture.Frame) bool { return f.ID>>8&MaxGroup == claimToAll && f.Len == 8 }

// claimToAll is the group of address claims together with the destination all.
const claimToAll = 0xEEFF

// ClaimSettles is how long a claim may be contested before it counts (SAE J1939-81).
const ClaimSettles = 250 * time.Millisecond

// Directory follows which unit has which address, by the address claims that it is fed. A claim that
// was not recorded is not known, so an address without a name says nothing. It is not safe for
// concurrent use; the zero value knows nobody.
type Directory struct {
	buses [math.MaxUint8 + 1]*addresses
}

// addresses holds the claim for each address of a bus.
type addresses [NoAddress]claim

type claim struct {
	held   bool
	name   Name
	since  capture.Stamp
	packet uint64
}

// Claim is who holds an address.
type Claim struct {
	Name   Name
	Since  capture.Stamp // of the claim, which counts ClaimSettles later
	Packet uint64        // of the claim
}

// Feed takes the next frame of the stream and reports whether an address changed hands.
func (d *Directory) Feed(f *capture.Frame) bool {
	if f.Flags&(capture.Extended|capture.Error|capture.Remote|capture.Cut) != capture.Extended || !isClaim(f) {
		return false
	}
	if d.buses[f.Bus] == nil {
		d.buses[f.Bus] = new(addresses)
	}
	return d.buses[f.Bus].take(nameOf(f), uint8(f.ID), f)
}

// take applies a claim. A unit has one address, so claiming another, or none, gives up the one before.
func (a *addresses) take(name Name, address uint8, f *capture.Frame) bool {
	changed := a.release(name, address)
	if address >= NoAddress {
		return changed
	}
	holder := &a[address]
	if holder.held && holder.name <= name {
		return changed
	}
	*holder = claim{held: true, name: name, since: f.At, packet: f.Packet}
	return true
}

// release frees every address of a unit but the one it keeps.
func (a *addresses) release(name Name, keep uint8) bool {
	changed := false
	for i := range a {
		if a[i].held && a[i].name == name && uint8(i) != keep {
			a[i], changed = claim{}, true
		}
	}
	return changed
}

// Holder returns who holds an address at a time, which must not lie before that of the last frame fed.
// It reports false where nobody is known to, and while a claim may still be contested.
func (d *Directory) Holder(bus capture.BusID, address uint8, at capture.Stamp) (Claim, bool) {
	if d.buses[bus] == nil || address >= NoAddress {
		return Claim{}, false
	}
	c := d.buses[bus][address]
	if !c.held || at < c.since.Add(ClaimSettles) {
		return Claim{}, false
	}
	return Claim{Name: c.name, Since: c.since, Packet: c.packet}, true
}

// Address returns the address of a unit at a time, under the conditions of Holder.
func (d *Directory) Address(bus capture.BusID, name Name, at capture.Stamp) (uint8, bool) {
	for address := range NoAddress {
		if c, ok := d.Holder(bus, address, at); ok && c.Name == name {
			return address, true
		}
	}
	return NoAddress, false
}
