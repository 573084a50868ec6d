package api

import (
	"fmt"
	"net/http"
	"net/url"
	"strconv"
	"strings"

	"alike/api/pages"
	"alike/internal/line"
	"alike/spc/envelope"

	"github.com/labstack/echo/v4"
)

// toleranceRows is how many ranges of bands the policy's form has room for.
const toleranceRows = 5

// A toleranceRow is one range of bands in the policy's form.
type toleranceRow struct{ From, To, DB field }

// PolicyRows are the ranges of the policy in force, and empty ones.
func (b rigBody) PolicyRows() []toleranceRow {
	var out []toleranceRow
	for i := range toleranceRows {
		n := strconv.Itoa(i + 1)
		from, to, db := "", "", ""
		if b.Policy != nil && i < len(b.Policy.Tolerance) {
			g := b.Policy.Tolerance[i]
			from, to, db = shortNumber(g.From), shortNumber(g.To), shortNumber(g.DB)
		}
		out = append(out, toleranceRow{
			b.Input("policy", "from-"+n, "From, Hz", "", "?decimal", from), b.Input("policy", "to-"+n, "To, Hz", "", "?decimal", to),
			b.Input("policy", "db-"+n, "Tolerance, dB", "", "?decimal", db),
		})
	}
	return out
}

func shortNumber(v float64) string {
	if v == 0 {
		return ""
	}
	return strconv.FormatFloat(v, 'f', -1, 64)
}

// Now writes a number of the policy in force; empty without one.
func (b rigBody) Now(name string) string {
	p := b.Policy
	if p == nil {
		if name == "hours" {
			return "24"
		}
		return ""
	}
	var a line.Ambient
	if p.Ambient != nil {
		a = *p.Ambient
	}
	return shortNumber(map[string]float64{
		"hours": p.Hours, "seatings": float64(p.Seatings), "risk": p.Risk, "temperature-low": a.Temperature[0], "temperature-high": a.Temperature[1],
		"humidity-low": a.Humidity[0], "humidity-high": a.Humidity[1], "noise": a.Noise,
	}[name])
}

// Serials are the reference units to choose from.
func (b rigBody) Serials() []string {
	var out []string
	for _, r := range b.References {
		out = append(out, r.Serial)
	}
	return out
}

// RigNames are the rigs to choose from.
func (b rigBody) RigNames() []string {
	var out []string
	for _, r := range b.Rigs {
		out = append(out, r.Rig)
	}
	return out
}

func badInput(name, remedy, detail string, args ...any) *Problem {
	p := newProblem(http.StatusUnprocessableEntity, fmt.Sprintf(detail, args...), remedy)
	p.Field = name
	return p
}

// readPolicy reads a rig policy from its form.
func readPolicy(c echo.Context) (p line.RigPolicy, wrong *Problem) {
	if p.Off = c.FormValue("off") != ""; p.Off {
		return p, nil
	}
	number := func(name string, into *float64) {
		if wrong == nil {
			*into, wrong = decimalField(c, name, 0)
		}
	}
	var seatings float64
	number("hours", &p.Hours)
	number("seatings", &seatings)
	number("risk", &p.Risk)
	var a line.Ambient
	number("temperature-low", &a.Temperature[0])
	number("temperature-high", &a.Temperature[1])
	number("humidity-low", &a.Humidity[0])
	number("humidity-high", &a.Humidity[1])
	number("noise", &a.Noise)
	if a != (line.Ambient{}) {
		p.Ambient = &a
	}
	for i := range toleranceRows {
		n := strconv.Itoa(i + 1)
		var g envelope.Guard
		number("from-"+n, &g.From)
		number("to-"+n, &g.To)
		number("db-"+n, &g.DB)
		if wrong != nil || g == (envelope.Guard{}) {
			continue
		}
		switch {
		case !(g.From > 0):
			wrong = badInput("from-"+n, "give a frequency in Hz", "range %s has no lower frequency", n)
		case g.To < g.From:
			wrong = badInput("to-"+n, "give a higher one", "range %s ends at %v Hz, below its beginning", n, g.To)
		case !(g.DB > 0):
			wrong = badInput("db-"+n, "say how far the reference unit may read off, such as 0.5", "range %s has no tolerance", n)
		}
		p.Tolerance = append(p.Tolerance, g)
	}
	if wrong == nil && (seatings != float64(int(seatings)) || seatings < 0 || seatings > 50) {
		wrong = badInput("seatings", "use 1 to 50, or leave it empty for the product's", "%v seatings cannot be taken", seatings)
	}
	if p.Seatings = int(seatings); wrong != nil {
		return p, wrong
	}
	if err := p.Check(); err != nil {
		return p, policyProblem(err)
	}
	return p, nil
}

// policyProblem puts what a policy's check found to the field that it begins with.
func policyProblem(err error) *Problem {
	word, _, _ := strings.Cut(err.Error(), " ")
	name := map[string]string{"hours": "hours", "seatings": "seatings", "risk": "risk", "tolerance:": "from-1", "tolerance": "from-1", "ambient:": "temperature-low"}[word]
	return badInput(name, "correct it", "%v", err)
}

// putPolicy rehearses a rig policy on what waits now, or puts it in force.
func (s *server) putPolicy(c echo.Context) error {
	ctx, product := c.Request().Context(), c.FormValue("product")
	p, wrong := readPolicy(c)
	if wrong != nil {
		return s.wrongRig(c, "policy", wrong)
	}
	if c.FormValue("deed") == "look" {
		r, err := s.Line.RehearseRigPolicy(ctx, person(c), product, p)
		if err != nil {
			return s.wrongRig(c, "policy", err)
		}
		return s.showRigWith(c, http.StatusOK, nil, func(b *rigBody) { b.Kept, b.Rehearsal = "policy", &r })
	}
	if err := errNoName.orNone(c); err != nil {
		return s.wrongRig(c, "policy", err)
	}
	if _, _, err := s.Line.AddRigPolicy(ctx, person(c), product, p, strings.TrimSpace(c.FormValue("reason"))); err != nil {
		return s.wrongRig(c, "policy", err)
	}
	return c.Redirect(http.StatusSeeOther, rigAddress(c)+"#policy")
}

// addReference makes a unit a reference unit.
func (s *server) addReference(c echo.Context) error {
	if err := errNoName.orNone(c); err != nil {
		return s.wrongRig(c, "reference", err)
	}
	err := s.Line.AddReference(c.Request().Context(), person(c), c.FormValue("product"), strings.TrimSpace(c.FormValue("serial")), c.FormValue("state"), strings.TrimSpace(c.FormValue("note")))
	if err != nil {
		return s.wrongRig(c, "reference", err)
	}
	return c.Redirect(http.StatusSeeOther, rigAddress(c)+"#references")
}

// setReference says what a reference unit is used for from now on.
func (s *server) setReference(c echo.Context) error {
	if err := errNoName.orNone(c); err != nil {
		return s.wrongRig(c, "state", err)
	}
	if err := s.Line.SetReference(c.Request().Context(), person(c), c.FormValue("serial"), c.FormValue("state"), strings.TrimSpace(c.FormValue("reason"))); err != nil {
		return s.wrongRig(c, "state", err)
	}
	return c.Redirect(http.StatusSeeOther, rigAddress(c)+"#references")
}

// setBaseline takes a reference unit's last visits as what it reads on a healthy rig, and
// leads to its page.
func (s *server) setBaseline(c echo.Context) error {
	visits, err := strconv.Atoi(strings.TrimSpace(c.FormValue("visits")))
	if err != nil {
		return s.wrongRig(c, "baseline", badInput("visits", "write a whole number such as 5", "%q is not a number of visits", c.FormValue("visits")))
	}
	if err := errNoName.orNone(c); err != nil {
		return s.wrongRig(c, "baseline", err)
	}
	serial, rig := c.FormValue("serial"), c.FormValue("rig")
	if _, err := s.Line.SetBaseline(c.Request().Context(), person(c), serial, rig, visits, strings.TrimSpace(c.FormValue("reason"))); err != nil {
		return s.wrongRig(c, "baseline", err)
	}
	return c.Redirect(http.StatusSeeOther, "/rig/references/"+url.PathEscape(serial)+"?rig="+url.QueryEscape(rig))
}

// showRigWith shows the rig's page after a form filled in what it found.
func (s *server) showRigWith(c echo.Context, status int, wrong map[string]string, fill func(*rigBody)) error {
	b, err := s.rigBody(c, wrong)
	if err != nil {
		return err
	}
	if b == nil {
		return c.Redirect(http.StatusSeeOther, "/start")
	}
	if fill != nil {
		fill(b)
	}
	return s.show(c, status, "rig", pages.View{Title: "Rig", Here: "/rig", Live: len(wrong) == 0 && fill == nil, Body: b})
}
