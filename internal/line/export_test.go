package line

import (
	"context"
	"time"

	"alike/internal/store"
	"alike/spc/envelope"
)

// Values returns the streams of one unit from the seatings of its channels in band levels.
func (s *Setup) Values(seatings map[string][][]float64) ([]float32, error) {
	var channels []envelope.Channel
	for _, name := range s.Channels {
		c, err := s.read(name, seatings[name])
		if err != nil {
			return nil, err
		}
		channels = append(channels, c)
	}
	return s.values(channels), nil
}

// A Said is what the self-starting charts said of one unit.
type Said struct {
	Units  int
	Learnt bool
	Late   bool
	Fired  []string // rule and stream
}

// Learn has the self-starting charts read units that all passed.
func (s *Setup) Learn(rows []store.LearnRow) ([]Said, error) {
	l, err := newLearner(s)
	if err != nil {
		return nil, err
	}
	for _, r := range rows {
		l.read(r)
	}
	var out []Said
	for _, st := range l.steps {
		d := Said{Units: st.units, Learnt: st.learnt, Late: st.late}
		for _, f := range st.fired {
			d.Fired = append(d.Fired, string(f.rule)+" "+s.StreamList[f.stream].Key)
		}
		out = append(out, d)
	}
	return out, nil
}

// LearnLimits returns the limits of a score and of a sum.
func LearnLimits(streams, every int) (beyond, sum float64, err error) {
	l, err := learnLimitsFor(streams, every)
	return l.beyond, l.sum, err
}

// Learns reports whether the product has charts that learn.
func (l *Line) Learns(ctx context.Context, product string) (bool, error) {
	setup, err := l.Setup(ctx, product)
	if err != nil {
		return false, err
	}
	b, err := l.charts(ctx, l.db.Site(l.site), setup)
	return b.learning(), err
}

// Clock returns the line's clock.
func (l *Line) Clock() func() time.Time { return l.now }
