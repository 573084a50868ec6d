package line

import (
	"bytes"
	_ "embed"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"math"
	"regexp"
	"strings"

	"alike/internal/curve"
	"alike/spc/band"
	"alike/spc/cause"
	"alike/spc/envelope"
)

// A Product is a design at a revision, as its maker writes it in a JSON file. A
// changed design is a new product with a new code: verdicts keep the meaning they
// had.
type Product struct {
	Code     string   `json:"code"`
	Revision string   `json:"revision"`
	Name     string   `json:"name"`
	Channels []string `json:"channels"` // ["left", "right"] or ["mono"]
	Fraction int      `json:"fraction"` // 1, 3, 6, 12 or 24: bands of 1/fraction octave
	Bands    Span     `json:"bands"`    // nominal mid-band frequencies measured, Hz
	Anchor   Span     `json:"anchor"`   // bands whose mean deviation is set to zero, Hz
	Target   Target   `json:"target"`
	// Seatings of every channel make one attempt; MaxAttempts caps them.
	Seatings    int `json:"seatings"`
	MaxAttempts int `json:"max_attempts"`
	// Sensitivity is the nominal level in the anchor range in dB SPL at the
	// product's drive; a channel far from it is dead, weak or driven wrongly. 0 when
	// not known.
	Sensitivity float64 `json:"sensitivity,omitempty"`
	// SeatingSpread is the largest difference in dB between seatings of one attempt
	// that seating explains; beyond it the verdict is reseat.
	SeatingSpread  []envelope.Guard `json:"seating_spread,omitempty"`
	FirstPassYield float64          `json:"first_pass_yield"`  // least share for an accepted lot, 0 to 1
	FalseAlarms    int              `json:"false_alarm_every"` // the board may cry wolf once in so many units
	Signatures     []Signature      `json:"signatures,omitempty"`
	// Plan is what to check when the line moved; empty for a general one.
	Plan []PlanRow `json:"plan,omitempty"`
	// Components are the kinds of parts the product is made of; the ledger takes no
	// other kind. Empty for any.
	Components []Component `json:"components,omitempty"`
	// Stage is empty for finished units, "driver" for single drivers as they come in;
	// Of is then the code of the product they go into.
	Stage    string    `json:"stage,omitempty"`
	Of       string    `json:"of,omitempty"`
	Metrics  []Metric  `json:"metrics,omitempty"` // single numbers measured beside the curve
	Incoming *Incoming `json:"incoming,omitempty"`
	// RigCheck is the first version of how the rig is checked; later ones are added on
	// their own.
	RigCheck *RigPolicy `json:"rig_check,omitempty"`
	// Sampling says how a lot is judged by a part of its units; without it every unit
	// is inspected.
	Sampling *SamplingWish `json:"sampling,omitempty"`
	// SecondPerson asks for another person's agreement before a verdict is set aside.
	SecondPerson bool `json:"second_person,omitempty"`
	// Envelope is the first version of the limits; later ones are added on their own.
	Envelope *envelope.Envelope `json:"envelope,omitempty"`
}

// A Span is a range of frequencies in Hz, both ends included.
type Span struct {
	From float64 `json:"from"`
	To   float64 `json:"to"`
}

// A Target is a response in dB plus a straight tilt. File names a curve file beside
// the product file; once read it is kept as Points.
type Target struct {
	File   string     `json:"file,omitempty"`
	Points []Point    `json:"points,omitempty"`
	Tilt   *band.Tilt `json:"tilt,omitempty"`
}

// A Point is a level in dB at a frequency in Hz, written [hz, db].
type Point [2]float64

// A Signature is the effect of a known fault: change of level over frequency.
type Signature struct {
	Key   string `json:"key"`
	Words string `json:"words"`
	Check string `json:"check"`
	// Part is the kind of part in the ledger that such a fault comes from, if it is known:
	// of batches that changed at the same unit it is then looked at first.
	Part   string  `json:"part,omitempty"`
	Points []Point `json:"points"`
}

// ExampleProduct is a product file to begin from.
//
//go:embed example-product.json
var ExampleProduct string

// ReadTarget takes the target's points from the text of a curve file.
func (p *Product) ReadTarget(name string, data []byte) error {
	c, _, err := curve.ReadText(name, data)
	if err != nil {
		return err
	}
	p.Target.File, p.Target.Points = "", nil
	for i, f := range c.Hz {
		p.Target.Points = append(p.Target.Points, Point{f, c.DB[i]})
	}
	return nil
}

// defaults are what a product file that leaves a field out means.
func defaults() Product {
	return Product{
		Channels: []string{"left", "right"}, Fraction: 3, Bands: Span{20, 20000}, Anchor: Span{500, 2000},
		Seatings: 1, MaxAttempts: 3, FirstPassYield: 0.9, FalseAlarms: 500,
	}
}

// ParseProduct reads a product file. Errors name the line where it can be known.
func ParseProduct(data []byte) (Product, error) {
	p := defaults()
	if err := strict(data, &p); err != nil {
		return Product{}, err
	}
	return p, nil
}

// ParseEnvelope reads an envelope file.
func ParseEnvelope(data []byte) (envelope.Envelope, error) {
	var e envelope.Envelope
	if err := strict(data, &e); err != nil {
		return e, err
	}
	return e, e.Check()
}

// strict decodes one JSON value that has no unknown fields; an error says in which
// line it stands.
func strict(data []byte, into any) error {
	data = bytes.TrimPrefix(data, []byte("\xef\xbb\xbf"))
	d := json.NewDecoder(bytes.NewReader(data))
	d.DisallowUnknownFields()
	err := d.Decode(into)
	if err == nil {
		if _, more := d.Token(); more != io.EOF {
			return fmt.Errorf("line %d: there is more after the end of the JSON value", lineOf(data, d.InputOffset()))
		}
		return nil
	}
	var syntax *json.SyntaxError
	var kind *json.UnmarshalTypeError
	switch {
	case errors.As(err, &syntax):
		return fmt.Errorf("line %d: this is not JSON: %v", lineOf(data, syntax.Offset), syntax)
	case errors.As(err, &kind):
		return fmt.Errorf("line %d: field %q cannot be a %s: it needs a %s", lineOf(data, kind.Offset), kind.Field, kind.Value, kind.Type)
	case errors.Is(err, io.EOF), errors.Is(err, io.ErrUnexpectedEOF):
		return errors.New("the file ends in the middle of the JSON value")
	}
	text := strings.TrimPrefix(err.Error(), "json: ")
	at := d.InputOffset()
	if name, unknown := strings.CutPrefix(text, "unknown field "); unknown {
		// The decoder stops at the end of the object; the name itself tells the line.
		at = int64(bytes.Index(data, []byte(name)))
	}
	return fmt.Errorf("line %d: %s", lineOf(data, at), text)
}

func lineOf(data []byte, offset int64) int {
	return 1 + bytes.Count(data[:max(0, min(int(offset), len(data)))], []byte("\n"))
}

var codeForm = regexp.MustCompile(`^[a-z0-9][a-z0-9._-]{0,63}$`)

// A Setup is a product made ready for work: bands, target and signatures in bands.
type Setup struct {
	Product
	Band       []band.Band
	Target     []float64 // dB per band, NaN where the target does not reach
	InAnchor   []bool
	Spread     []float64 // largest seating spread per band, NaN for none
	Shapes     []cause.Signature
	StreamList []Stream
	// Signatures, shapes and plan are those in force: what the site learnt and planned
	// counts before the product file.
	Learnt      map[string]int // keys of learnt signatures with their version
	PlanVersion int            // of the action plan; 0 for the general one
}

// SetUp checks a product and makes it ready. Errors name the field.
func (p Product) SetUp() (*Setup, error) {
	if err := p.check(); err != nil {
		return nil, err
	}
	s := &Setup{Product: p}
	var err error
	if s.Band, err = band.Between(p.Fraction, p.Bands.From, p.Bands.To); err != nil {
		return nil, fmt.Errorf("bands: %w", err)
	}
	target := band.Target{Curve: curveOf(p.Target.Points)}
	if p.Target.Tilt != nil {
		target.Tilt = *p.Target.Tilt
	}
	if err := target.Check(); err != nil {
		return nil, fmt.Errorf("target: %w", err)
	}
	anchored := false
	for i, l := range target.Levels(s.Band) {
		s.Target = append(s.Target, l.DB)
		f := s.Band[i].Nominal()
		in := f >= p.Anchor.From && f <= p.Anchor.To
		s.InAnchor = append(s.InAnchor, in)
		anchored = anchored || in && l.Covered
	}
	if !anchored {
		return nil, fmt.Errorf("anchor: no band from %v to %v Hz is measured and covered by the target", p.Anchor.From, p.Anchor.To)
	}
	s.Spread = spread(s.Band, p.SeatingSpread)
	for _, g := range p.Signatures {
		shape := cause.Signature{Key: g.Key, Words: g.Words, Check: g.Check}
		c := curveOf(g.Points)
		if err := c.Check(); err != nil {
			return nil, fmt.Errorf("signature %q: %w", g.Key, err)
		}
		for _, b := range s.Band {
			db, ok := c.At(b.Mid())
			if !ok {
				db = math.NaN()
			}
			shape.Shape = append(shape.Shape, db)
		}
		s.Shapes = append(s.Shapes, shape)
	}
	s.StreamList = s.streams()
	if len(p.Plan) > 0 {
		s.PlanVersion = 1
	}
	return s, nil
}

func (p Product) check() error {
	switch {
	case !codeForm.MatchString(p.Code):
		return fmt.Errorf("code %q: use 1 to 64 small letters, digits, dots, dashes", p.Code)
	case len(p.Channels) == 0 || len(p.Channels) > 8:
		return errors.New("channels: name 1 to 8, such as [\"left\", \"right\"]")
	case p.Seatings < 1 || p.Seatings > 50:
		return fmt.Errorf("seatings %d: use 1 to 50", p.Seatings)
	case p.MaxAttempts < 1:
		return fmt.Errorf("max_attempts %d: use at least 1", p.MaxAttempts)
	case !(p.FirstPassYield >= 0 && p.FirstPassYield <= 1):
		return fmt.Errorf("first_pass_yield %v: use a share from 0 to 1", p.FirstPassYield)
	case p.FalseAlarms < 10:
		return fmt.Errorf("false_alarm_every %d: use at least 10 units", p.FalseAlarms)
	case p.Target.File != "" && len(p.Target.Points) > 0:
		return errors.New("target: give file or points, not both")
	case p.Target.File != "":
		return fmt.Errorf("target: the curve file %q was not read", p.Target.File)
	}
	if p.Sampling != nil {
		if err := p.Sampling.check(); err != nil {
			return fmt.Errorf("sampling: %w", err)
		}
	}
	seen := map[string]bool{}
	for _, c := range p.Channels {
		if seen[c] || c == "" || c != strings.ToLower(strings.TrimSpace(c)) || strings.ContainsAny(c, "/ ") {
			return fmt.Errorf("channels: %q is repeated, or not one word in small letters", c)
		}
		seen[c] = true
	}
	keys := map[string]bool{}
	for i, g := range p.Signatures {
		if g.Key == "" || keys[g.Key] || g.Words == "" || g.Check == "" {
			return fmt.Errorf("signature %d: key must be given once, words and check must not be empty", i+1)
		}
		keys[g.Key] = true
	}
	if err := checkPlan(p.Plan); err != nil {
		return err
	}
	if p.Envelope != nil {
		if err := p.Envelope.Check(); err != nil {
			return fmt.Errorf("envelope: %w", err)
		}
	}
	if p.RigCheck != nil {
		if err := p.RigCheck.Check(); err != nil {
			return fmt.Errorf("rig_check: %w", err)
		}
	}
	return p.checkStage()
}

func curveOf(points []Point) band.Curve {
	var c band.Curve
	for _, p := range points {
		c.Hz, c.DB = append(c.Hz, p[0]), append(c.DB, p[1])
	}
	return c
}

func spread(bands []band.Band, ranges []envelope.Guard) []float64 {
	out := make([]float64, len(bands))
	for i, b := range bands {
		out[i] = math.NaN()
		for _, r := range ranges {
			if f := b.Nominal(); f >= r.From && f <= r.To {
				out[i] = r.DB
			}
		}
	}
	return out
}
