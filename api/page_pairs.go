package api

import (
	"errors"
	"fmt"
	"html/template"
	"net/http"
	"net/url"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"alike/api/pages"
	"alike/internal/line"
	"alike/reports"
	"alike/reports/plot"
	"alike/spc/pairing"

	"github.com/labstack/echo/v4"
)

type pairsBody struct {
	reports.PickList
	Code      string // of the drivers' product
	Kept      bool
	InForce   bool
	Form      pairForm
	Curve     picture // of the tolerance
	By, Wrong string
	Said      string
}

// A pairForm is what was typed of a pairing, and what there is to choose from.
type pairForm struct {
	url.Values
	Batches []line.DriverBatch
	Wrong   string
	Open    bool // the form is shown, not folded
}

// Has reports whether a box of a list is ticked.
func (f pairForm) Has(name, value string) bool { return slices.Contains(f.Values[name], value) }

// Hidden lists what a form hands on, in a fixed order.
func (f pairForm) Hidden() [][2]string {
	var out [][2]string
	for _, name := range []string{"product", "batch", "left", "right", "tolerance", "weights", "fixed", "excluded", "unchecked", "bad"} {
		for _, v := range f.Values[name] {
			out = append(out, [2]string{name, v})
		}
	}
	return out
}

// pairForm reads the batches that a form offers.
func (s *server) pairForm(c echo.Context, values url.Values) (pairForm, error) {
	f := pairForm{Values: values}
	all, err := s.Line.DriverBatches(c.Request().Context(), values.Get("product"))
	for _, b := range all {
		if b.Measured > 0 {
			f.Batches = append(f.Batches, b)
		}
	}
	return f, err
}

// proposalPage shows the best pairing of the batches that were chosen, not kept, and
// the form to choose otherwise.
func (s *server) proposalPage(c echo.Context) error {
	b, err := s.proposal(c, c.QueryParams())
	if err != nil {
		return err
	}
	status := http.StatusOK
	if b.Form.Wrong != "" {
		status = http.StatusUnprocessableEntity
	}
	return s.showPairs(c, status, b)
}

func (s *server) showPairs(c echo.Context, status int, b pairsBody) error {
	title := "Pairs, not kept"
	switch {
	case b.Kept:
		title = fmt.Sprintf("Pairing %d", b.Number)
	case b.Form.Wrong != "" || b.Form.Open:
		title = "Pair drivers"
	}
	if len(b.TradeOff) > 1 {
		var err error
		if b.Curve, err = tradeOffPicture(b.PickList); err != nil {
			return err
		}
	}
	return s.show(c, status, "pairs", pages.View{Title: title, Here: "/drivers", Body: b})
}

func tradeOffPicture(l reports.PickList) (picture, error) {
	var out picture
	for _, side := range []struct {
		width float64
		to    *template.HTML
	}{{deskWidth, &out.Desk}, {phoneWidth, &out.Phone}} {
		var b strings.Builder
		if err := plot.TradeOff(&b, l, side.width); err != nil {
			return out, err
		}
		*side.to = template.HTML(b.String()) // the writer escapes every text
	}
	return out, nil
}

// proposal reads what a form asks for and finds the best pairing. What cannot be done
// comes back in the form.
func (s *server) proposal(c echo.Context, form url.Values) (pairsBody, error) {
	b := pairsBody{By: strings.TrimSpace(form.Get("by")), Code: form.Get("product")}
	var err error
	if b.Form, err = s.pairForm(c, form); err != nil {
		return b, err
	}
	if form.Get("form") != "" { // asked for, nothing chosen yet
		b.Form.Open = true
		return b, nil
	}
	r, err := pairRequest(form)
	if err == nil {
		var plan line.PairPlan
		if plan, err = s.Line.PlanPairs(c.Request().Context(), r); err == nil {
			b.PickList = plan.List
			return b, nil
		}
	}
	b.Form.Wrong, err = wrongOf(err)
	return b, err
}

// wrongOf says what a person can put right; another error is handed back.
func wrongOf(err error) (string, error) {
	var refusal *line.Refusal
	var p *Problem
	switch {
	case errors.As(err, &refusal):
		return refusal.Reason + "; " + refusal.Remedy, nil
	case errors.As(err, &p):
		return strings.Trim(p.Detail+"; "+p.Remedy, "; "), nil
	}
	return "", err
}

func unreadable(field, reason, remedy string) error {
	p := newProblem(http.StatusUnprocessableEntity, reason, remedy)
	p.Field = field
	return p
}

func pairRequest(form url.Values) (line.PairRequest, error) {
	r := line.PairRequest{Product: form.Get("product"), Batches: form["batch"], Left: form["left"], Right: form["right"],
		UncheckedToo: form.Get("unchecked") != "", BadToo: form.Get("bad") != ""}
	if text := strings.TrimSpace(form.Get("tolerance")); text != "" {
		v, ok := plainDecimal(text)
		if !ok || v <= 0 {
			return r, unreadable("tolerance", text+" is not a tolerance", "write a number of dB above 0, such as 0.5")
		}
		r.Tolerance = v
	}
	var err error
	if r.Weights, err = weightLines(form.Get("weights")); err != nil {
		return r, err
	}
	if r.Fixed, err = fixedLines(form.Get("fixed")); err != nil {
		return r, err
	}
	r.Excluded = serials(form.Get("excluded"))
	return r, nil
}

// serials splits a list of serials at commas, semicolons and white space.
func serials(text string) []string {
	return strings.FieldsFunc(text, func(r rune) bool { return strings.ContainsRune(" ,;\n\r\t", r) })
}

var plainNumber = regexp.MustCompile(`\d+(?:[.,]\d+)?`)

// weightLines reads a weight per line: from and to in Hz, and the weight.
func weightLines(text string) ([]line.Weight, error) {
	var out []line.Weight
	n := 0
	for row := range strings.Lines(text) {
		n++
		if strings.TrimSpace(row) == "" {
			continue
		}
		var v []float64
		for _, x := range plainNumber.FindAllString(row, -1) {
			number, _ := plainDecimal(x)
			v = append(v, number)
		}
		if len(v) != 3 {
			return nil, unreadable("weights", fmt.Sprintf("line %d of the weights, %q, is not a range with a weight", n, strings.TrimSpace(row)), "write from, to and weight, such as 300 to 3000: 2")
		}
		out = append(out, line.Weight{From: v[0], To: v[1], Weight: v[2]})
	}
	return out, nil
}

// fixedLines reads a pair per line: the left and the right serial.
func fixedLines(text string) ([][2]string, error) {
	var out [][2]string
	n := 0
	for row := range strings.Lines(text) {
		n++
		switch ids := serials(row); len(ids) {
		case 0:
		case 2:
			out = append(out, [2]string{ids[0], ids[1]})
		default:
			return nil, unreadable("fixed", fmt.Sprintf("line %d of the fixed pairs, %q, is not a pair", n, strings.TrimSpace(row)), "write the left and the right serial with a space between")
		}
	}
	return out, nil
}

// keepPairs stores the pairing that was shown, under a name.
func (s *server) keepPairs(c echo.Context) error {
	form, err := c.FormParams()
	if err != nil {
		return err
	}
	by := person(c)
	if by.Actor == "" {
		b, err := s.proposal(c, form)
		if err != nil {
			return err
		}
		b.Wrong = "give your name: a pairing without one cannot be asked about"
		return s.showPairs(c, http.StatusUnprocessableEntity, b)
	}
	r, err := pairRequest(form)
	if err != nil {
		return err
	}
	plan, err := s.Line.KeepPairs(c.Request().Context(), by, r)
	if err != nil {
		return err
	}
	q := url.Values{"done": {"kept"}}
	if r.Product != "" {
		q.Set("product", r.Product)
	}
	return c.Redirect(http.StatusSeeOther, fmt.Sprintf("/drivers/pairings/%d?%s", plan.List.Number, q.Encode()))
}

// pairingPage shows a kept pairing, and what was built by it.
func (s *server) pairingPage(c echo.Context) error {
	l, err := s.pickList(c)
	if err != nil {
		return err
	}
	b := pairsBody{PickList: l, Kept: true, InForce: l.Withdrawn == "", Code: c.QueryParam("product")}
	if c.QueryParam("done") == "kept" {
		b.Said = "The pairing is kept. Its drivers are spoken for."
	}
	return s.showPairs(c, http.StatusOK, b)
}

// labelsPage shows a label per driver of a kept pairing, to print and cut out.
func (s *server) labelsPage(c echo.Context) error {
	l, err := s.pickList(c)
	if err != nil {
		return err
	}
	b := pairsBody{PickList: l, Kept: true, InForce: l.Withdrawn == "", Code: c.QueryParam("product")}
	return s.show(c, http.StatusOK, "labels", pages.View{Title: fmt.Sprintf("Labels of pairing %d", l.Number), Here: "/drivers", Style: "labels.css", Body: b})
}

// withdrawPairs gives a pairing up.
func (s *server) withdrawPairs(c echo.Context) error {
	n, err := pathNumber(c, "pairing")
	if err != nil {
		return err
	}
	by, product := person(c), c.FormValue("product")
	reason := strings.TrimSpace(c.FormValue("reason"))
	if by.Actor == "" || reason == "" {
		l, err := s.Line.PickList(c.Request().Context(), product, n)
		if err != nil {
			return err
		}
		b := pairsBody{PickList: l, Kept: true, InForce: l.Withdrawn == "", Code: product, By: by.Actor, Wrong: "give your name and the reason"}
		return s.showPairs(c, http.StatusUnprocessableEntity, b)
	}
	if err := s.Line.WithdrawPairs(c.Request().Context(), by, product, n, reason); err != nil {
		return err
	}
	return c.Redirect(http.StatusSeeOther, "/drivers?"+url.Values{"product": {product}, "done": {"withdrawn"}}.Encode())
}

// query is the product's part of an address, empty when it goes without saying.
func (b pairsBody) query() string {
	if b.Code == "" {
		return ""
	}
	return "?product=" + url.QueryEscape(b.Code)
}

// Book is the address of the pick list's workbook.
func (b pairsBody) Book() string {
	return fmt.Sprintf("/api/v1/drivers/pairings/%d/picks.xlsx%s", b.Number, b.query())
}

// Labels is the address of the labels.
func (b pairsBody) Labels() string {
	return fmt.Sprintf("/drivers/pairings/%d/labels%s", b.Number, b.query())
}

// Apart counts the drivers that took no part.
func (b pairsBody) Apart() int { return len(b.Unpaired) - b.Lone() }

// Made is when the pairing was kept.
func (b pairsBody) Made() time.Time { return b.MadeAt }

type buyBody struct {
	Code    string
	Form    pairForm
	Asked   bool
	Need    pairing.Need
	Hundred pairing.Purchase
	Percent float64 // confidence
}

// buyPage answers: how many drivers must I buy?
func (s *server) buyPage(c echo.Context) error {
	form := c.QueryParams()
	f, err := s.pairForm(c, form)
	if err != nil {
		return err
	}
	b := buyBody{Code: form.Get("product"), Form: f, Percent: 95}
	if form.Get("pairs") != "" {
		if b.Form.Wrong, err = wrongOf(s.foresee(c, &b)); err != nil {
			return err
		}
		b.Asked = b.Form.Wrong == ""
	}
	status := http.StatusOK
	if b.Form.Wrong != "" {
		status = http.StatusUnprocessableEntity
	}
	return s.show(c, status, "buy", pages.View{Title: "How many to buy", Here: "/drivers", Body: b})
}

func (s *server) foresee(c echo.Context, b *buyBody) error {
	r, err := pairRequest(b.Form.Values)
	if err != nil {
		return err
	}
	text := strings.TrimSpace(b.Form.Get("pairs"))
	n, err := strconv.Atoi(text)
	if err != nil || n < 1 {
		return unreadable("pairs", text+" is not a number of pairs", "write a whole number, such as 40")
	}
	if text := b.Form.Get("confidence"); strings.TrimSpace(text) != "" {
		v, ok := plainDecimal(strings.TrimSuffix(strings.TrimSpace(text), "%"))
		if !ok || v < 50 || v >= 100 {
			return unreadable("confidence", text+" is not a confidence", "write a number of percent from 50 to below 100, such as 95")
		}
		b.Percent = v
	}
	b.Hundred, b.Need, err = s.Line.Purchase(c.Request().Context(), r, n, b.Percent/100, 1)
	return err
}
