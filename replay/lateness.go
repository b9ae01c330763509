package replay

import (
	"encoding/json"
	"fmt"
	"math/bits"
	"time"
)

// Lateness says how late deadlines were met. P50 and P99 are upper bounds of the value, at most an
// eighth above it; Max is exact.
type Lateness struct {
	Count         uint64
	P50, P99, Max time.Duration
}

// String returns '20133 deadlines: half within 21µs, 99 in 100 within 58µs, the latest 1.2ms late'.
func (l Lateness) String() string {
	if l.Count == 0 {
		return "nothing was waited for"
	}
	return fmt.Sprintf("%d deadlines: half within %s, 99 in 100 within %s, the latest %s late",
		l.Count, l.P50.Round(time.Microsecond), l.P99.Round(time.Microsecond), l.Max.Round(time.Microsecond))
}

// MarshalJSON writes the durations as whole microseconds.
func (l Lateness) MarshalJSON() ([]byte, error) {
	return json.Marshal(struct {
		Count uint64 `json:"count"`
		P50   int64  `json:"p50_us"`
		P99   int64  `json:"p99_us"`
		Max   int64  `json:"max_us"`
	}{l.Count, l.P50.Microseconds(), l.P99.Microseconds(), l.Max.Microseconds()})
}

// lagParts is how many buckets each doubling of the lateness has.
const lagParts = 8

// lag counts lateness in buckets that grow with it, in bounded space.
//
//	0 1 2 .. 7 | 8 9 .. 15 | 16 18 .. 30 | 32 36 .. 60 | ...   ns, least value of each bucket
type lag struct {
	count   uint64
	most    time.Duration
	buckets [62 * lagParts]uint64
}

// add counts one deadline; one that was met early counts as on time.
func (l *lag) add(late time.Duration) {
	late = max(late, 0)
	l.count++
	l.most = max(l.most, late)
	l.buckets[bucketOf(uint64(late))]++
}

func bucketOf(v uint64) int {
	if v < lagParts {
		return int(v)
	}
	shift := bits.Len64(v) - bits.Len64(lagParts)
	return shift*lagParts + int(v>>shift)
}

// above returns the greatest value of a bucket.
func above(bucket int) time.Duration {
	if bucket < lagParts {
		return time.Duration(bucket)
	}
	shift := bucket/lagParts - 1
	return time.Duration((uint64(bucket%lagParts)+lagParts+1)<<shift - 1)
}

func (l *lag) sum() Lateness {
	s := Lateness{Count: l.count, Max: l.most}
	s.P50, s.P99 = l.quantile(50), l.quantile(99)
	return s
}

// quantile returns a bound that at least percent of the deadlines kept.
func (l *lag) quantile(percent uint64) time.Duration {
	rank := (l.count*percent + 99) / 100
	var n uint64
	for i, c := range l.buckets {
		n += c
		if n >= rank && c > 0 {
			return min(above(i), l.most)
		}
	}
	return 0
}
