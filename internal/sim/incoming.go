package sim

import (
	"bytes"
	"context"
	"encoding/csv"
	"fmt"
	"math"
	"math/cmplx"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strconv"
	"time"

	"alike/internal/curve"
	"alike/spc/band"
)

// DriverCode is the product code of the TB40's drivers as they come in.
const DriverCode = "tb40-driver"

// A DriverBatch is a batch of bare drivers on the incoming jig.
type DriverBatch struct {
	Code, Supplier string
	Received       time.Time // date only
	Pieces         int       // bought
	Certificate    []Certified
	Drivers        []BareDriver
}

// A Certified is one number of a batch's certificate.
type Certified struct {
	Name, Unit string
	Value      float64
}

// A BareDriver is a single driver, measured once.
type BareDriver struct {
	Serial   string
	Params   Params
	Reversed bool // the terminals are marked the wrong way round
	// Curve is level in dB SPL at Drive and 5 cm, phase in degrees. Curves share the
	// slice of frequencies.
	Curve      band.Curve
	Resonance  float64 // Hz
	Impedance  float64 // ohm, at 1 kHz
	Distortion float64 // %, at the resonance
	At         time.Time
	// Unit and Channel are where the driver was built in, empty for nowhere.
	Unit, Channel string
}

// A purchase is a batch of drivers in the script.
type purchase struct {
	code, supplier  string
	pieces, tested  int
	day             int // received, days after the first Monday
	effect          func(Params) Params
	scatter         float64 // of parts, relative to the usual
	distortion      float64 // median, %
	reversed        int     // number from 1 of the driver marked the wrong way; 0 for none
	stiff           int     // likewise of one with a stiff suspension
	resonance, mass float64 // certified: Hz, g
}

// The second supplier's drivers are weaker and resonate higher than the first's:
// inside the limits of each piece, but not alike. What makes a driver good or bad is
// common practice without a source.
var purchases = []purchase{
	{code: "NV-2440", supplier: "Norvane", pieces: 150, tested: 60, day: 21, effect: norvane2, scatter: 1, distortion: 0.28, resonance: 119, mass: 0.080},
	{code: "NV-2447", supplier: "Norvane", pieces: 120, tested: 60, day: 33, effect: func(p Params) Params { return p.ScaleBl(dB(-0.05)) }, scatter: 1, distortion: 0.28, stiff: 17, resonance: 120, mass: 0.080},
	{code: "OS-121", supplier: "Ostrel", pieces: 120, tested: 60, day: 35, effect: func(p Params) Params { return p.ScaleBl(dB(-0.5)).ScaleFs(1.05) }, scatter: 1.35, distortion: 0.36, reversed: 23, resonance: 123, mass: 0.081},
}

// bareModes are where the diaphragm breaks up; the lumped model lacks them.
var bareModes = []mode{{4200, 1.5}, {7600, -2}, {12500, 2.5}}

// BareTarget returns what a driver should measure on the jig.
func BareTarget() band.Curve {
	return bare(Nominal(), bareModes, logarithmic(takeLow, takeHigh, 160))
}

func bare(p Params, modes []mode, hz []float64) band.Curve {
	c := band.Curve{Hz: hz, DB: make([]float64, len(hz)), Phase: make([]float64, len(hz))}
	for i, f := range hz {
		r := p.Bare(f)
		c.DB[i], c.Phase[i] = r.SPL()+resonances(f, modes), phase(r.P)
	}
	return c
}

// Incoming returns the batches of drivers that the workshop measures before it builds,
// of two suppliers. Each has up to most drivers measured, 0 for all. Those of a batch
// that the units' ledger names are the very drivers of its last units, two of each.
func (s *Story) Incoming(most int) []DriverBatch {
	var out []DriverBatch
	for i, p := range purchases {
		b := DriverBatch{Code: p.code, Supplier: p.supplier, Received: day(s.monday.AddDate(0, 0, p.day)), Pieces: p.pieces,
			Certificate: []Certified{{"resonance frequency", "Hz", p.resonance}, {"moving mass", "g", p.mass}}}
		places := s.places(p, Key{s.Options.Seed, -1 - i, 0})
		n := p.tested
		if len(places) > 0 {
			n = len(places)
		}
		for k := range n {
			if most > 0 && k == most {
				break
			}
			var at *seat
			if len(places) > 0 {
				at = &places[k]
			}
			b.Drivers = append(b.Drivers, p.draw(Key{s.Options.Seed, -1 - i, k}, b.Received, at))
		}
		out = append(out, b)
	}
	return out
}

// day is the date of t at midnight UTC.
func day(t time.Time) time.Time {
	y, m, d := t.Date()
	return time.Date(y, m, d, 0, 0, 0, 0, time.UTC)
}

// A seat is where a driver sits in a finished unit.
type seat struct {
	serial  string
	channel int
	cup     Params
}

// places are those of the last units that hold a batch, as many as were tested, in an
// order that says nothing of the units.
func (s *Story) places(p purchase, k Key) []seat {
	var out []seat
	for _, d := range deliveries {
		if d.kind != "driver" || d.batch != p.code {
			continue
		}
		from, to := s.number(d.from), s.number(d.to)
		for n := max(from, to-p.tested/2); n < to; n++ {
			for ch := range Channels {
				out = append(out, seat{s.serial[n], ch, s.units[n].Cups[ch]})
			}
		}
	}
	k.stream(streamPair).Shuffle(len(out), func(i, j int) { out[i], out[j] = out[j], out[i] })
	return out
}

// draw makes one driver, or takes the one of a unit, and measures it on the day after
// it came.
func (p purchase) draw(k Key, received time.Time, at *seat) BareDriver {
	r := k.stream(streamCup)
	q := p.fresh(r, k)
	d := BareDriver{Serial: fmt.Sprintf("%s-%03d", p.code, k.Unit+1), Reversed: k.Unit+1 == p.reversed}
	if at != nil {
		q.Bl, q.Fs, q.Mms, q.Re = at.cup.Bl, at.cup.Fs, at.cup.Mms, at.cup.Re
		d.Unit, d.Channel = at.serial, Channels[at.channel]
	}
	d.Params = q
	d.Curve = p.measure(r, q, d.Reversed)
	d.Resonance = decimals(q.Fs*math.Exp(0.003*r.NormFloat64()), 1)
	d.Impedance = decimals(cmplx.Abs(q.Bare(1000).Z)*math.Exp(0.002*r.NormFloat64()), 2)
	d.Distortion = decimals(p.distortion*math.Exp(0.2*r.NormFloat64()), 2)
	const pace = 40 * time.Second
	d.At = received.AddDate(0, 0, 1).Add(8*time.Hour + time.Duration(k.Unit)*pace)
	return d
}

// fresh draws the parameters of a driver.
func (p purchase) fresh(r *rand.Rand, k Key) Params {
	s := usual()
	q := p.effect(Nominal())
	q = q.ScaleBl(math.Pow(10, p.scatter*s.Bl*r.NormFloat64()/20))
	for _, part := range []struct {
		value  *float64
		spread float64
	}{{&q.Fs, s.Fs}, {&q.Mms, s.Mms}, {&q.Re, s.Re}} {
		*part.value *= math.Exp(p.scatter * part.spread * r.NormFloat64())
	}
	if k.Unit+1 == p.stiff {
		q = q.ScaleFs(1.3)
	}
	return q
}

// bareGrid is shared by all takes.
var bareGrid = func() []float64 {
	hz := logarithmic(takeLow, takeHigh, 240)
	for i := range hz {
		hz[i] = decimals(hz[i], hzDigits)
	}
	return hz
}()

func (p purchase) measure(r *rand.Rand, q Params, reversed bool) band.Curve {
	c := bare(q, shake(r, bareModes, 0.012, 0.35*p.scatter), bareGrid)
	for i := range c.Hz {
		c.DB[i] = decimals(c.DB[i]+0.03*r.NormFloat64(), dbDigits)
		if reversed {
			c.Phase[i] = turned(c.Phase[i])
		}
		c.Phase[i] = decimals(c.Phase[i], dbDigits)
	}
	return c
}

// A DriverFolder is where WriteDrivers put the incoming drivers.
type DriverFolder struct {
	Takes, Values, Batches string
	Built                  string // which driver went into which unit
}

// FolderOfDrivers names the files below a folder.
func FolderOfDrivers(dir string) DriverFolder {
	return DriverFolder{Takes: filepath.Join(dir, "drivers"), Values: filepath.Join(dir, "driver-values.csv"), Batches: filepath.Join(dir, "driver-batches.csv"),
		Built: filepath.Join(dir, "driver-places.csv")}
}

// WriteDrivers writes batches of drivers as the incoming jig exports them: a file per
// driver with a manifest, a table of single numbers, the delivery notes with what the
// suppliers certify, and which driver was built in where. dir must not hold them yet.
func WriteDrivers(ctx context.Context, dir string, batches []DriverBatch) (DriverFolder, error) {
	f := FolderOfDrivers(dir)
	values := [][]string{{"serial", "batch", "resonance [Hz]", "impedance [ohm]", "distortion [%]", "measured_at"}}
	notes := [][]string{{"kind", "batch", "supplier", "received", "pieces"}}
	for _, v := range batches[0].Certificate {
		notes[0] = append(notes[0], fmt.Sprintf("%s [%s]", v.Name, v.Unit))
	}
	built := [][]string{{"kind", "channel", "piece", "unit"}}
	if err := os.MkdirAll(f.Takes, 0o755); err != nil {
		return f, fmt.Errorf("cannot make the drivers' folder: %w", err)
	}
	var rows []curve.ManifestRow
	for _, b := range batches {
		note := []string{"driver", b.Code, b.Supplier, b.Received.Format(time.DateOnly), strconv.Itoa(b.Pieces)}
		for _, v := range b.Certificate {
			note = append(note, text(v.Value))
		}
		notes = append(notes, note)
		for _, d := range b.Drivers {
			if err := ctx.Err(); err != nil {
				return f, err
			}
			name := d.Serial + ".txt"
			err := save(filepath.Join(f.Takes, name), func(w *bytes.Buffer) error {
				return curve.WriteText(w, d.Curve, curve.Style{Phase: true, HzDigits: hzDigits, DBDigits: dbDigits, Comments: []string{"incoming jig, driver " + d.Serial}})
			})
			if err != nil {
				return f, err
			}
			rows = append(rows, curve.ManifestRow{File: name, Identity: curve.Identity{Product: DriverCode, Lot: b.Code, Serial: d.Serial, Channel: "mono", Seating: 1, Station: "jig-1", MeasuredAt: d.At}})
			if d.Unit != "" {
				built = append(built, []string{"driver", d.Channel, d.Serial, d.Unit})
			}
			values = append(values, []string{d.Serial, b.Code, text(d.Resonance), text(d.Impedance), text(d.Distortion), d.At.Format(time.RFC3339)})
		}
	}
	if err := save(filepath.Join(f.Takes, curve.ManifestName), func(w *bytes.Buffer) error { return curve.WriteManifest(w, rows) }); err != nil {
		return f, err
	}
	for name, table := range map[string][][]string{f.Values: values, f.Batches: notes, f.Built: built} {
		if err := save(name, func(w *bytes.Buffer) error { return csv.NewWriter(w).WriteAll(table) }); err != nil {
			return f, err
		}
	}
	return f, nil
}

func text(x float64) string { return strconv.FormatFloat(x, 'f', -1, 64) }
