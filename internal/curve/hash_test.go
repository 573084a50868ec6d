package curve

import (
	"encoding/hex"
	"math"
	"testing"

	"alike/spc/band"
)

// The expected sum was computed by Python's hashlib and struct:
//
//	hz, db = [20, 31.5, 1000], [90.1, -3.25, 0]
//	hashlib.sha256(b"take curve 1\n" + struct.pack("<Q3d3f", 3, *hz, *db)).hexdigest()
func TestHash(t *testing.T) {
	const want = "97904565f06a5ae17247bdb0b2545e22968c7c04b889de0cf5c496aa6f11099f"
	hz, db := []float64{20, 31.5, 1000}, []float64{90.1, -3.25, 0}
	hash := func(hz, db, phase []float64) string {
		h := Hash(band.Curve{Hz: hz, DB: db, Phase: phase})
		return hex.EncodeToString(h[:])
	}
	for name, got := range map[string]string{
		"as computed":              hash(hz, db, nil),
		"with phase":               hash(hz, db, []float64{1, 2, 3}),
		"negative zero":            hash(hz, []float64{90.1, -3.25, math.Copysign(0, -1)}, nil),
		"negative zero as float32": hash(hz, []float64{90.1, -3.25, -1e-60}, nil),
		"below float32":            hash(hz, []float64{90.1 + 1e-9, -3.25, 0}, nil),
	} {
		if got != want {
			t.Errorf("%s: %s, want %s", name, got, want)
		}
	}
	for name, got := range map[string]string{
		"other level":     hash(hz, []float64{90.1 + 1e-4, -3.25, 0}, nil),
		"other frequency": hash([]float64{20 + 1e-9, 31.5, 1000}, db, nil),
		"shorter":         hash(hz[:2], db[:2], nil),
	} {
		if got == want {
			t.Errorf("%s has the same sum", name)
		}
	}
}
