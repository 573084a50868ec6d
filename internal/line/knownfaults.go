package line

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"alike/internal/store"
	"alike/spc/cause"
	"alike/spc/sample"
)

// KnownFaults are the faults that a product is known to have: what changes are held
// against, where each comes from, and which pairs shape hardly tells apart.
type KnownFaults struct {
	Setup *Setup
	Zone  *time.Location
	// LimitSet is the version whose baseline says how units scatter; 0 when no limits are
	// in force, and all bands count alike then.
	LimitSet int
	Faults   []KnownFault // in force, in the product's order
	Gone     []KnownFault // learnt ones that were withdrawn and have nothing in their place
	Pairs    []FaultPair  // confusable, most alike first
	Studies  []FaultStudyState
	Versions []FaultVersion // of all keys, newest first
}

// A KnownFault is one of them.
type KnownFault struct {
	Signature
	Shape, Low, High []float64     // dB per band; no interval for one of the product file
	Learnt           *FaultVersion // nil when it is the product file's
	InFile           bool          // the product file has one of this key
	Nearest          *FaultPair    // the other fault that it is most like; nil for the only one
}

// A FaultVersion is one version of a learnt signature, with the state that it has now.
type FaultVersion struct {
	store.FaultSignatureRow
	Now     string // in force, superseded, withdrawn
	LeftOut []LeftOut
	Good    int
	Limits  int // version whose baseline the good units are; 0 for those of the study
	Noise   float64
	Settled bool
	Notes   []string // whole sentences, as they were when it was learnt
}

// A FaultStudyState is a study of faulty units with how far it has come.
type FaultStudyState struct {
	StudyState
	Plan    store.FaultPlanRow
	InForce bool // what it teaches is in force
}

// KnownFaults returns the faults known of a product.
func (l *Line) KnownFaults(ctx context.Context, product string) (KnownFaults, error) {
	var k KnownFaults
	err := l.db.Snapshot(ctx, l.site, func(s store.Site) (err error) {
		if k.Setup, err = l.setup(ctx, s, product); err != nil {
			return err
		}
		if k.Zone, err = zoneOf(ctx, s); err != nil {
			return err
		}
		row, err := s.Product(ctx, k.Setup.Code)
		if err != nil {
			return err
		}
		file, err := made(row)
		if err != nil {
			return err
		}
		rows, err := s.FaultSignatures(ctx, k.Setup.Code)
		if err != nil {
			return err
		}
		if err := k.versions(rows); err != nil {
			return err
		}
		sd, err := k.scatter(ctx, s)
		if err != nil {
			return err
		}
		k.list(file, sd)
		return k.studies(ctx, l, s)
	})
	return k, err
}

// versions sorts the stored rows, newest first, and says what each is now.
func (k *KnownFaults) versions(rows []store.FaultSignatureRow) error {
	newer := map[string]bool{}
	for _, r := range slices.Backward(rows) {
		v, err := versionOf(r)
		if err != nil {
			return err
		}
		v.CreatedAt = v.CreatedAt.In(k.Zone)
		switch v.Now = r.State; {
		case newer[r.Key] && r.State == InForce:
			v.Now = Superseded
		case newer[r.Key]:
			v.Now = Withdrawn
		}
		newer[r.Key] = true
		k.Versions = append(k.Versions, v)
	}
	return nil
}

func versionOf(r store.FaultSignatureRow) (FaultVersion, error) {
	var b faultBasis
	if err := json.Unmarshal(r.Basis, &b); err != nil {
		return FaultVersion{}, fmt.Errorf("stored fault signature %d of %s: %w", r.Version, r.Product, err)
	}
	return FaultVersion{FaultSignatureRow: r, LeftOut: b.LeftOut, Good: b.Good, Limits: b.LimitSet, Noise: b.Noise, Settled: b.Settled, Notes: b.Warnings}, nil
}

// scatter returns the standard deviation of a good unit per band, of the mean of its
// channels; one decibel everywhere when no limits are in force.
func (k *KnownFaults) scatter(ctx context.Context, s store.Site) ([]float64, error) {
	sd, set, err := k.Setup.usualScatter(ctx, s)
	if k.LimitSet = set; sd != nil || err != nil {
		return sd, err
	}
	sd = make([]float64, len(k.Setup.Band))
	for i := range sd {
		sd[i] = 1
	}
	return sd, nil
}

// usualScatter returns the scatter of the units of the baseline in force, and the version
// of its limit set; nil and 0 when no limits are in force.
func (s *Setup) usualScatter(ctx context.Context, site store.Site) ([]float64, int, error) {
	set, err := site.LimitSet(ctx, s.Code, 0)
	if errors.Is(err, store.ErrNotFound) {
		return nil, 0, nil
	} else if err != nil {
		return nil, 0, err
	}
	rows, err := site.ReadingsOf(ctx, s.Code, set.Baseline)
	if err != nil {
		return nil, 0, err
	}
	return s.scatterOfUnits(rows), set.Version, nil
}

// scatterOfUnits is the root mean square over the channels of a unit's standard deviation
// in each band, unanchored; NaN where a band is not measured.
func (s *Setup) scatterOfUnits(rows []store.ReadingRow) []float64 {
	out := make([]float64, len(s.Band))
	for _, c := range s.Channels {
		levels := s.allOf(rows, c)
		for i := range out {
			sd := math.NaN()
			if len(levels) > 1 {
				sd = sample.SD(column(levels, i))
			}
			out[i] += sd * sd / float64(len(s.Channels))
		}
	}
	for i, v := range out {
		out[i] = math.Sqrt(v)
	}
	return out
}

// list fills the faults in force, and the pairs.
func (k *KnownFaults) list(file *Setup, sd []float64) {
	s := k.Setup
	inFile := map[string]bool{}
	for _, g := range file.Signatures {
		inFile[g.Key] = true
	}
	for i, g := range s.Signatures {
		f := KnownFault{Signature: g, Shape: s.Shapes[i].Shape, InFile: inFile[g.Key]}
		if _, learnt := s.Learnt[g.Key]; learnt {
			for n := range k.Versions {
				if v := &k.Versions[n]; v.Key == g.Key && v.Now == InForce {
					f.Learnt, f.Low, f.High = v, v.Low, v.High
				}
			}
		}
		if like := s.likeOthers(s.Shapes[i], sd); len(like) > 0 {
			f.Nearest = &like[0]
		}
		k.Faults = append(k.Faults, f)
	}
	shape := map[string]cause.Signature{}
	for _, g := range s.Shapes {
		shape[g.Key] = g
	}
	for _, l := range cause.Confusable(sd, s.Shapes) {
		k.Pairs = append(k.Pairs, s.faultPair(l, shape[l.A], shape[l.B]))
	}
	told := map[string]bool{}
	for n := range k.Versions {
		v := &k.Versions[n]
		if v.Now == Withdrawn && !told[v.Key] && shape[v.Key].Key == "" {
			g, sh := s.learnt(v.FaultSignatureRow)
			k.Gone = append(k.Gone, KnownFault{Signature: g, Shape: sh.Shape, Low: v.Low, High: v.High, Learnt: v})
		}
		told[v.Key] = true
	}
}

// studies lists the product's studies of faulty units, newest first.
func (k *KnownFaults) studies(ctx context.Context, l *Line, s store.Site) error {
	rows, err := s.Studies(ctx)
	if err != nil {
		return err
	}
	for _, r := range slices.Backward(rows) {
		if r.Kind != FaultStudy || r.Product != k.Setup.Code {
			continue
		}
		st := FaultStudyState{}
		if st.StudyState, _, err = l.studyState(ctx, s, r.Study); err != nil {
			return err
		}
		if st.Plan, err = s.FaultPlan(ctx, r.Study); err != nil {
			return err
		}
		st.InForce = slices.ContainsFunc(k.Versions, func(v FaultVersion) bool { return v.Study == r.Study && v.Now == InForce })
		k.Studies = append(k.Studies, st)
	}
	return nil
}

// Fault returns one known fault by its key, in force or withdrawn.
func (k KnownFaults) Fault(key string) (KnownFault, error) {
	for _, f := range slices.Concat(k.Faults, k.Gone) {
		if f.Key == key {
			return f, nil
		}
	}
	return KnownFault{}, refuse(Missing, "key", "see the faults with: alike fault list", "product %s has no fault %q", k.Setup.Code, key)
}

// Origin says where a known fault comes from, as a clause.
func (f KnownFault) Origin() string {
	switch v := f.Learnt; {
	case v == nil:
		return "from the product file"
	case v.Now == Withdrawn:
		return fmt.Sprintf("learnt in study %s from %s, withdrawn", v.Study, number(len(v.Units), "unit"))
	case f.InFile:
		return fmt.Sprintf("learnt in study %s from %s, in the place of the product file's", v.Study, number(len(v.Units), "unit"))
	default:
		return fmt.Sprintf("learnt in study %s from %s", v.Study, number(len(v.Units), "unit"))
	}
}
