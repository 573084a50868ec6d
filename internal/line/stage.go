package line

import (
	"context"
	"errors"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strings"

	"alike/internal/store"
	"alike/spc/sampling"
)

// StageDriver is the stage of products that are single drivers as they come in.
const StageDriver = "driver"

// KindDriver is the component kind of drivers in the parts ledger.
const KindDriver = "driver"

// A Component is a kind of part a product is made of.
type Component struct {
	Kind        string     `json:"kind"` // driver, foam, pad, mesh, glue, print material
	Name        string     `json:"name,omitempty"`
	Certificate []Quantity `json:"certificate,omitempty"` // what a supplier's certificate has to state
}

// A Quantity is a named number with its unit.
type Quantity struct {
	Name string `json:"name"`
	Unit string `json:"unit"`
}

// A Metric is a single number measured beside the curve of each piece.
type Metric struct {
	Key   string   `json:"key"`             // resonance, impedance, sensitivity, distortion
	Name  string   `json:"name"`            // "resonance frequency"
	Unit  string   `json:"unit"`            // Hz, ohm, dB, %
	Lower *float64 `json:"lower,omitempty"` // limits of one piece
	Upper *float64 `json:"upper,omitempty"`
	// Margin is the largest difference of two batches' means that does not matter; 0
	// for none, and no batches are called equivalent in it.
	Margin float64 `json:"margin,omitempty"`
	// A batch's mean has to lie within MeanTolerance of Target and its standard
	// deviation to be at most MostSD; 0 for what does not matter.
	Target        float64 `json:"target,omitempty"`
	MeanTolerance float64 `json:"mean_tolerance,omitempty"`
	MostSD        float64 `json:"most_sd,omitempty"`
}

// Incoming says how batches of drivers are accepted, compared and paired.
type Incoming struct {
	// Margin in dB is the largest difference of two batches' means in a band that
	// does not matter.
	Margin float64 `json:"margin"`
	// A batch with the share Good of bad drivers is to be refused with at most
	// ProducerRisk, one with Bad accepted with at most ConsumerRisk.
	Good         float64 `json:"good"`
	ProducerRisk float64 `json:"producer_risk"`
	Bad          float64 `json:"bad"`
	ConsumerRisk float64 `json:"consumer_risk"`
	// PairTolerance in dB is the largest mismatch of a pair; Weights are those of
	// ranges of bands in it, 1 where none is given, and SensitivityWeight that of the
	// sensitivity beside them.
	PairTolerance     float64  `json:"pair_tolerance"`
	Weights           []Weight `json:"weights,omitempty"`
	SensitivityWeight float64  `json:"sensitivity_weight,omitempty"`
}

// A Weight is that of the bands from From to To Hz, by nominal mid-band frequency.
type Weight struct {
	From   float64 `json:"from"`
	To     float64 `json:"to"`
	Weight float64 `json:"weight"`
}

// usualIncoming is what a product of drivers without the field means.
func usualIncoming() Incoming {
	return Incoming{Margin: 0.5, Good: 0.02, ProducerRisk: 0.05, Bad: 0.10, ConsumerRisk: 0.10, PairTolerance: 0.5}
}

func (in Incoming) wish() sampling.Wish {
	return sampling.Wish{Good: in.Good, ProducerRisk: in.ProducerRisk, Bad: in.Bad, ConsumerRisk: in.ConsumerRisk}
}

var keyForm = regexp.MustCompile(`^[a-z][a-z0-9_]{0,31}$`)

// checkStage checks what concerns parts and drivers.
func (p Product) checkStage() error {
	kinds := map[string]bool{}
	for i, c := range p.Components {
		if c.Kind == "" || c.Kind != strings.ToLower(strings.TrimSpace(c.Kind)) || kinds[c.Kind] {
			return fmt.Errorf("components: kind %d, %q, is repeated, empty, or not in small letters", i+1, c.Kind)
		}
		kinds[c.Kind] = true
		for _, q := range c.Certificate {
			if q.Name == "" || q.Unit == "" {
				return fmt.Errorf("components: the certificate of %q has a quantity without name or unit", c.Kind)
			}
		}
	}
	switch {
	case p.Stage != "" && p.Stage != StageDriver:
		return fmt.Errorf("stage %q: leave it out for finished units, or say %q", p.Stage, StageDriver)
	case p.Stage == StageDriver && !slices.Equal(p.Channels, []string{"mono"}):
		return errors.New("channels: a single driver has the one channel [\"mono\"]")
	case p.Stage == "" && (p.Of != "" || p.Incoming != nil):
		return errors.New("of and incoming belong to a product of the stage \"driver\"")
	case p.Of != "" && !codeForm.MatchString(p.Of):
		return fmt.Errorf("of %q: give the code of the product the drivers go into", p.Of)
	}
	if err := p.checkMetrics(); err != nil {
		return err
	}
	if p.Incoming == nil {
		return nil
	}
	return p.Incoming.check()
}

func (p Product) checkMetrics() error {
	seen := map[string]bool{}
	for _, m := range p.Metrics {
		switch {
		case !keyForm.MatchString(m.Key) || seen[m.Key] || slices.Contains(valueColumns, m.Key):
			return fmt.Errorf("metric %q: use a key of its own, small letters, digits and _, none of %s", m.Key, strings.Join(valueColumns, ", "))
		case m.Name == "" || m.Unit == "":
			return fmt.Errorf("metric %q: name and unit must not be empty", m.Key)
		case m.Lower != nil && m.Upper != nil && !(*m.Lower < *m.Upper):
			return fmt.Errorf("metric %q: lower %v is not below upper %v", m.Key, *m.Lower, *m.Upper)
		case !(m.Margin >= 0 && m.MeanTolerance >= 0 && m.MostSD >= 0):
			return fmt.Errorf("metric %q: margin, mean_tolerance and most_sd are numbers from 0 up", m.Key)
		}
		seen[m.Key] = true
	}
	return nil
}

func (in Incoming) check() error {
	if !(in.Margin > 0 && in.Margin < 100) {
		return fmt.Errorf("incoming: margin %v is not a number of dB above 0", in.Margin)
	}
	if !(in.PairTolerance > 0 && in.PairTolerance < 100) {
		return fmt.Errorf("incoming: pair_tolerance %v is not a number of dB above 0", in.PairTolerance)
	}
	if _, err := sampling.FindVariables(in.wish()); err != nil {
		return fmt.Errorf("incoming: %w", err)
	}
	if !(in.SensitivityWeight >= 0 && in.SensitivityWeight <= 1e6) {
		return fmt.Errorf("incoming: sensitivity_weight %v is not a number from 0 to 1e6", in.SensitivityWeight)
	}
	for _, w := range in.Weights {
		if !(w.From > 0 && w.From <= w.To) || !(w.Weight >= 0 && w.Weight <= 1e6) {
			return fmt.Errorf("incoming: weight %v from %v to %v Hz: give rising frequencies and a weight from 0 to 1e6", w.Weight, w.From, w.To)
		}
	}
	return nil
}

// incoming returns the product's, or the usual one.
func (s *Setup) incoming() Incoming {
	if s.Incoming == nil {
		return usualIncoming()
	}
	return *s.Incoming
}

// weights returns the pairing weight of every band.
func (s *Setup) weights(in Incoming) []float64 {
	out := make([]float64, len(s.Band))
	for i, b := range s.Band {
		out[i] = 1
		for _, w := range in.Weights {
			if f := b.Nominal(); f >= w.From && f <= w.To {
				out[i] = w.Weight
			}
		}
	}
	return out
}

func (p Product) metric(key string) (Metric, bool) {
	for _, m := range p.Metrics {
		if m.Key == key {
			return m, true
		}
	}
	return Metric{}, false
}

// within reports whether a piece's number keeps the metric's limits.
func (m Metric) within(v float64) bool {
	return !(m.Lower != nil && v < *m.Lower) && !(m.Upper != nil && v > *m.Upper) && !math.IsNaN(v)
}

// finished lists the codes of the products that are no drivers, or all when there
// are only such.
func (l *Line) finished(ctx context.Context, s store.Site) ([]string, error) {
	return l.ofStage(ctx, s, "", "")
}

// ofStage lists the codes of the products of a stage that are made for another.
func (l *Line) ofStage(ctx context.Context, s store.Site, stage, of string) ([]string, error) {
	rows, err := s.Products(ctx)
	if err != nil {
		return nil, err
	}
	var out []string
	for _, r := range rows {
		p, err := ParseProduct(r.Definition)
		if err != nil {
			return nil, fmt.Errorf("stored product %s: %w", r.Product, err)
		}
		if p.Stage == stage && (of == "" || p.Of == of) {
			out = append(out, r.Product)
		}
	}
	return out, nil
}

// DriverSetup returns a product of single drivers made ready: the one with the code,
// or the only one that goes into the product with the code, or the site's only one
// for an empty code.
func (l *Line) DriverSetup(ctx context.Context, code string) (*Setup, error) {
	return l.driverSetup(ctx, l.db.Site(l.site), code)
}

func (l *Line) driverSetup(ctx context.Context, s store.Site, code string) (*Setup, error) {
	if code != "" {
		setup, err := l.setup(ctx, s, code)
		if err != nil || setup.Stage == StageDriver {
			return setup, err
		}
	}
	all, err := l.ofStage(ctx, s, StageDriver, code)
	if err != nil {
		return nil, err
	}
	const remedy = "add one with: alike product add FILE, with \"stage\": \"driver\" in it (alike drivers example prints one)"
	switch {
	case len(all) == 0 && code == "":
		return nil, refuse(Missing, "product", remedy, "the workshop has no product of single drivers")
	case len(all) == 0:
		return nil, refuse(Missing, "product", remedy, "no product of single drivers goes into product %s", code)
	case len(all) > 1:
		return nil, refuse(Invalid, "product", "name one of "+strings.Join(all, ", "), "the workshop has %d products of single drivers", len(all))
	}
	return l.setup(ctx, s, all[0])
}
