package line

import (
	"encoding/binary"
	"fmt"
	"math"

	"alike/internal/store"
	"alike/spc/band"
)

// packDoubles writes numbers as little-endian float64.
func packDoubles(xs []float64) []byte {
	out := make([]byte, 0, 8*len(xs))
	for _, x := range xs {
		out = binary.LittleEndian.AppendUint64(out, math.Float64bits(x))
	}
	return out
}

// packFloats writes numbers as little-endian float32.
func packFloats(xs []float64) []byte {
	out := make([]byte, 0, 4*len(xs))
	for _, x := range xs {
		out = binary.LittleEndian.AppendUint32(out, math.Float32bits(float32(x)))
	}
	return out
}

// unpack returns the curve of a stored row.
func unpack(r store.CurveRow) (band.Curve, error) {
	n := len(r.Frequencies) / 8
	if len(r.Frequencies) != 8*n || len(r.Levels) != 4*n || (r.Phases != nil && len(r.Phases) != 4*n) {
		return band.Curve{}, fmt.Errorf("stored curve of take %s has columns of different length", r.Take)
	}
	c := band.Curve{Hz: make([]float64, n), DB: unpackFloats(r.Levels)}
	for i := range c.Hz {
		c.Hz[i] = math.Float64frombits(binary.LittleEndian.Uint64(r.Frequencies[8*i:]))
	}
	if r.Phases != nil {
		c.Phase = unpackFloats(r.Phases)
	}
	return c, nil
}

func unpackFloats(b []byte) []float64 {
	out := make([]float64, len(b)/4)
	for i := range out {
		out[i] = float64(math.Float32frombits(binary.LittleEndian.Uint32(b[4*i:])))
	}
	return out
}
