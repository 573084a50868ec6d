package sim

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"time"

	"alike/internal/curve"
)

// The studies of the rig.
const (
	GaugeCode   = "GS-1"
	CompareCode = "RC-1"

	GaugeUnits, GaugeTrials     = 5, 2
	CompareUnits, CompareTrials = 6, 2
)

// Places in the story where the rig's check is missed in the morning and made at noon.
const (
	skippedLot = 1
	skippedDay = 2 // Wednesday
)

// A RigFolder is where WriteRig put what keeps the rig trustworthy.
type RigFolder struct {
	Dir      string
	Baseline string     // a week of visits of both reference units before the first lot, one of them turned round
	Gauge    string     // takes of GaugeCode
	Compare  string     // takes of CompareCode, on the first rig and a second one
	Checks   [][]string // by lot and working day, the checks of that day
}

// FolderOfRig names the files of a rig's folder.
func (s *Story) FolderOfRig(dir string) RigFolder {
	f := RigFolder{
		Dir: dir, Baseline: filepath.Join(dir, "baseline.csv"), Gauge: filepath.Join(dir, "study-"+GaugeCode+".csv"),
		Compare: filepath.Join(dir, "study-"+CompareCode+".csv"),
	}
	for lot := range Weeks {
		var days []string
		for day := range 5 {
			days = append(days, filepath.Join(dir, "check-"+s.day(lot, day).Format(time.DateOnly)+".csv"))
		}
		f.Checks = append(f.Checks, days)
	}
	return f
}

func (s *Story) day(lot, day int) time.Time { return s.monday.AddDate(0, 0, 7*lot+day) }

// CheckAt returns when the rig is checked on a day of a lot's week, Monday being 0: at
// half past seven, but on the day when nobody thought of it before noon.
func (s *Story) CheckAt(lot, day int) time.Time {
	y, m, d := s.day(lot, day).Date()
	if lot == skippedLot && day == skippedDay {
		return time.Date(y, m, d, 12, 10, 0, 0, s.monday.Location())
	}
	return time.Date(y, m, d, 7, 30, 0, 0, s.monday.Location())
}

// SkippedCheck returns the lot, by index, and the day on which the rig's check came late.
func SkippedCheck() (lot, day int) { return skippedLot, skippedDay }

// WriteRig writes below dir what keeps the rig trustworthy: the first visits of the
// reference units, the daily checks, a gauge study and a comparison with a second rig.
func (s *Story) WriteRig(ctx context.Context, dir string) (RigFolder, error) {
	f := s.FolderOfRig(dir)
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return f, fmt.Errorf("cannot make the rig's folder: %w", err)
	}
	write := func(name string, takes []curve.Take) error {
		if err := ctx.Err(); err != nil {
			return err
		}
		style := curve.Style{Encoding: curve.UTF8Mark, HzDigits: hzDigits, DBDigits: dbDigits}
		return save(name, func(b *bytes.Buffer) error { return curve.WriteWide(b, takes, style) })
	}
	if err := write(f.Baseline, s.baselineTakes()); err != nil {
		return f, err
	}
	if err := write(f.Gauge, s.gaugeTakes()); err != nil {
		return f, err
	}
	if err := write(f.Compare, s.compareTakes()); err != nil {
		return f, err
	}
	for lot, days := range f.Checks {
		for day, name := range days {
			takes := s.CheckTakes(1, s.CheckAt(lot, day), false)
			if day == 4 { // the spare, once a week
				takes = append(takes, s.CheckTakes(2, s.CheckAt(lot, day).Add(10*time.Minute), false)...)
			}
			if err := write(name, takes); err != nil {
				return f, err
			}
		}
	}
	return f, nil
}

// baselineTakes are visits of both reference units on the five days before the story.
func (s *Story) baselineTakes() []curve.Take {
	var out []curve.Take
	for day := range 5 {
		at := s.CheckAt(-1, day)
		out = slices.Concat(out, s.CheckTakes(1, at, false), s.CheckTakes(2, at.Add(10*time.Minute), false))
		if day == 4 {
			out = slices.Concat(out, s.CheckTakes(1, at.Add(20*time.Minute), true))
		}
	}
	return out
}

func (s *Story) gaugeTakes() []curve.Take {
	var out []curve.Take
	at := s.CheckAt(-1, 3).Add(time.Hour)
	for trial := 1; trial <= GaugeTrials; trial++ {
		for n := 1; n <= GaugeUnits; n++ {
			for _, who := range Operators {
				out = append(out, s.StudyTakes(GaugeCode, n, who, trial, at)...)
				at = at.Add(time.Minute)
			}
		}
	}
	return out
}

func (s *Story) compareTakes() []curve.Take {
	var out []curve.Take
	other := UsualSecondRig()
	at := s.CheckAt(-1, 4).Add(time.Hour)
	for trial := 1; trial <= CompareTrials; trial++ {
		for n := 1; n <= CompareUnits; n++ {
			out = append(out, s.StudyTakes(CompareCode, n, Operators[0], 10+trial, at)...)
			for _, t := range s.StudyTakes(CompareCode, n, Operators[0], 20+trial, at.Add(2*time.Hour)) {
				out = append(out, other.Read(t))
			}
			at = at.Add(time.Minute)
		}
	}
	for i := range out {
		out[i].Seating %= 10
	}
	return out
}
