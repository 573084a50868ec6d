package sim

import (
	"encoding/csv"
	"math"
	"math/cmplx"
	"os"
	"path/filepath"
	"strconv"
	"testing"

	"alike/spc/band"
)

// The tables in testdata were computed independently of this package; each file
// says how. mm builds slits as the tables name them.
const mm = 1e-3

var cases = map[string]func(Params) Params{
	"nominal":           func(p Params) Params { return p },
	"pad leak, small":   func(p Params) Params { return p.PadLeak(Slit{20 * mm, 0.8 * mm, 15 * mm}) },
	"pad leak, large":   func(p Params) Params { return p.PadLeak(Slit{30 * mm, 1.5 * mm, 15 * mm}) },
	"glue gap 0.35 mm":  func(p Params) Params { return p.GlueGap(Slit{15 * mm, 0.35 * mm, 3 * mm}) },
	"glue gap 0.7 mm":   func(p Params) Params { return p.GlueGap(Slit{15 * mm, 0.7 * mm, 3 * mm}) },
	"foam dense":        Params.FoamDense,
	"foam missing":      Params.FoamMissing,
	"plate missing":     Params.PlateMissing,
	"fs +15 %":          func(p Params) Params { return p.ScaleFs(1.15) },
	"fs -15 %":          func(p Params) Params { return p.ScaleFs(0.85) },
	"Bl -10 %":          func(p Params) Params { return p.ScaleBl(0.9) },
	"Mms +10 %":         func(p Params) Params { return p.ScaleMms(1.1) },
	"mesh 40 % blocked": func(p Params) Params { return p.MeshBlocked(0.4) },
	"mesh missing":      Params.MeshMissing,
	"V2 -10 %":          func(p Params) Params { return p.ScaleV2(0.9) },
}

// table reads a CSV with # comments into one map per row.
func table(t *testing.T, name string) (head []string, rows []map[string]string) {
	t.Helper()
	f, err := os.Open(filepath.Join("testdata", name))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	r := csv.NewReader(f)
	r.Comment = '#'
	all, err := r.ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, cells := range all[1:] {
		row := map[string]string{}
		for i, c := range cells {
			row[all[0][i]] = c
		}
		rows = append(rows, row)
	}
	if len(rows) == 0 {
		t.Fatalf("%s has no rows", name)
	}
	return all[0], rows
}

func number(t *testing.T, s string) float64 {
	t.Helper()
	v, err := strconv.ParseFloat(s, 64)
	if err != nil {
		t.Fatal(err)
	}
	return v
}

// near fails unless got agrees with a table's cell within tol.
func near(t *testing.T, what string, got float64, cell string, tol float64) {
	t.Helper()
	if want := number(t, cell); !(math.Abs(got-want) <= tol) {
		t.Errorf("%s: got %.7g, want %s within %g", what, got, cell, tol)
	}
}

// digits fails unless got agrees to 1 in the sixth significant digit.
func digits(t *testing.T, what string, got float64, cell string) {
	t.Helper()
	want := number(t, cell)
	tol := math.Pow(10, math.Floor(math.Log10(math.Abs(want)))-5)
	near(t, what, got, cell, tol*1.0000001)
}

// mids returns the exact mid-bands of the tables: 20 Hz to 20 kHz, x = -17..13.
func mids() []float64 {
	var out []float64
	for x := -17; x <= 13; x++ {
		out = append(out, band.Band{Fraction: 3, Index: x}.Mid())
	}
	return out
}

func TestNominalUnit(t *testing.T) {
	_, rows := table(t, "nominal.csv")
	for _, r := range rows {
		got := Nominal().Response(number(t, r["hz"]))
		digits(t, r["hz"]+" Hz |p|", cmplx.Abs(got.P), r["abs_p_pa"])
		digits(t, r["hz"]+" Hz arg p", cmplx.Phase(got.P)*180/math.Pi, r["arg_p_deg"])
		digits(t, r["hz"]+" Hz Re Z", real(got.Z), r["re_z_ohm"])
		digits(t, r["hz"]+" Hz Im Z", imag(got.Z), r["im_z_ohm"])
		digits(t, r["hz"]+" Hz |x|", cmplx.Abs(got.X)*1e6, r["abs_x_um"])
	}
}

// TestNominalResponse puts the ear gain of the table on the cavity's level, and
// anchors it as the table's head says.
func TestNominalResponse(t *testing.T) {
	_, rows := table(t, "response.csv")
	gain := map[string]float64{}
	_, gains := table(t, "ear-gain.csv")
	for _, g := range gains {
		gain[g["label"]] = number(t, g["gain_db"])
	}
	over := make([]float64, len(rows))
	anchor := 0.0
	for i, f := range mids() {
		r, label := Nominal().Response(f), rows[i]["label"]
		near(t, label+" cavity", r.SPL(), rows[i]["cavity_db"], 0.0051)
		near(t, label+" |Z|", cmplx.Abs(r.Z), rows[i]["abs_z_ohm"], 0.0051)
		ear := r.SPL() + gain[label] + Radiation(f)
		near(t, label+" ear", ear, rows[i]["ear_db"], 0.0051)
		over[i] = ear - gain[label] - band.HouseTilt.At(f)
		if x := i - 17; x >= -3 && x <= 3 {
			anchor += over[i] / 7
		}
	}
	for i, r := range rows {
		near(t, r["label"]+" deviation", over[i]-anchor, r["deviation_db"], 0.0051)
	}
}

func TestFaultTable(t *testing.T) {
	head, rows := table(t, "faults.csv")
	if len(rows) != 31 || len(head) != 15 {
		t.Fatalf("table has %d rows and %d columns", len(rows), len(head))
	}
	for i, f := range mids() {
		for _, name := range head[1:] {
			got := cases[name](Nominal()).Response(f).SPL() - Nominal().Response(f).SPL()
			near(t, name+" at "+rows[i]["hz"], got, rows[i][name], 0.0051)
		}
	}
	_, spots := table(t, "spots.csv")
	for _, r := range spots {
		f := number(t, r["hz"])
		got := cases[r["case"]](Nominal()).Response(f).SPL() - Nominal().Response(f).SPL()
		near(t, r["case"]+" at "+r["hz"], got, r["change_db"], 1e-5)
	}
}

// peak returns the largest impedance from 20 to 400 Hz, in steps of 0.1 Hz.
func peak(z func(f float64) complex128) (ohm, hz float64) {
	for i := 200; i <= 4000; i++ {
		if a := cmplx.Abs(z(float64(i) / 10)); a > ohm {
			ohm, hz = a, float64(i)/10
		}
	}
	return ohm, hz
}

func TestImpedanceTable(t *testing.T) {
	_, rows := table(t, "impedance.csv")
	if len(rows) != 15 {
		t.Fatalf("table has %d rows", len(rows))
	}
	for _, r := range rows {
		z := func(f float64) complex128 { return cases[r["case"]](Nominal()).Response(f).Z }
		near(t, r["case"]+" |Z| 20", cmplx.Abs(z(20)), r["abs_z_20"], 0.0051)
		near(t, r["case"]+" |Z| 100", cmplx.Abs(z(100)), r["abs_z_100"], 0.0051)
		near(t, r["case"]+" |Z| 1000", cmplx.Abs(z(1000)), r["abs_z_1000"], 0.0051)
		ohm, hz := peak(z)
		near(t, r["case"]+" largest", ohm, r["largest"], 0.0051)
		near(t, r["case"]+" at Hz", hz, r["largest_hz"], 0.6)
	}
}

func TestBareDriver(t *testing.T) {
	head, rows := table(t, "bare.csv")
	if len(rows) != 5 {
		t.Fatalf("table has %d rows", len(rows))
	}
	for _, r := range rows {
		p := cases[r["case"]](Nominal())
		for _, hz := range head[1:6] {
			got := p.Bare(number(t, hz)).SPL()
			if r["case"] != "nominal" {
				got -= Nominal().Bare(number(t, hz)).SPL()
			}
			near(t, "bare "+r["case"]+" "+hz, got, r[hz], 0.0051)
		}
		ohm, hz := peak(func(f float64) complex128 { return p.Bare(f).Z })
		near(t, "bare "+r["case"]+" peak", ohm, r["z_peak"], 0.051)
		near(t, "bare "+r["case"]+" peak at", hz, r["z_peak_hz"], 0.6)
	}
}
