package reports

import (
	"encoding/json"
	"fmt"
	"reflect"
	"time"
)

// A Certificate says of one good unit what was measured, for its box.
type Certificate struct {
	Site, Product, Lot, Serial string
	MeasuredAt                 time.Time
	Attempt                    int    // the one that passed
	Verdict                    string // pass
	Sentence                   string
	Override                   string // who set another verdict aside, and why; empty for none
	NotChecked                 string // what the verdict does not cover
	Envelope                   int    // version
	Rig                        string // how the rig was checked, a clause
	Axis                       []float64
	Limits                     Limits
	Curves                     []Series // deviation per channel over Axis, dB
	Sensitivity                []float64
	Balance                    float64 // NaN with one channel
	Outcome                    string  // of the lot's decision: accept or concession
	DecidedBy                  string
	DecidedAt                  time.Time
	Reason                     string
	DataHash                   string // of the lot's data that were signed
}

// Certificates are those of a lot, and the units that have none.
type Certificates struct {
	Lot     string
	Good    []Certificate
	LeftOut []LeftOut
	Program string
}

// A LeftOut is a unit without a certificate, and why.
type LeftOut struct{ Serial, Reason string }

// Check returns an error unless every curve of a certificate has a value per band.
func (c Certificate) Check() error {
	for i, f := range c.Axis {
		if !(f > 0) || i > 0 && f <= c.Axis[i-1] {
			return fmt.Errorf("certificate of %q: axis value %d (%v Hz) does not rise above the one before", c.Serial, i+1, f)
		}
	}
	rows := [][]float64{c.Limits.Lower, c.Limits.Upper, c.Limits.WorkingLower, c.Limits.WorkingUpper}
	for _, s := range c.Curves {
		if len(s.Values) != len(c.Axis) {
			return fmt.Errorf("certificate of %q, curve %q: %d values for %d bands", c.Serial, s.Name, len(s.Values), len(c.Axis))
		}
	}
	for _, r := range rows {
		if len(r) != 0 && len(r) != len(c.Axis) {
			return fmt.Errorf("certificate of %q: %d limits for %d bands", c.Serial, len(r), len(c.Axis))
		}
	}
	return nil
}

// Twin returns the certificates for programs, as JSON in the form of Lot.Twin.
func (c Certificates) Twin() ([]byte, error) { return twinOf(c) }

// twinOf writes a report's struct as JSON: keys in small letters, what is not known as
// null, numbers with nine significant digits.
func twinOf(report any) ([]byte, error) {
	return json.MarshalIndent(map[string]any{"form": twinForm, "data": plain(reflect.ValueOf(report))}, "", "  ")
}
