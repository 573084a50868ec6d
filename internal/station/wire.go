package station

import (
	"encoding/json"
	"time"

	"alike/internal/curve"
)

// A wireTake is a take as the server's POST /api/v1/takes expects it.
type wireTake struct {
	Product     string     `json:"product,omitempty"`
	Lot         string     `json:"lot,omitempty"`
	Serial      string     `json:"serial"`
	Channel     string     `json:"channel"`
	Seating     int        `json:"seating,omitempty"`
	Attempt     int        `json:"attempt,omitempty"`
	Station     string     `json:"station,omitempty"`
	Operator    string     `json:"operator,omitempty"`
	MeasuredAt  *time.Time `json:"measured_at,omitempty"`
	Reason      string     `json:"reason,omitempty"`
	Source      string     `json:"source,omitempty"`
	Frequencies []float64  `json:"frequencies"` // Hz
	Levels      []float64  `json:"levels"`      // dB
	Phases      []float64  `json:"phases,omitempty"`
}

type wireRequest struct {
	Takes []wireTake `json:"takes"`
}

// A wireAnswer is what the server answers, be it good or a problem after RFC 9457.
type wireAnswer struct {
	Detail string       `json:"detail"`
	Field  string       `json:"field"`
	Remedy string       `json:"remedy"`
	Takes  []wireResult `json:"takes"`
}

type wireResult struct {
	Serial  string `json:"serial"`
	Channel string `json:"channel"`
	Seating int    `json:"seating"`
	Status  string `json:"status"` // stored, known, refused
	Problem *struct {
		Detail string `json:"detail"`
		Field  string `json:"field"`
		Remedy string `json:"remedy"`
	} `json:"problem"`
}

// mostTakes is how many takes go into one request; a visit of a unit to the rig has
// far fewer, and a refused request should not hold many.
const mostTakes = 32

// requests puts the takes of a file into requests, one for each visit of a unit, in
// the order in which units are first met.
func requests(takes []curve.Take, source string) ([]json.RawMessage, error) {
	type visit struct {
		product, serial string
		attempt         int
	}
	var groups [][]wireTake
	at := map[visit]int{}
	for _, t := range takes {
		v := visit{t.Product, t.Serial, t.Attempt}
		i, ok := at[v]
		if !ok || len(groups[i]) == mostTakes {
			i = len(groups)
			at[v] = i
			groups = append(groups, nil)
		}
		groups[i] = append(groups[i], wire(t, source))
	}
	var out []json.RawMessage
	for _, g := range groups {
		body, err := json.Marshal(wireRequest{g})
		if err != nil {
			return nil, err
		}
		out = append(out, body)
	}
	return out, nil
}

func wire(t curve.Take, source string) wireTake {
	w := wireTake{
		Product: t.Product, Lot: t.Lot, Serial: t.Serial, Channel: t.Channel, Seating: t.Seating, Attempt: t.Attempt,
		Station: t.Station, Operator: t.Operator, Reason: t.Reason, Source: sourceText(source, t.Source.Line),
		Frequencies: t.Curve.Hz, Levels: t.Curve.DB, Phases: t.Curve.Phase,
	}
	if !t.MeasuredAt.IsZero() {
		at := t.MeasuredAt.UTC()
		w.MeasuredAt = &at
	}
	return w
}
