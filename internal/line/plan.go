package line

import (
	"fmt"
	"slices"
	"strings"
)

// A PlanRow is one thing to look at when the line moved. The product's action plan is a
// list of them; the maker edits it.
type PlanRow struct {
	Check   string  `json:"check"`   // a whole sentence
	Minutes float64 `json:"minutes"` // what it costs: the cheapest check comes first
	// For says when it applies: keys of signatures ("glue-gap") and kinds of the parts
	// ledger ("foam", "operator"). Empty for always.
	For []string `json:"for,omitempty"`
}

// Minutes that checks cost when the product does not say, common practice without a
// source: what is done at the rig, at the bench, and by building a unit.
const (
	atTheRig   = 5
	atTheBench = 15
	byBuilding = 40
)

// always are the checks of every product without a plan of its own.
func always() []PlanRow {
	return []PlanRow{
		{Check: "Measure the reference unit: when it moved by as much, the rig moved and not the product.", Minutes: atTheRig - 1},
		{Check: "Measure a good unit from before the change again beside the latest one: the difference must be there side by side.", Minutes: 2 * atTheRig},
	}
}

// plan lists what to check next, cheapest first: what the product's plan says for the
// likely causes and coincidences, each likely signature's own check, and for the parts
// that coincide the trial that tells.
func (a *analysing) plan() []PlanRow {
	if a.f.Kind == OneUnit {
		return a.planOfUnit()
	}
	if a.doubtful() {
		return []PlanRow{{Check: "Look again when a few more units are measured.", Minutes: 0}}
	}
	if w := a.out.Rig; w != nil && w.Word == InRig {
		return []PlanRow{
			{Check: fmt.Sprintf("Seat reference unit %s again and measure it, then the spare: if both show the change, the rig moved.", w.Reference), Minutes: 2 * atTheRig},
			{Check: "Look at the pad coupler, the microphones with the calibrator, and the drive level; note what was changed on the rig.", Minutes: atTheBench},
		}
	}
	return planFor(a.b.setup.Plan, a.likely(), a.telling())
}

// planFor lists what a plan, or the general one, says for likely causes and coincidences.
func planFor(plan []PlanRow, likely []Cause, telling []Coincides) []PlanRow {
	var keys []string
	rows := slices.Clone(plan)
	if len(rows) == 0 {
		rows = always()
	}
	for _, c := range likely {
		keys = append(keys, c.Key)
		if !mentions(plan, c.Key) {
			rows = append(rows, PlanRow{Check: c.Check, Minutes: atTheBench, For: []string{c.Key}})
		}
	}
	for _, c := range telling {
		keys = append(keys, c.Kind)
		if !mentions(plan, c.Kind) {
			rows = append(rows, trial(c))
		}
	}
	var out []PlanRow
	for _, r := range rows {
		if len(r.For) == 0 || slices.ContainsFunc(r.For, func(k string) bool { return slices.Contains(keys, k) }) {
			out = append(out, r)
		}
	}
	return byMinutes(out)
}

func mentions(plan []PlanRow, key string) bool {
	return slices.ContainsFunc(plan, func(r PlanRow) bool { return slices.Contains(r.For, key) })
}

// trial is the check that tells whether a factor is the cause.
func trial(c Coincides) PlanRow {
	r := PlanRow{For: []string{c.Kind}, Minutes: byBuilding}
	switch c.Kind {
	case "operator":
		r.Check, r.Minutes = fmt.Sprintf("Have %s and %s each seat and measure the same unit.", c.From, c.To), 2*atTheRig
	case "station":
		r.Check, r.Minutes = fmt.Sprintf("Measure the same unit on %s and on %s.", c.From, c.To), 2*atTheRig
	case "day":
		r.Check, r.Minutes = fmt.Sprintf("Ask what was set up, repaired or opened anew on %s.", c.To), atTheRig
	default:
		r.Check = fmt.Sprintf("Build one unit with %s %s, as before %s, and measure it.", c.Factor, c.From, c.Serial)
	}
	return r
}

func (a *analysing) planOfUnit() []PlanRow {
	rows := []PlanRow{{Check: fmt.Sprintf("Seat %s again and measure it: what changes from seat to seat is the seating.", a.serial()), Minutes: atTheRig}}
	for _, c := range a.likely() {
		rows = append(rows, PlanRow{Check: c.Check, Minutes: atTheBench, For: []string{c.Key}})
	}
	return rows
}

// MostMinutes is the most that a check may take.
const MostMinutes = 1e5

func checkPlan(plan []PlanRow) error {
	for i, r := range plan {
		switch {
		case strings.TrimSpace(r.Check) == "":
			return fmt.Errorf("plan %d: check must not be empty", i+1)
		case !(r.Minutes >= 0 && r.Minutes <= MostMinutes):
			return fmt.Errorf("plan %d: minutes %v must be from 0 to 100 000", i+1, r.Minutes)
		}
	}
	return nil
}
