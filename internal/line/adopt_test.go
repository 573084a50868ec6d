package line_test

import (
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"alike/internal/curve"
	"alike/internal/line"
	"alike/internal/store"
	"alike/spc/band"
	"alike/spc/envelope"
)

const rigB = "rig-b"

// steps makes a take that is level within each octave band.
func steps(serial, channel string, seating int, rig string, at time.Time, levels []float64) curve.Take {
	t := curve.Take{Identity: curve.Identity{Lot: "L1", Serial: serial, Channel: channel, Seating: seating, Station: rig, MeasuredAt: at}}
	bands, err := band.Between(1, 63, 8000)
	if err != nil {
		panic(err)
	}
	for i, b := range bands[:len(levels)] {
		for _, f := range []float64{b.Lower() * (1 + 1e-9), math.Sqrt(b.Lower() * b.Mid()), b.Mid(), math.Sqrt(b.Mid() * b.Upper()), b.Upper() * (1 - 1e-9)} {
			t.Curve.Hz, t.Curve.DB = append(t.Curve.Hz, f), append(t.Curve.DB, levels[i])
		}
	}
	t.Source.File = fmt.Sprintf("%s_%s_%d_%s.txt", serial, channel, seating, rig)
	// From edge to edge, so that the outermost bands are covered; the last point makes each
	// content its own.
	sum := 0.0
	for _, r := range t.Source.File + at.String() {
		sum = math.Mod(31*sum+float64(r), 99991)
	}
	t.Curve.Hz = append([]float64{t.Curve.Hz[0] * 0.99}, append(t.Curve.Hz, t.Curve.Hz[len(t.Curve.Hz)-1]*(1.01+sum*1e-8))...)
	t.Curve.DB = append([]float64{t.Curve.DB[0]}, append(t.Curve.DB, t.Curve.DB[len(t.Curve.DB)-1])...)
	return t
}

// unitOn makes one visit of a unit whose left channel has the given levels above 100 dB.
func unitOn(serial, rig string, at time.Time, levels ...float64) []curve.Take {
	var out []curve.Take
	for k, ch := range []string{"left", "left", "right", "right"} {
		db := make([]float64, 8)
		for i := range db {
			db[i] = 100
			if i < len(levels) {
				db[i] += levels[i]
			}
		}
		out = append(out, steps(serial, ch, 1+k%2, rig, at.Add(time.Duration(k)*time.Second), db))
	}
	return out
}

type transferWanted struct {
	Curve        []float64 `json:"curve"`
	DeviationU   []float64 `json:"deviation_u"`
	BalanceU     []float64 `json:"balance_u"`
	SensitivityU float64   `json:"sensitivity_u"`
	RoughnessU   float64   `json:"roughness_u"`
	Guard        []float64 `json:"guard"`
	BalanceGuard []float64 `json:"balance_guard"`
}

func wantedTransfer(t *testing.T) (w transferWanted) {
	t.Helper()
	data, err := os.ReadFile("testdata/transfer.json")
	if err == nil {
		err = json.Unmarshal(data, &w)
	}
	if err != nil {
		t.Fatal(err)
	}
	return w
}

// compared plans the comparison of testdata/transfer.csv and measures its first units.
func compared(t *testing.T, l *line.Line, code string, units, bands int) {
	t.Helper()
	comparedOn(t, l, code, units, bands, rigA, rigB)
}

func comparedOn(t *testing.T, l *line.Line, code string, units, bands int, first, second string) {
	t.Helper()
	p := line.StudyPlan{Code: code, Kind: line.RigsStudy, By: []string{first, second}, Trials: 2, Seed: 3, Reason: "a second rig"}
	for u := range 8 {
		p.Units = append(p.Units, fmt.Sprintf("T%d", u))
	}
	if err := l.AddStudy(t.Context(), tester, p); err != nil {
		t.Fatal(err)
	}
	f, err := os.Open("testdata/transfer.csv")
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for _, r := range rows[1:] {
		if n, _ := strconv.Atoi(r[0][1:]); n >= units {
			continue
		}
		trial, _ := strconv.Atoi(r[3])
		var db []float64
		for _, x := range r[4 : 4+bands] {
			v, _ := strconv.ParseFloat(x, 64)
			db = append(db, v)
		}
		rig := first
		if r[1] == rigB {
			rig = second
		}
		k := steps(r[0], r[2], trial, rig, moment.Add(-time.Hour-time.Duration(code[3])*time.Minute), db)
		k.Lot = code
		if got := intake(t, l, []curve.Take{k}); len(refusals(got)) > 0 {
			t.Fatal(refusals(got))
		}
	}
}

func adopt(t *testing.T, l *line.Line, a line.Adoption) store.TransferRow {
	t.Helper()
	row, err := l.AdoptTransfer(t.Context(), tester, a)
	if err != nil {
		t.Fatal(err)
	}
	return row
}

func near(a, b []float64, tolerance float64) bool {
	return len(a) == len(b) && !slices.ContainsFunc(a, math.IsNaN) && func() bool {
		for i := range a {
			if math.Abs(a[i]-b[i]) > tolerance {
				return false
			}
		}
		return true
	}()
}

// flatOnA makes a visit to rig B of a unit that rig A would read as level, but for a lift
// of its left 63 Hz band.
func flatOnA(want transferWanted, serial string, lift float64, at time.Time) []curve.Take {
	takes := unitOn(serial, rigB, at)
	for i := range takes {
		n := 0
		if takes[i].Channel == "right" {
			n = 8
		}
		for k := range takes[i].Curve.DB {
			b := min(7, max(0, (k-1)/5))
			takes[i].Curve.DB[k] += want.Curve[n+b]
			if b == 0 && n == 0 {
				takes[i].Curve.DB[k] += lift
			}
		}
	}
	return takes
}

// Units built faulty that are measured on the second rig teach their fault, not the
// difference of the rigs.
func TestFaultIsLearntThroughTheTransfer(t *testing.T) {
	t.Parallel()
	want := wantedTransfer(t)
	l, _ := workshop(t, product())
	compared(t, l, "CMP1", 8, 8)
	adopt(t, l, line.Adoption{Study: "CMP1", From: moment.Add(-time.Minute), Reason: "the second rig works too"})
	step(t, l.PlanFault(t.Context(), tester, line.FaultPlan{
		Code: "FS-1", Product: "p1", Key: "boom", Words: "bass is loud", Check: "Listen.", Side: "left",
		Faulty: []string{"F0", "F1", "F2"}, Good: []string{"G0", "G1", "G2", "G3"}, Trials: 2, Reason: "built so",
	}))
	for i := range 7 {
		at := moment.Add(time.Duration(i) * time.Minute)
		wiggle := 0.02 * float64(i%4)
		takes := unitOn(fmt.Sprint("G", i), rigA, at, wiggle, -wiggle, wiggle, -wiggle, wiggle, -wiggle, wiggle, -wiggle)
		if i >= 4 {
			takes = flatOnA(want, fmt.Sprint("F", i-4), 3+wiggle, at)
		}
		for k := range takes {
			takes[k].Lot = "FS-1"
		}
		if got := intake(t, l, takes); len(refusals(got)) > 0 {
			t.Fatal(refusals(got))
		}
	}
	r, err := l.FaultStudy(t.Context(), "FS-1", nil)
	step(t, err)
	if r.Learnt == nil {
		t.Fatal(r.Why, r.Waiting)
	}
	for i, got := range r.Learnt.Shape {
		built := 0.0
		if i == 0 {
			built = 3
		}
		if !(math.Abs(got-built) < 0.1) {
			t.Errorf("%s: learnt %.2f dB, built in %.2f", r.Setup.Band[i].Name(), got, built)
		}
	}
}

// What numpy makes of the same levels is what is put in force, by which units of the
// second rig are read and their working limits tightened; the first rig's are not, nor
// what was measured before.
func TestTransferIsApplied(t *testing.T) {
	t.Parallel()
	want := wantedTransfer(t)
	p := product()
	p.Envelope.Guard[0].DB = 0.5
	l, db := workshop(t, p)
	compared(t, l, "RC-1", 8, 8)
	hour := func(n float64) time.Time { return moment.Add(time.Duration(n * float64(time.Hour))) }
	before := intake(t, l, unitOn("B0", rigB, hour(1), 2.3)).Verdict
	row := adopt(t, l, line.Adoption{Study: "RC-1", From: hour(2), Reason: "two rigs, one product"})
	if row.Rig != rigB || row.Reference != rigA || row.Version != 1 || row.Units != 8 {
		t.Fatalf("%+v", row)
	}
	// levels are stored as 32-bit floats: 4e-6 dB at 100 dB
	if !near(row.Curve, want.Curve, 2e-5) || !near(row.DeviationU, want.DeviationU, 2e-5) || !near(row.BalanceU, want.BalanceU, 2e-5) ||
		math.Abs(row.SensitivityU-want.SensitivityU) > 2e-5 || math.Abs(row.RoughnessU-want.RoughnessU) > 2e-5 {
		t.Errorf("%+v\n%+v", row, want)
	}

	// A unit that would read flat on rig A; its 63 Hz band on the left is then put to either
	// side of the widened guard: the limit is 3 dB.
	on := func(serial string, lift float64, at time.Time) []curve.Take { return flatOnA(want, serial, lift, at) }
	edge := 3 - want.Guard[0]
	for _, c := range []struct {
		serial string
		lift   float64
		word   envelope.Word
	}{{"B1", 0, envelope.Pass}, {"B2", edge - 0.001, envelope.Pass}, {"B3", edge + 0.001, envelope.Doubtful}, {"B4", 2.999, envelope.Doubtful}, {"B5", 3.001, envelope.Fail}} {
		takes := on(c.serial, c.lift, hour(3))
		r := intake(t, l, takes)
		if len(refusals(r)) > 0 {
			t.Fatalf("%s: %q", c.serial, refusals(r))
		}
		v := r.Verdict
		if v.Word != c.word || v.ReadAs == nil || v.ReadAs.Version != 1 || v.ReadAs.Reference != rigA {
			t.Errorf("%s: %+v %+v", c.serial, v, v.ReadAs)
		}
		u, err := l.UnitDetail(t.Context(), c.serial)
		if err != nil {
			t.Fatal(err)
		}
		if d := u.Readings[0].Channels[0].Deviation; math.Abs(d[0]-c.lift) > 1e-4 || math.Abs(d[7]) > 1e-4 {
			t.Errorf("%s reads %v", c.serial, d)
		}
		if w := u.Limits.WorkingUpper[0]; math.Abs(w-edge) > 2e-5 || u.ReadAs == nil {
			t.Errorf("%s is shown in limits of %v, want %v", c.serial, w, edge)
		}
		// The take itself is what the rig measured.
		if raw := float64(u.Attempts[0].Takes[0].Bands[0]); math.Abs(raw-100-want.Curve[0]-c.lift) > 1e-3 {
			t.Errorf("%s: the stored take reads %v", c.serial, raw)
		}
	}
	// Balance at 250 Hz, limit 1 dB, gets a guard of its own.
	edge = 1 - want.BalanceGuard[2]
	for serial, lift := range map[string]float64{"C1": edge - 0.001, "C2": edge + 0.001} {
		takes := on(serial, 0, hour(3.5))
		for i := range takes {
			if takes[i].Channel == "left" {
				for k := 11; k < 16; k++ {
					takes[i].Curve.DB[k] += lift
				}
			}
		}
		if v := intake(t, l, takes).Verdict; (v.Word == envelope.Pass) != (serial == "C1") {
			t.Errorf("%s, balance %v: %+v", serial, lift, v)
		}
	}
	// Rig A is read as it is, with the guard in force; and so is what comes in late from
	// before the beginning.
	if v := intake(t, l, unitOn("A1", rigA, hour(3), 2.499)).Verdict; v.Word != envelope.Pass || v.ReadAs != nil {
		t.Errorf("%+v", v)
	}
	if v := intake(t, l, unitOn("B9", rigB, hour(1.5), 2.3)).Verdict; v.Word != before.Word || v.ReadAs != nil || before.ReadAs != nil {
		t.Errorf("late %+v, before %+v", v, before)
	}
	// Withdrawn, by the unit behind which it ends; late takes of the time between are still
	// read by it.
	if _, err := l.WithdrawTransfer(t.Context(), tester, "p1", rigB, time.Time{}, "C1", "rig-b was rebuilt"); err != nil {
		t.Fatal(err)
	}
	if v := intake(t, l, on("B6", 0, hour(3.2))).Verdict; v.ReadAs == nil || v.ReadAs.Version != 1 {
		t.Errorf("%+v", v)
	}
	if v := intake(t, l, unitOn("B7", rigB, hour(4))).Verdict; v.ReadAs != nil {
		t.Errorf("%+v", v)
	}
	told(t, l, db)
}

// told holds what the lot's report says of a transfer.
func told(t *testing.T, l *line.Line, db *store.DB) {
	t.Helper()
	r, err := l.LotReport(t.Context(), "L1", "test")
	if err != nil {
		t.Fatal(err)
	}
	text := fmt.Sprint(r.Method)
	if !strings.Contains(text, "8 attempts measured on rig rig-b and read as rig rig-a would: transfer 1 from study RC-1 corrects up to") {
		t.Errorf("method: %s", text)
	}
	days := fmt.Sprint(r.RigDays)
	if !strings.Contains(days, "read as rig rig-a would (transfer 1)") {
		t.Errorf("rig days: %s", days)
	}
	for _, u := range r.Units {
		if (u.ReadAs != "") != (u.Station == rigB && u.Serial != "B0" && u.Serial != "B7" && u.Serial != "B9") {
			t.Errorf("%s: %q", u.Serial, u.ReadAs)
		}
	}
	entries, err := db.Site("main").Journal(t.Context(), 0, 1000)
	if err != nil {
		t.Fatal(err)
	}
	n := 0
	for _, e := range entries {
		if (e.Action == "adopt transfer" || e.Action == "withdraw transfer") && e.Reason != "" && e.Actor == "tester" {
			n++
		}
	}
	if n != 2 {
		t.Errorf("%d entries of the journal", n)
	}
}

// What cannot be sound is refused with its reason, and nothing is stored.
func TestTransferIsRefused(t *testing.T) {
	t.Parallel()
	refused := func(t *testing.T, l *line.Line, a line.Adoption, field, reason string) {
		t.Helper()
		row, err := l.AdoptTransfer(t.Context(), tester, a)
		var r *line.Refusal
		if !errors.As(err, &r) || r.Field != field || !strings.Contains(r.Reason, reason) || r.Remedy == "" {
			t.Errorf("%+v: %v, %+v", a, err, row)
		}
	}
	good := line.Adoption{Study: "RC-1", Reason: "two rigs"}
	t.Run("few units", func(t *testing.T) {
		t.Parallel()
		l, _ := workshop(t, product())
		compared(t, l, "RC-1", 4, 8)
		refused(t, l, good, "study", "4 units of study RC-1 were measured on both rigs, and a transfer needs at least 5")
		refused(t, l, line.Adoption{Study: "RC-9", Reason: "r"}, "study", `there is no study "RC-9"`)
	})
	t.Run("bands", func(t *testing.T) {
		t.Parallel()
		l, _ := workshop(t, product())
		compared(t, l, "RC-1", 8, 7)
		refused(t, l, good, "study", "is not known from 5 units at left, 8 kHz band; right, 8 kHz band, where product p1 is judged")
	})
	t.Run("words", func(t *testing.T) {
		t.Parallel()
		l, _ := workshop(t, product())
		compared(t, l, "RC-1", 8, 8)
		refused(t, l, line.Adoption{Study: "RC-1"}, "reason", "needs a reason")
		refused(t, l, line.Adoption{Study: "RC-1", Reason: "r", Rig: "rig-x"}, "rig", "study RC-1 does not compare rig rig-x")
		refused(t, l, line.Adoption{Study: "RC-1", Reason: "r", Risk: 0.6}, "risk", "no share")
		refused(t, l, line.Adoption{Study: "RC-1", Reason: "r", After: "U1"}, "after", "rig rig-b measured no unit")
		refused(t, l, line.Adoption{Study: "RC-1", Reason: "r", After: "U1", From: moment}, "after", "a moment and a unit are given")
		intake(t, l, unitOn("B1", rigB, moment.Add(time.Hour)))
		refused(t, l, good, "from", "unit B1 was measured on rig rig-b at 2026-09-07 09:00:00 UTC")
		if _, err := l.WithdrawTransfer(t.Context(), tester, "p1", rigB, time.Time{}, "", "r"); err == nil {
			t.Error("what is not in force was withdrawn")
		}
		row := adopt(t, l, line.Adoption{Study: "RC-1", Reason: "r", After: "B1"})
		if want := moment.Add(time.Hour + time.Microsecond); !row.Begins.Equal(want) {
			t.Errorf("begins %s, want %s", row.Begins, want)
		}
		refused(t, l, line.Adoption{Study: "RC-1", Reason: "r", From: moment.Add(time.Hour)}, "from", "unit B1 was measured")
		adopt(t, l, line.Adoption{Study: "RC-1", Reason: "again", From: moment.Add(3 * time.Hour)})
		refused(t, l, line.Adoption{Study: "RC-1", Reason: "r", From: moment.Add(2 * time.Hour)}, "from", "version 2 of this transfer begins at")
	})
	t.Run("chain", func(t *testing.T) {
		t.Parallel()
		l, _ := workshop(t, product())
		compared(t, l, "RC-1", 8, 8)
		comparedOn(t, l, "RC-2", 8, 8, rigB, "rig-c")
		comparedOn(t, l, "RC-3", 8, 8, "rig-d", rigA)
		adopt(t, l, good)
		refused(t, l, line.Adoption{Study: "RC-2", Reason: "r"}, "rig", "rig rig-b is itself read as rig rig-a: transfers are not chained")
		refused(t, l, line.Adoption{Study: "RC-3", Reason: "r"}, "rig", "rig rig-b is itself read as rig rig-a: transfers are not chained")
		refused(t, l, line.Adoption{Study: "RC-1", Rig: rigA, Reason: "r"}, "rig", "not chained")
		if _, err := l.WithdrawTransfer(t.Context(), tester, "p1", rigB, time.Time{}, "", "the other way"); err != nil {
			t.Fatal(err)
		}
		row := adopt(t, l, line.Adoption{Study: "RC-1", Rig: rigA, Reason: "r"})
		if want := wantedTransfer(t); math.Abs(row.Curve[0]+want.Curve[0]) > 2e-5 || row.Reference != rigB {
			t.Errorf("the other way it is %v, want %v", row.Curve[0], -want.Curve[0])
		}
	})
	t.Run("hold", func(t *testing.T) {
		t.Parallel()
		l, _ := workshop(t, checked())
		compared(t, l, "RC-1", 8, 8)
		if v := intake(t, l, unitOn("B1", rigB, moment.Add(time.Hour))).Verdict; v.Word != envelope.Hold {
			t.Fatalf("%+v", v)
		}
		refused(t, l, line.Adoption{Study: "RC-1", Reason: "r", After: "B1"}, "rig", "1 unit wait")
	})
	t.Run("work", func(t *testing.T) {
		t.Parallel()
		l, _ := workshop(t, product())
		compared(t, l, "RC-1", 8, 8)
		if _, err := l.AddEntry(t.Context(), tester, line.Entry{Rig: rigA, Kind: "work", Changed: true, Note: "new pads", At: moment}); err != nil {
			t.Fatal(err)
		}
		refused(t, l, good, "study", "rig rig-a was changed at 2026-09-07 08:00 UTC (new pads), after study RC-1")
	})
	t.Run("room", func(t *testing.T) {
		t.Parallel()
		p := product()
		p.Envelope.Balance[0].DB = 0.8
		l, _ := workshop(t, p)
		compared(t, l, "RC-1", 8, 8)
		refused(t, l, good, "study", "leaves nothing of the limits at balance 4 kHz (0.82 dB of 0.80)")
	})
}

// A unit that waits on hold on a rig that is read as another is judged by the transfer of
// its moment, and the reference unit's checks are the rig's own readings.
func TestHeldUnitIsJudgedByItsTransfer(t *testing.T) {
	t.Parallel()
	l, _ := workshop(t, checked())
	if err := l.AddReference(t.Context(), tester, "p1", "REF", line.InUse, ""); err != nil {
		t.Fatal(err)
	}
	compared(t, l, "RC-1", 8, 8)
	adopt(t, l, line.Adoption{Study: "RC-1", Reason: "two rigs"})
	want := wantedTransfer(t)
	check := func(serial string, hours float64) []curve.Take {
		return flatOnA(want, serial, 0, moment.Add(time.Duration(hours*float64(time.Hour))))
	}
	r := intake(t, l, check("U1", 1))
	if r.Verdict.Word != envelope.Hold || r.Verdict.ReadAs == nil {
		t.Fatalf("%+v", r.Verdict)
	}
	for n := range 2 {
		takes := check("REF", 2+float64(n)/4)
		for i := range takes {
			takes[i].Lot, takes[i].Serial = "", "REF"
			for k := range takes[i].Curve.DB {
				takes[i].Curve.DB[k] += 1e-5*float64(n) + 3e-5*float64(i)
			}
		}
		if r := intake(t, l, takes); len(refusals(r)) > 0 {
			t.Fatal(refusals(r))
		}
	}
	b, err := l.SetBaseline(t.Context(), tester, "REF", rigB, 2, "calibrated")
	if err != nil || len(b.Check.Settled) != 1 || b.Check.Settled[0].To != envelope.Pass {
		t.Fatalf("%+v (%v)", b.Check, err)
	}
	u, err := l.UnitDetail(t.Context(), "U1")
	if err != nil {
		t.Fatal(err)
	}
	if v := u.Attempts[0].Verdict; v.ReadAs == nil || v.Rig == "" || math.Abs(u.Readings[0].Channels[0].Deviation[0]) > 1e-3 {
		t.Errorf("%+v, reads %v", v, u.Readings[0].Channels[0].Deviation)
	}
	// The baseline is what rig B itself reads, as it was measured.
	h, err := l.History(t.Context(), "REF", rigB, 10)
	if err != nil || len(h.Charts) == 0 || len(h.Charts[0].Values) == 0 || math.Abs(h.Charts[0].Values[0]) > 0.01 {
		t.Errorf("%+v (%v)", h.Charts, err)
	}
}
