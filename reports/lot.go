// Package reports declares what a report is made of, as plain values.
//
// The flow (internal/line) fills these structs, and the writers below this
// folder (sheet for spreadsheets, plot for pictures) turn them into files, so
// that the command line and the server give the same report from the same data.
// Levels are in dB, frequencies in Hz, times carry the site's zone.
package reports

import "time"

// A Lot is everything the report of one production lot says.
type Lot struct {
	Site     string // name of the workshop
	Product  string // "TB-40 rev C"
	Code     string // of the lot
	Opened   time.Time
	Closed   time.Time // last measurement so far
	Proposal Proposal
	Counts   Counts
	Yield    []Yield
	Axis     []float64 // exact mid-band frequencies, shared by all per-band slices
	Labels   []string  // of the same bands, as the trade writes them
	Limits   Limits
	Bands    []BandRow
	Units    []UnitRow
	Charts   []Chart      // the streams that moved most, worst first
	Findings []FindingRow // oldest first
	Signals  []SignalRow
	Parts    []PartRow
	Method   Method

	Program      string // name and version of the program, no part of the data
	JournalHead  string // number and hash of the journal's newest entry, likewise
	Life         Life
	Sampling     Sampling
	Capability   []CapabilityRow // lowest first
	Attempts     []AttemptRow
	Journal      []JournalRow
	MissingParts []string // entries that the parts ledger lacks, in whole sentences
	Envelopes    []int    // versions that attempts of the lot were judged by
	LimitSets    []int    // versions that they were charted by
	RigDays      []RigDay // oldest first

	// Balance per band, left minus right and unanchored, of the last judged attempt of
	// each unit over Axis, and how far it may lie from zero; empty without two channels.
	BalanceCurves []Series
	BalanceLimits []float64
}

// A Proposal is what the program proposes for the lot; a person decides.
type Proposal struct {
	Accept  bool
	Word    string   // "accept", "refuse", "not complete"
	Reasons []string // whole sentences, most serious first; never empty
}

// Counts are numbers of units in the lot, by the verdict of the last attempt.
type Counts struct {
	Units, Pass, Fail, Doubtful, Reseat, Hold, Waiting int

	Attempts  int // judged attempts, all units together
	Retested  int // units with more than one attempt
	Takes     int
	Refused   int // files and takes of the lot in quarantine
	FirstPass int // units whose first attempt passed
}

// A Yield is a share of units with its two-sided confidence interval.
type Yield struct {
	Name       string // "first-pass yield"
	Good, Of   int
	Share      float64 // 0 to 1, NaN when Of is 0
	Low, High  float64
	Confidence float64 // 0.95
}

// Limits are the envelope in force, in deviation dB over Lot.Axis; a band that is
// not judged holds NaN.
type Limits struct {
	Lower, Upper               []float64
	WorkingLower, WorkingUpper []float64 // tightened by the guard band
}

// A BandRow sums up one band of one channel over the judged units of the lot.
type BandRow struct {
	Channel      string
	Label        string
	Mid          float64
	N            int
	Mean, SD     float64 // of the deviation
	Low, High    float64 // smallest and largest
	LowSerial    string
	HighSerial   string
	LowerLimit   float64 // NaN when the band is not judged
	UpperLimit   float64
	Outside      int     // units beyond a limit
	BaselineMean float64 // centre of the limit set, NaN without one
	Shift        float64 // lot mean minus centre, in standard errors of the difference
}

// A UnitRow is one unit with its last attempt; First is the first one's verdict.
type UnitRow struct {
	Serial      string
	MeasuredAt  time.Time
	Operator    string
	Station     string
	Attempts    int
	First, Last string // verdict words
	Sentence    string // the verdict in words
	NotChecked  string // what the verdict does not cover
	ReadAs      string // as which rig the levels are read; empty for as they were measured
	Worst       string // "left 63 Hz"
	Margin      float64
	Sensitivity []float64 // per channel, dB SPL
	Balance     float64   // sensitivity left minus right, dB; NaN with one channel
	Roughness   []float64 // per channel, dB
	Curves      []Series  // deviation per channel over Lot.Axis, last attempt
}

// A Series is a named row of values over a shared axis; NaN is a gap.
type Series struct {
	Name   string
	Values []float64
}

// A Chart is a control chart of one stream, from the units before the lot that
// give it context to the lot's last unit.
type Chart struct {
	Stream    string // "left 63 Hz deviation"
	Unit      string // "dB"
	Serials   []string
	Values    []float64
	InLot     []bool
	Moving    []float64 // moving range, first is NaN
	Center    float64
	Lower     float64
	Upper     float64
	RangeMean float64
	RangeHigh float64
	Marks     []Mark
	// Names of the points with and without InLot, and of the axis along; empty for
	// those of a lot.
	Filled, Hollow, Along string
}

// A Mark explains a rule that fired at a point of a Chart.
type Mark struct {
	Index int
	Rule  string // key
	Text  string // whole sentence
}

// A SignalRow is one rule on one stream over neighbouring units.
type SignalRow struct {
	Stream     string
	Rule       string // key
	Text       string // what the rule means, in words
	First      string // serial at which it fired first
	Last       string
	Count      int     // points at which it fired
	Largest    float64 // largest standardised value, signed
	LimitsFrom string  // limit set version
	Finding    int64   // number of the finding they belong to, 0 for none
}

// A FindingRow is what the charts found, with signals at units of the lot.
type FindingRow struct {
	Number    int64
	Kind      string // "the line" or "one unit"
	State     string // open, acted or closed
	Sentence  string // what a technician reads
	Since     string // serial of the first unit after the change
	Set       string // "TB40-00135 to TB40-00139", the units at which it may have happened
	P         float64
	LooksLike string // "glue gap (94 %); rest unexplained: 6 %"
	Coincides string // "glue left GL-61 to GL-62 at TB40-00137 (p 0.01)"
	Check     string // next checks, cheapest first, a line each
	AtRisk    int    // units since the change that passed
	Cause     string // named by a person
	Action    string // taken by a person
	ClosedBy  string // name, and the reason
}

// A PartRow is one component batch that went into the lot.
type PartRow struct {
	Kind, Channel, Batch, Supplier string
	FirstSerial, LastSerial        string
	Units                          int
}

// Method says how the numbers were made, so that an auditor can make them again.
type Method struct {
	Lines   []Fact
	Refused []Refused
}

// A Fact is one named line of the Method sheet.
type Fact struct{ Name, Value string }

// Refused is one file or take that did not get in, and why.
type Refused struct {
	Source string
	Line   int
	Field  string
	Reason string
	Remedy string
	At     time.Time
}
