package reports

import (
	"fmt"
	"math"
)

// Check returns an error that says which slice of the lot does not fit the
// others. Writers call it first, so that a slip of the caller ends in a sentence
// and not in a picture that is shifted by one band. Values may be NaN anywhere.
func (l Lot) Check() error {
	for i, f := range l.Axis {
		if !(f > 0) || math.IsInf(f, 0) || (i > 0 && f <= l.Axis[i-1]) {
			return fmt.Errorf("lot %q: axis value %d (%v Hz) does not rise above the one before: give positive mid-band frequencies in rising order", l.Code, i+1, f)
		}
	}
	if len(l.Labels) != len(l.Axis) {
		return fmt.Errorf("lot %q: %d band labels for %d bands: give one label per band", l.Code, len(l.Labels), len(l.Axis))
	}
	for _, s := range []Series{
		{"lower limit", l.Limits.Lower}, {"upper limit", l.Limits.Upper},
		{"lower working limit", l.Limits.WorkingLower}, {"upper working limit", l.Limits.WorkingUpper},
	} {
		if n := len(s.Values); n != 0 && n != len(l.Axis) {
			return fmt.Errorf("lot %q: %s has %d values for %d bands: fill bands that are not judged with NaN", l.Code, s.Name, n, len(l.Axis))
		}
	}
	for _, u := range l.Units {
		for _, c := range u.Curves {
			if len(c.Values) != len(l.Axis) {
				return fmt.Errorf("unit %q, curve %q: %d values for %d bands: fill bands that are not covered with NaN", u.Serial, c.Name, len(c.Values), len(l.Axis))
			}
		}
	}
	if n := len(l.BalanceLimits); n != 0 && n != len(l.Axis) {
		return fmt.Errorf("lot %q: %d balance limits for %d bands: fill bands that are not judged with NaN", l.Code, n, len(l.Axis))
	}
	for _, c := range l.BalanceCurves {
		if len(c.Values) != len(l.Axis) {
			return fmt.Errorf("unit %q, balance: %d values for %d bands: fill bands that are not covered with NaN", c.Name, len(c.Values), len(l.Axis))
		}
	}
	for _, c := range l.Charts {
		if err := c.Check(); err != nil {
			return err
		}
	}
	return nil
}

// Check returns an error unless the chart's slices are of one length (Moving may
// be empty: no moving range is drawn) and every mark points at a value.
func (c Chart) Check() error {
	n := len(c.Values)
	if len(c.Serials) != n || len(c.InLot) != n || (len(c.Moving) != 0 && len(c.Moving) != n) {
		return fmt.Errorf("chart %q: %d serials, %d values, %d lot flags, %d moving ranges: give one of each per unit",
			c.Stream, len(c.Serials), n, len(c.InLot), len(c.Moving))
	}
	for _, m := range c.Marks {
		if m.Index < 0 || m.Index >= n {
			return fmt.Errorf("chart %q: mark %q points at value %d of %d: give an index from 0", c.Stream, m.Rule, m.Index, n)
		}
	}
	return nil
}

// Channels returns the names of the lot's channels in the order in which curves
// and band rows first name them.
func (l Lot) Channels() []string {
	var names []string
	seen := map[string]bool{}
	add := func(name string) {
		if !seen[name] {
			seen[name] = true
			names = append(names, name)
		}
	}
	for _, b := range l.Bands {
		add(b.Channel)
	}
	for _, u := range l.Units {
		for _, c := range u.Curves {
			add(c.Name)
		}
	}
	return names
}
