package station

import (
	"encoding/json"
	"fmt"
	"strings"
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

// A wireRefusal is what the server's POST /api/v1/refusals expects.
type wireRefusal struct {
	Source  string `json:"source"`
	Line    int    `json:"line,omitempty"`
	Field   string `json:"field,omitempty"`
	Reason  string `json:"reason"`
	Remedy  string `json:"remedy,omitempty"`
	Lot     string `json:"lot,omitempty"`
	Content []byte `json:"content,omitempty"`
}

// Bounds of what is reported of one file. The file itself stays at the station.
const (
	mostReports = 100
	mostContent = 16 << 20
	mostText    = 1000 // characters
)

// reports puts refusals into requests. The file's content goes along when it is refused
// as a whole.
func reports(refused []*curve.Refusal, lot string, content []byte) ([]json.RawMessage, error) {
	var out []json.RawMessage
	for i, r := range refused {
		w := wireRefusal{Source: shorten(r.File), Line: r.Line, Field: shorten(r.Field), Reason: shorten(r.Reason), Remedy: shorten(r.Remedy), Lot: lot}
		if i == mostReports-1 && len(refused) > mostReports {
			w.Line, w.Field, w.Reason = 0, curve.WholeFile, fmt.Sprintf("%d more rows are refused; the reasons are at the station", len(refused)-i)
		}
		if len(refused) == 1 && len(content) <= mostContent {
			w.Content = content
		}
		body, err := json.Marshal(w)
		if err != nil {
			return nil, err
		}
		if out = append(out, body); len(out) == mostReports {
			break
		}
	}
	return out, nil
}

// shorten makes a text fit for the server: of a bounded length, without U+0000.
func shorten(s string) string {
	s = strings.ReplaceAll(strings.ToValidUTF8(s, "\uFFFD"), "\x00", "\uFFFD")
	if r := []rune(s); len(r) > mostText {
		s = string(r[:mostText-1]) + "…"
	}
	return s
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
