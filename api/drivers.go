package api

import (
	"errors"
	"fmt"
	"io"
	"net/http"
	"strings"
	"time"

	"alike/internal/curve"
	"alike/internal/line"
	"alike/reports"
	"alike/reports/sheet"

	"github.com/labstack/echo/v4"
)

// A Driver is a single driver as it came in.
type Driver struct {
	Serial      string            `json:"serial"`
	Batch       string            `json:"batch"`
	Supplier    string            `json:"supplier"`
	State       string            `json:"state"`       // good, bad, not checked
	Text        string            `json:"text"`        // what is wrong, or was not checked
	Sensitivity number            `json:"sensitivity"` // dB; null when not measured
	Polarity    int               `json:"polarity"`    // 1 as most, -1 reversed, 0 not checked
	Values      map[string]number `json:"values"`
	Levels      []number          `json:"levels"` // per band of the product, dB, not anchored
	Unit        string            `json:"unit"`   // built into; empty for none
	Channel     string            `json:"channel"`
	Pairing     int               `json:"pairing"` // 0 for none
}

// A DriverBatch is a batch of drivers with its counts.
type DriverBatch struct {
	Batch    string `json:"batch"`
	Supplier string `json:"supplier"`
	Received string `json:"received"`
	Bought   int    `json:"bought"` // 0 when not counted
	Drivers  int    `json:"drivers"`
	Measured int    `json:"measured"`
	Good     int    `json:"good"`
	Bad      int    `json:"bad"`
	Paired   int    `json:"paired"`
	Built    int    `json:"built"`
}

func (s *server) getDriverBatches(c echo.Context) error {
	rows, err := s.Line.DriverBatches(c.Request().Context(), c.QueryParam("product"))
	if err != nil {
		return err
	}
	out := struct {
		Batches []DriverBatch `json:"batches"`
	}{[]DriverBatch{}}
	for _, r := range rows {
		out.Batches = append(out.Batches, DriverBatch{r.Batch, r.Supplier, dayText(r.Received), r.Pieces, r.Drivers, r.Measured, r.Good, r.Bad, r.Paired, r.Built})
	}
	return c.JSON(http.StatusOK, out)
}

func (s *server) getDrivers(c echo.Context) error {
	drivers, setup, err := s.Line.Drivers(c.Request().Context(), c.QueryParam("product"), c.QueryParams()["batch"])
	if err != nil {
		return err
	}
	out := struct {
		Product string   `json:"product"`
		Bands   []string `json:"bands"`
		Drivers []Driver `json:"drivers"`
	}{setup.Code, []string{}, []Driver{}}
	for _, b := range setup.Band {
		out.Bands = append(out.Bands, b.Label())
	}
	for _, d := range drivers {
		x := Driver{Serial: d.Serial, Batch: d.Batch, Supplier: d.Supplier, State: "not checked", Text: "not checked: " + strings.Join(d.NotChecked, ", "),
			Sensitivity: number(d.Sensitivity), Polarity: d.Polarity, Values: map[string]number{}, Levels: numbers(d.Levels), Unit: d.Unit, Channel: d.Channel, Pairing: d.Pairing}
		switch {
		case d.Good:
			x.State, x.Text = "good", ""
		case d.Bad:
			x.State, x.Text = "bad", strings.Join(d.Faults, "; ")
		}
		for k, v := range d.Values {
			x.Values[k] = number(v)
		}
		out.Drivers = append(out.Drivers, x)
	}
	return c.JSON(http.StatusOK, out)
}

// A ValueSet is the numbers measured of one driver beside its curve.
type ValueSet struct {
	Serial     string             `json:"serial"`
	Batch      string             `json:"batch"`
	Values     map[string]float64 `json:"values"`
	MeasuredAt *time.Time         `json:"measured_at"`
	Reason     string             `json:"reason"`
	Source     string             `json:"source"`
}

// A ValueResult says what became of one driver's numbers.
type ValueResult struct {
	Serial  string   `json:"serial"`
	Stored  int      `json:"stored"`
	Known   int      `json:"known"`
	Problem *Problem `json:"problem,omitempty"`
}

// postValues stores numbers driver by driver. What is refused goes to quarantine; the
// rest is stored all the same.
func (s *server) postValues(c echo.Context) error {
	var in struct {
		Product string     `json:"product"`
		Values  []ValueSet `json:"values"`
	}
	if err := readBody(c, &in); err != nil {
		return err
	}
	if len(in.Values) == 0 {
		return newProblem(http.StatusUnprocessableEntity, "the request holds no values", "send those of at least one driver")
	}
	out := struct {
		Values []ValueResult `json:"values"`
	}{}
	status := http.StatusOK
	for i, v := range in.Values {
		r, err := s.addValues(c, in.Product, i, v)
		if err != nil {
			return err
		}
		switch {
		case r.Problem != nil:
			status = max(status, http.StatusMultiStatus)
		case r.Stored > 0 && status == http.StatusOK:
			status = http.StatusCreated
		}
		out.Values = append(out.Values, r)
	}
	return c.JSON(status, out)
}

func (s *server) addValues(c echo.Context, product string, i int, v ValueSet) (ValueResult, error) {
	r := ValueResult{Serial: v.Serial}
	source := fmt.Sprintf("request, values %d", i+1)
	if v.Source != "" {
		source += " (" + v.Source + ")"
	}
	id, err := curve.Identity{Serial: v.Serial, Lot: v.Batch, Channel: "mono", Reason: v.Reason}.Normal()
	var field *curve.FieldError
	if errors.As(err, &field) {
		r.Problem = newProblem(http.StatusUnprocessableEntity, field.Reason, field.Remedy)
		r.Problem.Field = field.Field
		return r, s.quarantine(c, curve.Refusal{File: source, Field: field.Field, Reason: field.Reason, Remedy: field.Remedy}, "", v)
	}
	set := line.ValueSet{Serial: id.Serial, Lot: id.Lot, Values: v.Values, Reason: id.Reason, Source: curve.Source{File: source}}
	if v.MeasuredAt != nil {
		set.MeasuredAt = *v.MeasuredAt
	}
	got, err := s.Line.AddValues(c.Request().Context(), by(c), product, set)
	var refusal *line.Refusal
	if errors.As(err, &refusal) {
		r.Problem = fromRefusal(refusal)
		return r, s.quarantine(c, refusal.At(set.Source), v.Batch, v)
	}
	r.Stored, r.Known = got.New, got.Known
	return r, err
}

func (s *server) study(c echo.Context) (reports.DriverStudy, error) {
	r := line.StudyRequest{Product: c.QueryParam("product"), Batches: c.QueryParams()["batch"], Suppliers: c.QueryParams()["supplier"], Seed: 1, Program: "alike " + s.Version}
	var err error
	if r.Margin, err = queryNumber(c, "margin"); err != nil {
		return reports.DriverStudy{}, err
	}
	if r.Confidence, err = queryNumber(c, "confidence"); err != nil {
		return reports.DriverStudy{}, err
	}
	return s.Line.DriverStudy(c.Request().Context(), r)
}

// A DriverStudy is a comparison of batches or suppliers.
type DriverStudy struct {
	Product    string       `json:"product"`
	By         string       `json:"by"`     // batch or supplier
	Nested     bool         `json:"nested"` // suppliers by their batches
	Margin     float64      `json:"margin"` // dB
	P          number       `json:"p"`      // over all bands together; null for one group
	Conclusion []string     `json:"conclusion"`
	Warnings   []string     `json:"warnings"`
	Groups     []StudyGroup `json:"groups"`
	Bands      []Compared   `json:"bands"`
	Metrics    []Compared   `json:"metrics"`
}

// A StudyGroup is one batch or supplier of a study.
type StudyGroup struct {
	Name       string       `json:"name"`
	Supplier   string       `json:"supplier"`
	Batches    []string     `json:"batches"`
	Drivers    int          `json:"drivers"`
	Good       int          `json:"good"`
	Bad        int          `json:"bad"`
	NotChecked int          `json:"not_checked"`
	Reversed   int          `json:"reversed"`
	Yield      Yield        `json:"yield"`
	Pairs      *Purchase    `json:"pairs_per_hundred"` // null when not known
	Acceptance []Acceptance `json:"acceptance"`
}

// A Purchase is the pairs to expect.
type Purchase struct {
	Pairs float64 `json:"pairs"`
	Low   float64 `json:"low"`
	High  float64 `json:"high"`
}

// An Acceptance is one check of a batch by a sampling plan.
type Acceptance struct {
	Batch    string `json:"batch"`
	Of       string `json:"of"`
	Proposal string `json:"proposal"` // accept, refuse, measure more
	Plan     string `json:"plan"`
	Found    string `json:"found"`
	Sentence string `json:"sentence"`
}

// A Compared is one band or metric over the groups.
type Compared struct {
	Name      string       `json:"name"`
	Unit      string       `json:"unit"`
	MeanP     number       `json:"mean_p"`
	SpreadP   number       `json:"spread_p"`
	BetweenSD number       `json:"between_sd"`
	WithinSD  number       `json:"within_sd"`
	Share     number       `json:"share_between"`
	ShareLow  number       `json:"share_low"`
	ShareHigh number       `json:"share_high"`
	BatchP    number       `json:"batch_p"` // of equal batches of a supplier; null unless nested
	Pairs     []Difference `json:"pairs"`
}

// A Difference is that of two groups' means, a minus b.
type Difference struct {
	A           string `json:"a"`
	B           string `json:"b"`
	Difference  number `json:"difference"`
	Low         number `json:"low"`
	High        number `json:"high"`
	P           number `json:"p"`
	TukeyLow    number `json:"tukey_low"`
	TukeyHigh   number `json:"tukey_high"`
	Equivalence number `json:"equivalence_p"`
	Word        string `json:"word"` // equivalent, differs, differs little, open, or empty without a margin
}

func (s *server) getDriverStudy(c echo.Context) error {
	st, err := s.study(c)
	if err != nil {
		return err
	}
	out := DriverStudy{Product: st.Product, By: st.By, Nested: st.Nested, Margin: st.Margin, P: number(st.Headline.P), Conclusion: st.Conclusion,
		Warnings: append([]string{}, st.Warnings...), Bands: comparedOf(st.Bands), Metrics: comparedOf(st.Metrics)}
	for _, g := range st.Groups {
		y := g.Yield
		x := StudyGroup{Name: g.Name, Supplier: g.Supplier, Batches: g.Batches, Drivers: g.Drivers, Good: g.Good, Bad: g.Bad, NotChecked: g.NotChecked,
			Reversed: g.Reversed, Yield: Yield{y.Name, y.Good, y.Of, number(y.Share), number(y.Low), number(y.High), y.Confidence}, Acceptance: []Acceptance{}}
		if g.Pairing.Known {
			x.Pairs = &Purchase{g.Pairing.Pairs, g.Pairing.Low, g.Pairing.High}
		}
		for _, a := range g.Acceptance {
			x.Acceptance = append(x.Acceptance, Acceptance{a.Batch, a.Of, a.Word, a.Plan, a.Found, a.Sentence})
		}
		out.Groups = append(out.Groups, x)
	}
	return c.JSON(http.StatusOK, out)
}

func comparedOf(all []reports.Compared) []Compared {
	out := []Compared{}
	for _, c := range all {
		x := Compared{Name: c.Name, Unit: c.Unit, MeanP: number(c.MeanP), SpreadP: number(c.SpreadP), BetweenSD: number(c.BetweenSD), WithinSD: number(c.WithinSD),
			Share: number(c.Share), ShareLow: number(c.ShareLow), ShareHigh: number(c.ShareHigh), BatchP: number(c.BatchP), Pairs: []Difference{}}
		for _, d := range c.Pairs {
			x.Pairs = append(x.Pairs, Difference{d.A, d.B, number(d.Difference), number(d.Low), number(d.High), number(d.P), number(d.TukeyLow), number(d.TukeyHigh), number(d.EquivalentP), d.Word})
		}
		out = append(out, x)
	}
	return out
}

func (s *server) getStudyBook(c echo.Context) error {
	paper, err := queryPaper(c)
	if err != nil {
		return err
	}
	st, err := s.study(c)
	if err != nil {
		return err
	}
	return workbook(c, "drivers", func(w io.Writer) error {
		return sheet.WriteStudy(w, st, sheet.Options{Made: time.Now().In(st.Zone), Program: "alike " + s.Version, Paper: paper})
	})
}
