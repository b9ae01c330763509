package session

import (
	"math/big"
	"testing"

	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"
)

// Every time unit that is read gives the stamp that arbitrary-precision arithmetic gives: seconds =
// offset + raw x unit (draft-ietf-opsawg-pcapng, if_tsresol and if_tsoffset), in whole nanoseconds.
func TestUnitsAgainstBigArithmetic(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		raw := rapid.Uint64().Draw(t, "raw")
		code := rapid.Uint8().Draw(t, "if_tsresol")
		offset := rapid.Int64Range(-1<<34, 1<<34).Draw(t, "if_tsoffset")
		unit := unitOf(code)
		if n := code & 0x7F; code&0x80 == 0 && n > 19 || code&0x80 != 0 && n > 63 {
			require.Equal(t, unitUnsupported, unit.kind)
			return
		}
		ns := nanoseconds(raw, code)
		// What does not fit before the offset is added is refused, even if a negative offset would
		// bring it back: no clock counts so.
		fits := ns.IsInt64()
		ns.Add(ns, new(big.Int).Mul(big.NewInt(offset), big.NewInt(1_000_000_000)))
		fits = fits && ns.IsInt64() && ns.Sign() >= 0

		got, ok := unit.stamp(raw, offset)
		require.Equal(t, fits, ok, "raw %d, unit %#x, offset %d: %s", raw, code, offset, ns)
		if fits {
			require.Equal(t, ns.Int64(), int64(got))
		}
	})
}

// nanoseconds returns raw units of 10^-n s, or of 2^-n s, as whole nanoseconds.
func nanoseconds(raw uint64, code uint8) *big.Int {
	base := big.NewInt(10)
	if code&0x80 != 0 {
		base = big.NewInt(2)
	}
	perSecond := new(big.Int).Exp(base, big.NewInt(int64(code&0x7F)), nil)
	ns := new(big.Int).Mul(new(big.Int).SetUint64(raw), big.NewInt(1_000_000_000))
	return ns.Quo(ns, perSecond)
}
