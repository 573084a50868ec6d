package plot

import (
	"fmt"
	"sort"
	"strconv"
	"strings"

	"alike/reports"
)

// RuleMarks are the points of one chart at which one rule fired.
type RuleMarks struct {
	Number int    // from 1, in the order in which the rules first fired
	Rule   string // key
	Shape  string // diamond, square, triangle, star, x, plus, dash, circle
	Sign   string // the shape in running text
	Text   string // the sentence of the rule's first mark
	Points []int  // indices into the chart, rising
}

// Rules gathers the marks of a chart by rule. The chart must pass its Check.
func Rules(c reports.Chart) []RuleMarks {
	marks := append([]reports.Mark{}, c.Marks...)
	sort.SliceStable(marks, func(i, j int) bool { return marks[i].Index < marks[j].Index })
	at := map[string]int{}
	var out []RuleMarks
	for _, m := range marks {
		i, ok := at[m.Rule]
		if !ok {
			i = len(out)
			at[m.Rule] = i
			s := shapes[i%len(shapes)]
			out = append(out, RuleMarks{Number: i + 1, Rule: m.Rule, Shape: s.Name, Sign: s.Sign, Text: m.Text})
		}
		r := &out[i]
		if n := len(r.Points); n == 0 || r.Points[n-1] != m.Index {
			r.Points = append(r.Points, m.Index)
		}
	}
	return out
}

// Sentence returns what the rule says and the units it points at, at most three
// by name.
func (r RuleMarks) Sentence(c reports.Chart) string {
	const named = 3
	var units []string
	for i, p := range r.Points {
		if i == named {
			units = append(units, fmt.Sprintf("and %d more, the last %s", len(r.Points)-named, c.Serials[r.Points[len(r.Points)-1]]))
			break
		}
		units = append(units, c.Serials[p])
	}
	text := strings.TrimSpace(r.Text)
	if text == "" {
		text = r.Rule + "."
	}
	return text + " At " + strings.Join(units, ", ") + "."
}

// Numbers returns for every marked point of a chart the numbers of its rules:
// "1" or "1·3".
func Numbers(rules []RuleMarks) map[int]string {
	out := map[int]string{}
	for _, r := range rules {
		for _, p := range r.Points {
			if out[p] != "" {
				out[p] += "·"
			}
			out[p] += strconv.Itoa(r.Number)
		}
	}
	return out
}

// Beyond returns the indices at which the moving range lies above its limit.
func Beyond(c reports.Chart) []int {
	var out []int
	for i, v := range c.Moving {
		if Finite(v) && v > c.RangeHigh {
			out = append(out, i)
		}
	}
	return out
}

// RangeRule says in the form of a rule where the moving range lies above its
// limit.
func RangeRule(c reports.Chart) RuleMarks {
	return RuleMarks{
		Shape: "circle", Sign: "○", Points: Beyond(c),
		Text: "The moving range lies above its limit: two neighbours differ more than the short-term spread explains.",
	}
}

// DescribeLimits writes the lines of a chart as numbers, each sentence after a
// space; lines that are not known are left out.
func DescribeLimits(c reports.Chart) string {
	unit := ""
	if c.Unit != "" {
		unit = " " + c.Unit
	}
	text := ""
	if Finite(c.Center) && Finite(c.Lower) && Finite(c.Upper) {
		text = fmt.Sprintf(" Centre %s, limits %s and %s%s.", Level(c.Center, 0.01), Level(c.Lower, 0.01), Level(c.Upper, 0.01), unit)
	}
	if len(c.Moving) > 0 && Finite(c.RangeMean) && Finite(c.RangeHigh) {
		text += fmt.Sprintf(" Mean moving range %s, its limit %s%s.", Level(c.RangeMean, 0.01), Level(c.RangeHigh, 0.01), unit)
	}
	return text
}

// DescribeControl says in words what the picture of a control chart shows, for
// readers who cannot see it.
func DescribeControl(c reports.Chart) string {
	var s strings.Builder
	lot := 0
	for _, in := range c.InLot {
		if in {
			lot++
		}
	}
	fmt.Fprintf(&s, "Individuals chart of %s: %d units, %d of them in this lot.", c.Stream, len(c.Values), lot)
	s.WriteString(DescribeLimits(c))
	rules := Rules(c)
	if len(rules) == 0 {
		s.WriteString(" No rule fired.")
	}
	for _, r := range rules {
		s.WriteString(" " + r.Sentence(c))
	}
	return s.String()
}
