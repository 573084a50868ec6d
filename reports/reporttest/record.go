package reporttest

import (
	"fmt"
	"math"
	"strings"
	"time"

	"alike/reports"
)

// record fills what a decision rests on: attempts, capability, a sampling plan of a
// twentieth of the lot, the journal, and a decision that was signed.
func (m *maker) record() {
	l := &m.l
	for i, u := range l.Units {
		for n := 1; n <= u.Attempts; n++ {
			a := reports.AttemptRow{
				Serial: u.Serial, Number: n, Of: u.Attempts, Verdict: u.Last, Stands: u.Last, Sentence: u.Sentence,
				MeasuredAt: u.MeasuredAt, Station: u.Station, Operator: u.Operator, Envelope: 1, LimitSet: 2,
			}
			if n > 1 {
				a.Reason = "pad seated again"
			}
			if n < u.Attempts {
				a.Verdict, a.Stands = u.First, u.First
			}
			l.Attempts = append(l.Attempts, a)
		}
		l.Journal = append(l.Journal, reports.JournalRow{Entry: int64(100 + i), At: u.MeasuredAt, Who: "station", From: "127.0.0.1", Deed: "take in", About: u.Serial, Detail: `{"takes": 4, "attempt": 1}`})
	}
	if m.n == 0 {
		return
	}
	last := &l.Attempts[len(l.Attempts)-1]
	last.Verdict, last.Stands, last.Override = "fail", "pass", "Ilse K set fail to pass: a cable lay under the pad; Bram T agreed: saw the cable"
	for i, b := range l.Bands {
		if i%9 != 0 {
			continue
		}
		ppk := 0.7 + 0.2*float64(i%7)
		l.Capability = append(l.Capability, reports.CapabilityRow{
			Stream: b.Channel + " " + b.Label + " Hz deviation", Unit: "dB", N: m.n, Mean: b.Mean, SD: b.SD, Lower: b.LowerLimit, Upper: b.UpperLimit,
			Ppk: ppk, Low: ppk * 0.8, High: ppk * 1.2, AtLeast: ppk * 0.83, Confidence: 0.95, NormalP: 0.3,
		})
	}
	m.sampling()
	l.MissingParts = []string{"The parts ledger names no foam right for unit " + l.Units[0].Serial + "."}
	l.Envelopes, l.LimitSets = []int{1}, []int{2}
	at := l.Closed.Add(2 * time.Hour)
	hash := strings.Repeat("5e", 32)
	l.Life = reports.Life{State: "decided", Steps: []reports.LotStep{
		{State: "closed", Who: "Bram T", From: "command line", At: at.Add(-time.Hour)},
		{State: "decided", Outcome: "concession", Reason: "the leak is found and mended; the units outside stay here", Who: "Ilse K", From: "command line", At: at},
	}, Signature: &reports.Signature{
		Who: "Ilse K", At: at, Outcome: "concession", Reason: "the leak is found and mended; the units outside stay here", DataHash: hash,
		Sum: strings.Repeat("a1", 32), Sound: true, Matches: true, Present: hash, InForce: true,
	}}
	l.Journal = append(l.Journal, reports.JournalRow{Entry: int64(100 + m.n), At: at, Who: "Ilse K", From: "command line", Deed: "decide lot", About: l.Code, Why: "the leak is found and mended", Detail: `{"outcome": "concession"}`})
}

// sampling makes a plan whose curve is the chance that none of a fifth of the lot is
// defective; the shape is that of a real one.
func (m *maker) sampling() {
	n := max(1, m.n/5)
	s := reports.Sampling{
		Method: "plan", Severity: "tightened", LotSize: m.n, Sample: n, Good: 0.02, Bad: 0.2, ProducerRisk: 0.04, ConsumerRisk: 0.09,
		WishProducer: 0.05, WishConsumer: 0.1, Seed: strings.Repeat("0f", 32), DrawnAt: m.l.Opened, Inspected: n, Result: "accept",
		Notes: []string{"Inspection is tightened: 2 of the last 5 lots were not accepted."}, CurveName: fmt.Sprintf("%d of %d, accept at most 0", n, m.n),
	}
	for i := range n {
		s.Pulled = append(s.Pulled, reports.Pulled{Serial: m.l.Units[(7*i)%m.n].Serial, Verdict: "pass"})
	}
	for d := range m.n + 1 {
		f := float64(d) / float64(m.n)
		s.Curve = append(s.Curve, reports.OCPoint{Defective: d, Fraction: f, Accept: math.Pow(1-f, float64(n))})
	}
	m.l.Sampling = s
}
