package reports_test

import (
	"math"
	"slices"
	"strings"
	"testing"

	"alike/reports"
	"alike/reports/reporttest"
)

func TestCheckNamesWhatDoesNotFit(t *testing.T) {
	for _, c := range []struct {
		name  string
		spoil func(*reports.Lot)
		want  string
	}{
		{"axis order", func(l *reports.Lot) { l.Axis[3] = l.Axis[2] }, "axis value 4"},
		{"axis sign", func(l *reports.Lot) { l.Axis[0] = -20 }, "axis value 1"},
		{"axis end", func(l *reports.Lot) { l.Axis[30] = math.Inf(1) }, "axis value 31"},
		{"labels", func(l *reports.Lot) { l.Labels = l.Labels[1:] }, "30 band labels for 31 bands"},
		{"limit", func(l *reports.Lot) { l.Limits.WorkingUpper = l.Limits.WorkingUpper[:4] }, "upper working limit has 4 values"},
		{"curve", func(l *reports.Lot) { l.Units[1].Curves[1].Values = nil }, `unit "TB40-00122", curve "right": 0 values for 31 bands`},
		{"serials", func(l *reports.Lot) { l.Charts[1].Serials = nil }, `chart "right 8k deviation": 0 serials`},
		{"ranges", func(l *reports.Lot) { l.Charts[0].Moving = l.Charts[0].Moving[1:] }, "26 moving ranges"},
		{"mark", func(l *reports.Lot) { l.Charts[0].Marks = []reports.Mark{{Index: 27, Rule: "trend"}} }, `mark "trend" points at value 27 of 27`},
		{"mark below", func(l *reports.Lot) { l.Charts[0].Marks = []reports.Mark{{Index: -1, Rule: "trend"}} }, "points at value -1"},
	} {
		l := reporttest.Lot(2, 2)
		c.spoil(&l)
		if err := l.Check(); err == nil || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: error %v, want one with %q", c.name, err, c.want)
		}
	}
}

func TestCheckAcceptsEmptyAndWhole(t *testing.T) {
	for _, l := range []reports.Lot{{}, reporttest.Lot(0, 2), reporttest.Lot(3, 1)} {
		if err := l.Check(); err != nil {
			t.Error(err)
		}
	}
	l := reporttest.Lot(2, 2)
	l.Charts[0].Moving = nil
	l.Limits = reports.Limits{}
	if err := l.Check(); err != nil {
		t.Errorf("without ranges and limits: %v", err)
	}
}

func TestChannels(t *testing.T) {
	l := reporttest.Lot(2, 2)
	if got := l.Channels(); !slices.Equal(got, []string{"left", "right"}) {
		t.Errorf("channels %v", got)
	}
	l.Bands = nil
	l.Units[0].Curves = l.Units[0].Curves[1:]
	if got := l.Channels(); !slices.Equal(got, []string{"right", "left"}) {
		t.Errorf("channels %v from the curves", got)
	}
}
