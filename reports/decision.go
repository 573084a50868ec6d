package reports

import "time"

// A Life is where a lot stands and how it came there. It is no part of what a decision
// is signed on.
type Life struct {
	State string // open, closed, decided
	Steps []LotStep
	// NotReady says in whole sentences what speaks against deciding the lot now; empty
	// when nothing does. Questions are what a person has to answer beside that, and
	// forbid nothing.
	NotReady  []string
	Questions []string
	Signature *Signature // of the newest decision; nil before the first
}

// A LotStep is one step of a lot's way.
type LotStep struct {
	State     string
	Outcome   string // accept, concession, sort, rework, reject; empty unless decided
	Reason    string
	Who, From string
	At        time.Time
}

// A Signature is a person's decision on exactly the data of a report.
type Signature struct {
	Who      string
	At       time.Time
	Outcome  string
	Reason   string
	DataHash string // SHA-256 of the canonical JSON that was signed, hexadecimal
	Sum      string // SHA-256 over decision and DataHash, hexadecimal
	// Sound is false when the stored decision is not the one that was signed, Matches
	// when the report's data are no longer those that were signed.
	Sound   bool
	Matches bool
	Present string   // hash of the data as they are now
	Changes []string // what differs from what was signed, at most a few
	InForce bool     // false once the lot was re-opened
}

// A Sampling says how many units of the lot had to be inspected, which, and with what
// result. Risks and fractions are shares from 0 to 1, NaN when there is no plan.
type Sampling struct {
	Method                     string // "inspect all" or "plan"
	Severity                   string // normal, tightened, reduced; empty for inspect all
	LotSize, Sample, Accept    int
	Good, ProducerRisk         float64
	Bad, ConsumerRisk          float64 // risks achieved by the plan at Good and Bad
	Seed                       string
	DrawnAt                    time.Time
	Pulled                     []Pulled
	Inspected, Defective       int
	Result                     string // accept, refuse, not complete
	Notes                      []string
	Curve                      []OCPoint
	CurveName                  string
	WishProducer, WishConsumer float64
}

// A Pulled is one unit drawn for inspection; its result is that of its first attempt.
type Pulled struct {
	Serial  string
	Verdict string // "waiting" until it is judged
}

// An OCPoint is the chance that a lot with so many defectives is accepted.
type OCPoint struct {
	Defective int
	Fraction  float64
	Accept    float64
}

// A CapabilityRow relates the first attempts' values of one stream to its limits.
type CapabilityRow struct {
	Stream, Unit string
	N            int
	Mean, SD     float64
	Lower, Upper float64 // NaN for none
	Ppk          float64
	Low, High    float64 // two-sided interval of Ppk
	AtLeast      float64 // what Ppk exceeds with Confidence, one-sided
	Confidence   float64
	NormalP      float64 // Anderson-Darling; NaN when not tested
	Group        string  // what the stream is of: "left", "balance", "scalars"
	Hz           float64 // nominal mid-band frequency, 0 for a scalar
	Warnings     string
}

// An AttemptRow is one visit of a unit to the rig.
type AttemptRow struct {
	Serial     string
	Number, Of int
	Verdict    string // the program's; "waiting" while takes are missing
	Stands     string // after overrides
	Override   string // who set it aside and why, in words; empty for none
	Reason     string // cause found or action taken before a retest
	Sentence   string
	MeasuredAt time.Time
	Station    string
	Operator   string
	Envelope   int // version; 0 for none
	LimitSet   int
}

// A JournalRow is one entry of the journal about the lot or its units.
type JournalRow struct {
	Entry            int64
	At               time.Time
	Who, From        string
	Deed, About, Why string
	Detail           string
}

// A RigDay is a day on which a rig measured units of the lot.
type RigDay struct {
	Rig, Day string // "2026-09-30" in the site's zone
	Units    int
	Checks   int // with a reference unit, judged, on that day
	Passed   int
	Text     string // the same in words
	Early    string // how many attempts came before the day's first check; empty for none
}

// Words are all that is said of the day.
func (d RigDay) Words() string {
	if d.Early == "" {
		return d.Text
	}
	return d.Text + "; " + d.Early
}
