package scenario

import (
	"crypto/sha256"
	"encoding/binary"
	"math/bits"
)

// stream is a sequence of random numbers for one purpose: xoshiro256** of Blackman and Vigna, whose
// state is the SHA-256 of the seed and the purpose's name. A new purpose changes nobody else's
// numbers.
type stream struct{ s [4]uint64 }

// newStream returns the stream of a purpose.
func newStream(seed uint64, purpose string) stream {
	text := binary.BigEndian.AppendUint64(nil, seed)
	sum := sha256.Sum256(append(text, purpose...))
	var st stream
	for i := range st.s {
		st.s[i] = binary.BigEndian.Uint64(sum[8*i:])
	}
	return st
}

// next returns 64 random bits.
func (st *stream) next() uint64 {
	s := &st.s
	result := bits.RotateLeft64(s[1]*5, 7) * 9
	t := s[1] << 17
	s[2] ^= s[0]
	s[3] ^= s[1]
	s[1] ^= s[2]
	s[0] ^= s[3]
	s[2] ^= t
	s[3] = bits.RotateLeft64(s[3], 45)
	return result
}

// below returns a number from 0 to n-1; n must not be 0. The bias of the remainder is under
// n/2^64.
func (st *stream) below(n uint64) uint64 { return st.next() % n }

// uniform returns a number from 0 to 1, 1 excluded, in steps of 2^-53.
func (st *stream) uniform() float64 { return float64(float64(st.next()>>11) * (1.0 / (1 << 53))) }

// gauss returns a number of mean 0 and standard deviation 1: twelve uniform ones less six. That
// needs no logarithm and no cosine, whose last bits differ between platforms, and never goes
// beyond six deviations.
func (st *stream) gauss() float64 {
	sum := -6.0
	for range 12 {
		sum += st.uniform()
	}
	return sum
}
