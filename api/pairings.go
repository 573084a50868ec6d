package api

import (
	"fmt"
	"io"
	"net/http"
	"time"

	"alike/internal/line"
	"alike/reports"
	"alike/reports/sheet"

	"github.com/labstack/echo/v4"
)

// A PickList is a pairing of drivers.
type PickList struct {
	Pairing   int          `json:"pairing"` // 0 when it was not kept
	Product   string       `json:"product"`
	Form      string       `json:"form"`
	Tolerance float64      `json:"tolerance"` // dB
	Pairs     []DriverPair `json:"pairs"`     // best first
	Unpaired  []Unpaired   `json:"unpaired"`
	Total     float64      `json:"total"`
	Worst     float64      `json:"worst"`
	TradeOff  []TradePoint `json:"trade_off"`
	Withdrawn string       `json:"withdrawn"` // empty when in force
	Built     string       `json:"built"`     // what was built by it, in words
	Warnings  []string     `json:"warnings"`
	Book      string       `json:"book,omitempty"` // address of the workbook
}

// A DriverPair is one pair.
type DriverPair struct {
	Left      string  `json:"left"`
	Right     string  `json:"right"`
	Mismatch  float64 `json:"mismatch"`          // dB
	Predicted float64 `json:"predicted_balance"` // left minus right, dB
	Fixed     bool    `json:"fixed"`
	Unit      string  `json:"unit"` // built into; empty for none
	Built     number  `json:"built_balance"`
}

// An Unpaired driver found no partner, or took no part.
type Unpaired struct {
	Serial string `json:"serial"`
	Batch  string `json:"batch"`
	Why    string `json:"why"`
}

// A TradePoint is what another tolerance gives.
type TradePoint struct {
	Tolerance float64 `json:"tolerance"`
	Pairs     int     `json:"pairs"`
	Total     float64 `json:"total"`
	Worst     float64 `json:"worst"`
}

func pickListOf(l reports.PickList) PickList {
	out := PickList{Pairing: l.Number, Product: l.Product, Form: l.Form, Tolerance: l.Tolerance, Total: l.Total, Worst: l.Worst, Withdrawn: l.Withdrawn,
		Built: l.Built.Sentence, Warnings: append([]string{}, l.Warnings...), Pairs: []DriverPair{}, Unpaired: []Unpaired{}, TradeOff: []TradePoint{}}
	if l.Number > 0 {
		out.Book = fmt.Sprintf("/api/v1/drivers/pairings/%d/picks.xlsx", l.Number)
	}
	for _, p := range l.Pairs {
		out.Pairs = append(out.Pairs, DriverPair{p.Left, p.Right, p.Mismatch, p.Predicted, p.Fixed, p.Unit, number(p.Built)})
	}
	for _, u := range l.Unpaired {
		out.Unpaired = append(out.Unpaired, Unpaired{u.Serial, u.Batch, u.Why})
	}
	for _, t := range l.TradeOff {
		out.TradeOff = append(out.TradeOff, TradePoint(t))
	}
	return out
}

// postPairing finds the best pairing; with keep it is stored.
func (s *server) postPairing(c echo.Context) error {
	var in struct {
		line.PairRequest
		Keep bool `json:"keep"`
	}
	if err := readBody(c, &in); err != nil {
		return err
	}
	var plan line.PairPlan
	var err error
	if in.Keep {
		plan, err = s.Line.KeepPairs(c.Request().Context(), by(c), in.PairRequest)
	} else {
		plan, err = s.Line.PlanPairs(c.Request().Context(), in.PairRequest)
	}
	if err != nil {
		return err
	}
	return c.JSON(created(in.Keep), pickListOf(plan.List))
}

// A PairingHead is a kept pairing in a list.
type PairingHead struct {
	Pairing int       `json:"pairing"`
	MadeAt  time.Time `json:"made_at"`
	Author  string    `json:"author"`
	InForce bool      `json:"in_force"`
}

func (s *server) getPairings(c echo.Context) error {
	setup, err := s.Line.DriverSetup(c.Request().Context(), c.QueryParam("product"))
	if err != nil {
		return err
	}
	rows, err := s.DB.Site(s.Line.Site()).Pairings(c.Request().Context(), setup.Code)
	if err != nil {
		return err
	}
	out := struct {
		Product  string        `json:"product"`
		Pairings []PairingHead `json:"pairings"`
	}{setup.Code, []PairingHead{}}
	for _, r := range rows {
		out.Pairings = append(out.Pairings, PairingHead{r.Pairing, r.MadeAt, r.Author, r.WithdrawnAt == nil})
	}
	return c.JSON(http.StatusOK, out)
}

func (s *server) pickList(c echo.Context) (reports.PickList, error) {
	n, err := pathNumber(c, "pairing")
	if err != nil {
		return reports.PickList{}, err
	}
	return s.Line.PickList(c.Request().Context(), c.QueryParam("product"), n)
}

func (s *server) getPairing(c echo.Context) error {
	l, err := s.pickList(c)
	if err != nil {
		return err
	}
	return c.JSON(http.StatusOK, pickListOf(l))
}

func (s *server) getPicks(c echo.Context) error {
	paper, err := queryPaper(c)
	if err != nil {
		return err
	}
	l, err := s.pickList(c)
	if err != nil {
		return err
	}
	return workbook(c, fmt.Sprintf("pairing-%d", l.Number), func(w io.Writer) error {
		return sheet.WritePicks(w, l, sheet.Options{Made: time.Now().In(l.Zone), Program: "alike " + s.Version, Paper: paper})
	})
}

func (s *server) postWithdrawal(c echo.Context) error {
	n, err := pathNumber(c, "pairing")
	if err != nil {
		return err
	}
	var in struct {
		Product string `json:"product"`
		Reason  string `json:"reason"`
	}
	if err := readBody(c, &in); err != nil {
		return err
	}
	if err := s.Line.WithdrawPairs(c.Request().Context(), by(c), in.Product, n, in.Reason); err != nil {
		return err
	}
	return c.JSON(http.StatusOK, map[string]int{"withdrawn": n})
}

// getPurchase foresees what more drivers like those at hand would give.
func (s *server) getPurchase(c echo.Context) error {
	pairs, err := queryNumber(c, "pairs")
	if err != nil {
		return err
	}
	tolerance, err := queryNumber(c, "tolerance")
	if err != nil {
		return err
	}
	confidence, err := queryNumber(c, "confidence")
	if err != nil {
		return err
	}
	if confidence == 0 {
		confidence = 0.95
	}
	r := line.PairRequest{Product: c.QueryParam("product"), Batches: c.QueryParams()["batch"], Tolerance: tolerance}
	hundred, need, err := s.Line.Purchase(c.Request().Context(), r, int(pairs), confidence, 1)
	if err != nil {
		return err
	}
	return c.JSON(http.StatusOK, struct {
		Pairs      int      `json:"pairs"`
		Buy        int      `json:"buy"`
		Typical    int      `json:"typical"`
		Confidence float64  `json:"confidence"`
		PerHundred Purchase `json:"per_hundred"`
		Warnings   []string `json:"warnings"`
	}{need.Pairs, need.Buy, need.Typical, confidence, Purchase{hundred.Pairs, hundred.Low, hundred.High}, append(append([]string{}, hundred.Warnings...), need.Warnings...)})
}
