package api

import (
	"net/http"
	"slices"
	"time"

	"alike/internal/line"

	"github.com/labstack/echo/v4"
)

// A KnownFault is a fault that a product is known to have, with its curve in dB per band.
type KnownFault struct {
	Key     string        `json:"key"`
	Words   string        `json:"words"`
	Check   string        `json:"check"`
	Part    string        `json:"part"`
	InForce bool          `json:"in_force"`
	Origin  string        `json:"origin"` // in words
	Bands   []string      `json:"bands"`
	Shape   []number      `json:"shape"`
	Low     []number      `json:"low,omitempty"`
	High    []number      `json:"high,omitempty"`
	Learnt  *FaultVersion `json:"learnt"` // null for one of the product file
}

// A FaultVersion is one version of a learnt fault.
type FaultVersion struct {
	Version   int          `json:"version"`
	Study     string       `json:"study"`
	Side      string       `json:"side"`
	Units     []string     `json:"units"`
	LeftOut   []FaultAside `json:"left_out"`
	Good      int          `json:"good"`
	Reason    string       `json:"reason"`
	Author    string       `json:"author"`
	CreatedAt time.Time    `json:"created_at"`
}

// A FaultAside is a faulty unit that does not count.
type FaultAside struct {
	Serial string `json:"serial"`
	Reason string `json:"reason"`
}

// A FaultLikeness is how much of their shape two faults have in common.
type FaultLikeness struct {
	A     string `json:"a"`
	B     string `json:"b"`
	Share number `json:"share"`
	Units number `json:"units"` // after a change that tell them apart, at the least
	Text  string `json:"text"`
}

func likenessOf(p line.FaultPair) FaultLikeness {
	return FaultLikeness{p.A, p.B, number(p.Share), number(p.Units), p.Text()}
}

func (s *server) getFaults(c echo.Context) error {
	k, err := s.Line.KnownFaults(c.Request().Context(), c.QueryParam("product"))
	if err != nil {
		return err
	}
	out := struct {
		Product string          `json:"product"`
		Faults  []KnownFault    `json:"faults"`
		Pairs   []FaultLikeness `json:"confusable"`
	}{k.Setup.Code, []KnownFault{}, []FaultLikeness{}}
	for _, f := range slices.Concat(k.Faults, k.Gone) {
		x := KnownFault{
			Key: f.Key, Words: f.Words, Check: f.Check, Part: f.Part, Origin: f.Origin(), Shape: numbers(f.Shape), InForce: f.Learnt == nil || f.Learnt.Now == line.InForce,
		}
		for _, b := range k.Setup.Band {
			x.Bands = append(x.Bands, b.Label())
		}
		if v := f.Learnt; v != nil {
			x.Low, x.High = numbers(f.Low), numbers(f.High)
			x.Learnt = &FaultVersion{v.Version, v.Study, v.Side, v.Units, []FaultAside{}, v.Good, v.Reason, v.Author, v.CreatedAt}
			for _, o := range v.LeftOut {
				x.Learnt.LeftOut = append(x.Learnt.LeftOut, FaultAside{o.Serial, o.Reason})
			}
		}
		out.Faults = append(out.Faults, x)
	}
	for _, p := range k.Pairs {
		out.Pairs = append(out.Pairs, likenessOf(p))
	}
	return c.JSON(http.StatusOK, out)
}

// A FaultStudy is a study of units built faulty, and what it teaches once two of them are
// measured.
type FaultStudy struct {
	Study    string      `json:"study"`
	Product  string      `json:"product"`
	Key      string      `json:"key"`
	Words    string      `json:"words"`
	Check    string      `json:"check"`
	Part     string      `json:"part"`
	Side     string      `json:"side"`
	Faulty   []string    `json:"faulty"`
	Good     []string    `json:"good"` // of the study; empty for the baseline of the limits in force
	Seatings int         `json:"seatings"`
	Seed     int64       `json:"seed"`
	Reason   string      `json:"reason"`
	Author   string      `json:"author"`
	Runs     []StudyRun  `json:"runs"`
	Measured int         `json:"measured"`
	Of       int         `json:"of"`
	Why      string      `json:"why,omitempty"` // there is nothing yet
	Teaches  *FaultCurve `json:"teaches"`
}

// A FaultCurve is what faulty units have in common.
type FaultCurve struct {
	LimitSet int             `json:"limit_set"` // whose baseline is good; 0 for the study's own units
	Good     int             `json:"good"`
	Clear    int             `json:"clear"` // bands that changed beyond chance
	Chance   number          `json:"chance"`
	Settled  bool            `json:"settled"`
	More     int             `json:"more"` // faulty units that would settle it; -1 when none would
	Bands    []FaultBand     `json:"bands"`
	Units    []FaultUnit     `json:"units"`
	Odd      string          `json:"odd"` // serial of the unit that is not like the others
	Like     []FaultLikeness `json:"like"`
	Warnings []string        `json:"warnings"`
}

// A FaultBand is one band of it, in dB.
type FaultBand struct {
	Band   string `json:"band"`
	Change number `json:"change"`
	Low    number `json:"low"`
	High   number `json:"high"`
	P      number `json:"p_holm"`
}

// A FaultUnit is how one faulty unit goes with the others.
type FaultUnit struct {
	Serial string `json:"serial"`
	Size   number `json:"size"`
	Shared number `json:"shared"`
	P      number `json:"p"`
}

func (s *server) answerFaultStudy(c echo.Context, status int, code string) error {
	r, err := s.Line.FaultStudy(c.Request().Context(), code, nil)
	if err != nil {
		return err
	}
	return c.JSON(status, faultStudyOf(r))
}

func faultStudyOf(r line.FaultStudyResult) FaultStudy {
	out := FaultStudy{
		Study: r.Study, Product: r.Product, Key: r.Plan.Key, Words: r.Plan.Words, Check: r.Plan.FirstLook, Part: r.Plan.Part, Side: r.Plan.Side, Faulty: r.Plan.Faulty,
		Good: r.Plan.Good, Seatings: r.Trials, Seed: r.Seed, Reason: r.Reason, Author: r.Author, Measured: len(r.Done), Of: len(r.Runs), Why: r.Why,
	}
	for _, x := range r.Runs {
		out.Runs = append(out.Runs, StudyRun{Unit: x.Part, Seating: x.Trial, Measured: r.Done[x]})
	}
	k := r.Learnt
	if k == nil {
		return out
	}
	out.Teaches = &FaultCurve{
		LimitSet: r.LimitSet, Good: k.Good, Clear: k.Clear, Chance: number(k.Noise), Settled: k.Settled, More: k.More, Bands: []FaultBand{}, Units: []FaultUnit{},
		Like: []FaultLikeness{}, Warnings: append([]string{}, r.Warnings...),
	}
	for i, b := range r.Setup.Band {
		out.Teaches.Bands = append(out.Teaches.Bands, FaultBand{b.Label(), number(k.Shape[i]), number(k.Low[i]), number(k.High[i]), number(k.P[i])})
	}
	for i, u := range k.Units {
		out.Teaches.Units = append(out.Teaches.Units, FaultUnit{u.Name, number(u.Size), number(u.Shared), number(u.P)})
		if i == k.Odd {
			out.Teaches.Odd = u.Name
		}
	}
	for _, p := range r.Like {
		out.Teaches.Like = append(out.Teaches.Like, likenessOf(p))
	}
	return out
}

func (s *server) getFaultStudy(c echo.Context) error {
	code, err := pathPart(c, "study")
	if err != nil {
		return err
	}
	return s.answerFaultStudy(c, http.StatusOK, code)
}

func (s *server) postFaultStudy(c echo.Context) error {
	var in struct {
		Study    string   `json:"study"`
		Product  string   `json:"product"`
		Key      string   `json:"key"`
		Words    string   `json:"words"`
		Check    string   `json:"check"`
		Part     string   `json:"part"`
		Side     string   `json:"side"`
		Faulty   []string `json:"faulty"`
		Good     []string `json:"good"`
		Seatings int      `json:"seatings"`
		Seed     uint64   `json:"seed"`
		Reason   string   `json:"reason"`
	}
	if err := readBody(c, &in); err != nil {
		return err
	}
	if err := s.Line.PlanFault(c.Request().Context(), by(c), line.FaultPlan{
		Code: in.Study, Product: in.Product, Key: in.Key, Words: in.Words, Check: in.Check, Part: in.Part, Side: in.Side, Faulty: in.Faulty, Good: in.Good,
		Trials: in.Seatings, Seed: in.Seed, Reason: in.Reason,
	}); err != nil {
		return err
	}
	return s.answerFaultStudy(c, http.StatusCreated, in.Study)
}

func (s *server) postFaultLearn(c echo.Context) error {
	var in struct {
		Reason  string       `json:"reason"`
		Person  string       `json:"person"`
		LeftOut []FaultAside `json:"left_out"`
	}
	code, err := pathPart(c, "study")
	if err != nil {
		return err
	}
	if err := readBody(c, &in); err != nil {
		return err
	}
	who, err := named(c, in.Person)
	if err != nil {
		return err
	}
	var without []line.LeftOut
	for _, o := range in.LeftOut {
		without = append(without, line.LeftOut{Serial: o.Serial, Reason: o.Reason})
	}
	v, _, err := s.Line.LearnFault(c.Request().Context(), who, code, without, in.Reason)
	if err != nil {
		return err
	}
	return c.JSON(http.StatusCreated, map[string]int{"version": v})
}

func (s *server) postFaultWithdraw(c echo.Context) error {
	var in struct {
		Product string `json:"product"`
		Key     string `json:"key"`
		Reason  string `json:"reason"`
		Person  string `json:"person"`
	}
	if err := readBody(c, &in); err != nil {
		return err
	}
	who, err := named(c, in.Person)
	if err != nil {
		return err
	}
	v, err := s.Line.WithdrawFault(c.Request().Context(), who, in.Product, in.Key, in.Reason)
	if err != nil {
		return err
	}
	return c.JSON(http.StatusCreated, map[string]int{"version": v})
}
