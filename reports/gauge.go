package reports

import "time"

// A Gauge is everything the sheet of a gauge study says: its plan, and once it is
// measured its result. Standard deviations are in dB.
type Gauge struct {
	Site    string
	Product string
	Code    string
	Reason  string
	Author  string
	Planned time.Time
	By      string // what the second factor is called: operator, rig
	Units   []string
	Who     []string // operators, or rigs
	Trials  int
	Seed    int64
	Runs    []GaugeRun

	Seatings int       // that the product takes per attempt
	Risk     float64   // of the guard bands
	Axis     []float64 // exact mid-band frequencies
	Labels   []string
	Rows     []GaugeRow // per channel and band, then scalars; empty until measured
	Choices  []SeatingRow
	Best     int // seatings worth taking; 0 until measured
	Warnings []string
}

// A GaugeRun is one run of the plan.
type GaugeRun struct {
	Order    int
	Unit     string
	Operator string
	Trial    int
	Done     bool
	At       time.Time
}

// A GaugeRow is the result for one number per unit. NaN stands where the study does
// not tell.
type GaugeRow struct {
	Quantity        string // deviation, sensitivity, roughness, balance
	Channel         string
	Label           string // of the band, empty for a scalar
	Mid             float64
	Repeatability   float64 // of one seating
	Reproducibility float64
	Gauge           float64 // of one seating by one operator
	Part            float64
	StudyPercent    float64
	Tolerance       float64 // upper minus lower limit; NaN without limits
	TolPercent      float64
	Distinct        int
	Mean            float64 // sigma that measuring adds to the mean of the product's seatings
	Guard           float64 // dB
	Best            int     // seatings worth taking
	Note            string
}

// A SeatingRow is what a number of seatings gives, over all judged bands.
type SeatingRow struct {
	Seatings int
	Sigma    float64 // root mean square over the bands of what measuring adds
	Gain     float64 // share by which the last seating lowered it
	Effort   float64 // relative to one seating, mean over the bands
}

// A Transfer is the curve from one rig to another.
type Transfer struct {
	Code       string
	From, To   string
	Units      int
	Confidence float64
	Axis       []float64
	Labels     []string
	Rows       []TransferRow
	Warnings   []string
}

// A TransferRow is one band of one channel: reading on To minus reading on From.
type TransferRow struct {
	Channel   string
	Label     string
	Mid       float64
	N         int
	Mean      float64
	U         float64 // standard uncertainty of Mean
	Low, High float64 // of the whole curve at once
	UnitU     float64 // standard uncertainty of one unit's corrected reading
	Differs   bool
}
