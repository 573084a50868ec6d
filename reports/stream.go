package reports

import (
	"fmt"
	"math"
)

// A Stream is the control chart of one stream over many units, with every limit set
// that was in force.
type Stream struct {
	Title    string // "left 63 Hz deviation"
	Unit     string // "dB"
	Product  string
	Serials  []string
	Lots     []string
	Values   []float64 // NaN is a gap
	Moving   []float64 // moving range, first is NaN
	Sections []Section // in order; the first begins at 0
	Marks    []Mark
	Change   *Change // nil when none was looked for
}

// A Section is a run of units under the same limits.
type Section struct {
	First     int    // index of its first unit
	Name      string // "limit set 2", "no limit set"
	Starts    bool   // the limits came into force at First, not before the chart
	Learning  bool   // not frozen: learnt from the units before, and the next section has learnt more
	Center    float64
	Lower     float64 // NaN without limits, as all others
	Upper     float64
	RangeMean float64
	RangeHigh float64
}

// A Change is the most likely change of level, with all units that it may have been
// at.
type Change struct {
	Index int   // first unit after the change
	Set   []int // indices the data do not contradict, rising
	Text  string
}

// Check says what a writer cannot draw.
func (s Stream) Check() error {
	n := len(s.Values)
	if len(s.Serials) != n || len(s.Lots) != n || len(s.Moving) != n {
		return fmt.Errorf("stream %q: %d values, %d serials, %d lots and %d moving ranges do not go together", s.Title, n, len(s.Serials), len(s.Lots), len(s.Moving))
	}
	for i, sec := range s.Sections {
		if sec.First < 0 || sec.First >= n || i == 0 && sec.First != 0 || i > 0 && sec.First <= s.Sections[i-1].First {
			return fmt.Errorf("stream %q: section %d begins at unit %d of %d", s.Title, i+1, sec.First, n)
		}
	}
	for _, m := range s.Marks {
		if m.Index < 0 || m.Index >= n {
			return fmt.Errorf("stream %q: mark %q stands at unit %d of %d", s.Title, m.Rule, m.Index, n)
		}
	}
	if c := s.Change; c != nil {
		for _, i := range append([]int{c.Index}, c.Set...) {
			if i < 0 || i >= n {
				return fmt.Errorf("stream %q: the change stands at unit %d of %d", s.Title, i, n)
			}
		}
	}
	return nil
}

// Told reports whether words may leave a section out: of limits that are being learnt the
// first ones and the last tell how they narrow.
func (s Stream) Told(i int) bool {
	sec := s.Sections[i]
	first := i == 0 || !s.Sections[i-1].Learning || math.IsNaN(s.Sections[i-1].Center) && !math.IsNaN(sec.Center)
	last := i+1 == len(s.Sections) || !s.Sections[i+1].Learning
	return sec.Learning && !first && !last
}

// SectionAt returns the section of the i-th unit, and where it ends.
func (s Stream) SectionAt(i int) (sec Section, end int) {
	end = len(s.Values)
	for k := len(s.Sections) - 1; k >= 0; k-- {
		if s.Sections[k].First <= i {
			return s.Sections[k], end
		}
		end = s.Sections[k].First
	}
	return Section{}, end
}
