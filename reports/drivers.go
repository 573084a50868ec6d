package reports

import (
	"fmt"
	"time"
)

// A DriverStudy compares batches or suppliers of single drivers.
type DriverStudy struct {
	Site       string
	Product    string
	Zone       *time.Location
	By         string  // "batch" or "supplier"
	Nested     bool    // suppliers are compared by their batches, not by single drivers
	Margin     float64 // dB
	Confidence float64
	Headline   Headline
	Conclusion []string // whole sentences, the headline first
	Warnings   []string
	Groups     []DriverGroup
	Axis       []float64 // exact mid-band frequencies of the bands compared
	Labels     []string
	Bands      []Compared // one per band of Axis, dB
	Metrics    []Compared
	Pairs      []GroupPair
	Drivers    []DriverLine
	Method     []Fact
}

// A Headline is the one test over all bands together.
type Headline struct {
	P     float64
	Exact bool
	Draws int
}

// A DriverGroup is one batch or supplier of a study.
type DriverGroup struct {
	Name       string
	Supplier   string
	Batches    []string
	Received   time.Time // of the first batch; zero when not known
	Pieces     int       // in the batches; 0 when not counted
	Drivers    int       // taken in
	Measured   int       // compared
	Good, Bad  int
	NotChecked int // neither: something that has a limit was not measured
	Reversed   int // of polarity against most
	Phases     int // whose polarity could be told
	Yield      Yield
	Mean, SD   []float64 // over Axis, dB, not anchored
	Acceptance []Acceptance
	Pairing    Expected
	Certified  []Fact
}

// An Acceptance is one check of a batch by a sampling plan.
type Acceptance struct {
	Batch    string
	Of       string // "bad drivers", "resonance frequency"
	Plan     string // in words
	Found    string
	Word     string // "accept", "refuse", "measure more"
	Sentence string
}

// Expected is the pairs to expect of a hundred drivers bought.
type Expected struct {
	Tolerance float64
	Known     bool
	Pairs     float64
	Low, High float64
	Why       string // when not known
}

// Compared is one band or metric over the groups.
type Compared struct {
	Name      string
	Unit      string
	Margin    float64 // 0 for none
	Groups    []GroupValue
	MeanP     float64 // of equal means; for bands adjusted over the bands
	SpreadP   float64 // of equal spreads, Brown-Forsythe; likewise
	BatchP    float64 // of equal batches of a supplier, when nested; for bands adjusted
	BetweenSD float64 // between batches, of a supplier when nested; NaN with one batch
	WithinSD  float64
	Share     float64 // of the variance between batches
	ShareLow  float64
	ShareHigh float64
	Pairs     []Difference // in the order of DriverStudy.Pairs
	Sentences []string     // of metrics
}

// A GroupValue is the size, mean and standard deviation of one group.
type GroupValue struct {
	Name string
	N    int
	Mean float64
	SD   float64
}

// A Difference is that of two groups' means, A minus B.
type Difference struct {
	A, B                string
	Difference          float64
	Low, High, P        float64 // Games and Howell: spreads not taken as equal; nested: by batch means
	TukeyLow, TukeyHigh float64 // Tukey and Kramer: spreads taken as equal; nested: of drivers counted singly
	EquivalentP         float64 // NaN without a margin
	Word                string  // "equivalent", "differs", "differs little", "open", "" without a margin
}

// A GroupPair says how two groups stand over all bands.
type GroupPair struct {
	A, B       string
	Everywhere bool // equivalent in all bands
	Equivalent int
	Beyond     int
	Open       int
	Settle     int // drivers per group that would settle what is open, batches of each when nested; 0 for none
	More       int // more than the smaller group has now
}

// A DriverLine is one driver of a study.
type DriverLine struct {
	Serial, Batch, Supplier string
	Good, Bad               bool
	Text                    string // what is wrong, or was not checked
	Sensitivity             float64
	Polarity                int
	Values                  []float64 // in the order of Metrics; NaN when not measured
	Levels                  []float64 // over Axis; NaN when not measured
}

// A PickList is a pairing as it is picked from the trays.
type PickList struct {
	Site      string
	Product   string
	Number    int // 0 for a proposal that was not stored
	Zone      *time.Location
	MadeAt    time.Time
	Author    string
	Withdrawn string // why, and by whom; empty when in force
	Tolerance float64
	Form      string // "any with any" or "left cups with right cups"
	Pairs     []PickPair
	Unpaired  []PickLone
	Total     float64
	Worst     float64
	TradeOff  []TradePoint
	Warnings  []string
	Facts     []Fact
	Built     BuiltSummary
}

// A PickPair is one pair of a list, best first.
type PickPair struct {
	Rank                  int
	Left, Right           string
	LeftBatch, RightBatch string
	Mismatch              float64
	Predicted             float64 // balance, left minus right, dB
	Fixed                 bool
	Unit                  string  // built into; empty for none
	Built                 float64 // the unit's measured balance; NaN for none
}

// A PickLone is a driver that found no partner, or that took no part.
type PickLone struct {
	Serial, Batch, Why string
	Apart              bool // took no part
}

// Lone counts the drivers that took part and found no partner.
func (l PickList) Lone() int {
	n := 0
	for _, u := range l.Unpaired {
		if !u.Apart {
			n++
		}
	}
	return n
}

// A TradePoint is what a tolerance gives.
type TradePoint struct {
	Tolerance    float64
	Pairs        int
	Total, Worst float64
}

// A BuiltSummary holds the built units' balance against the predicted one.
type BuiltSummary struct {
	Units       int
	Offset      float64 // mean of built minus predicted: what the design itself adds
	SD          float64 // of the same; NaN below two units
	Correlation float64 // NaN below three units
	Sentence    string
}

// Check returns an error that says which slice of the study does not fit the others.
func (s DriverStudy) Check() error {
	if len(s.Labels) != len(s.Axis) || len(s.Bands) != len(s.Axis) {
		return fmt.Errorf("study: %d labels and %d comparisons for %d bands: give one of each per band", len(s.Labels), len(s.Bands), len(s.Axis))
	}
	for _, g := range s.Groups {
		if len(g.Mean) != len(s.Axis) || len(g.SD) != len(s.Axis) {
			return fmt.Errorf("group %q: %d means and %d spreads for %d bands", g.Name, len(g.Mean), len(g.SD), len(s.Axis))
		}
	}
	for _, c := range append(append([]Compared(nil), s.Bands...), s.Metrics...) {
		if len(c.Pairs) != 0 && len(c.Pairs) != len(s.Pairs) {
			return fmt.Errorf("%s: %d differences for %d pairs of groups", c.Name, len(c.Pairs), len(s.Pairs))
		}
	}
	for _, d := range s.Drivers {
		if len(d.Levels) != len(s.Axis) || len(d.Values) != len(s.Metrics) {
			return fmt.Errorf("driver %q: %d levels for %d bands, %d values for %d metrics", d.Serial, len(d.Levels), len(s.Axis), len(d.Values), len(s.Metrics))
		}
	}
	return nil
}
