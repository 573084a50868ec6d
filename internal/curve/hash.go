package curve

import (
	"crypto/sha256"
	"encoding/binary"
	"math"

	"alike/spc/band"
)

// hashTag names the version of the form that is hashed.
const hashTag = "take curve 1\n"

// Hash returns the SHA-256 of a curve's content: the tag "take curve 1" and a line
// feed, the number of points as uint64, every frequency as float64, then every
// level as float32, the precision in which levels are kept; all little endian. A
// negative zero counts as zero. Phase is left out, so that the same response
// sent with and without it is found to be the same.
func Hash(c band.Curve) [sha256.Size]byte {
	b := make([]byte, 0, len(hashTag)+8+12*len(c.Hz))
	b = append(b, hashTag...)
	b = binary.LittleEndian.AppendUint64(b, uint64(len(c.Hz)))
	for _, f := range c.Hz {
		b = binary.LittleEndian.AppendUint64(b, math.Float64bits(positiveZero(f)))
	}
	for _, l := range c.DB {
		b = binary.LittleEndian.AppendUint32(b, math.Float32bits(positiveZero(float32(l))))
	}
	return sha256.Sum256(b)
}

// positiveZero turns -0 into 0, also the one that a tiny negative level becomes
// as float32.
func positiveZero[F float32 | float64](x F) F {
	if x == 0 {
		return 0
	}
	return x
}
