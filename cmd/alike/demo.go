package main

import (
	"errors"
	"fmt"
	"io/fs"
	"math"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"time"

	"alike/internal/curve"
	"alike/internal/line"
	"alike/internal/pg"
	"alike/internal/sim"
	"alike/reports"
	"alike/spc/envelope"
)

type demoCommand struct {
	Exit   bool   `help:"Stop when the reports are written."`
	Out    string `help:"Folder for the simulated takes and the reports." default:"./out" type:"path"`
	Data   string `help:"Data folder of the demo's own database." type:"path" placeholder:"DIR"`
	Units  int    `help:"Units per weekly lot, 12 to 300." default:"40"`
	Seed   uint64 `help:"Seed of the simulated workshop: the same seed gives the same units." default:"1"`
	Listen string `help:"Address of the pages." default:"127.0.0.1:8060"`
	Paper  string `help:"Paper of the reports: A4 or Letter." enum:"A4,Letter" default:"A4"`
}

// demoEdition counts the changes of what the demo simulates: data of an earlier one stay
// in a site of their own.
const demoEdition = 3

// demoZone is where the invented workshop lies.
const demoZone = "Europe/Vienna"

func (cmd *demoCommand) Run(c *console) error {
	start := time.Now()
	story, err := cmd.story()
	if err != nil {
		return err
	}
	d := database{Data: cmd.Data, Site: cmd.site(story), SiteName: sim.SiteName, Zone: demoZone, Install: true}
	if d.Data, err = d.folder("alike-demo"); err != nil {
		return err
	}
	c.care()
	if _, err := pg.Find(c.ctx); err != nil && c.ctx.Err() == nil {
		fmt.Fprintln(c.err, "no PostgreSQL found; the demo will try to install one")
	}
	w, err := d.openAs(c, false)
	if err != nil {
		return err
	}
	err = cmd.run(c, w, story)
	if err == nil {
		fmt.Fprintf(c.out, "\nall of this took %.0f s; reports: %s\n", time.Since(start).Seconds(), filepath.Join(cmd.Out, "lot-*.xlsx"))
		fmt.Fprintf(c.out, "look again with: alike lot list --data %s --site %s\n", d.Data, d.Site)
		if !cmd.Exit {
			err = serve(c, w, serving{listen: cmd.Listen})
		}
	}
	if e := w.close(); err == nil {
		err = e
	}
	return err
}

// story is the simulated workshop that was asked for.
func (cmd *demoCommand) story() (*sim.Story, error) {
	zone, err := time.LoadLocation(demoZone)
	if err != nil {
		return nil, err
	}
	return sim.New(sim.Options{Seed: cmd.Seed, Units: cmd.Units, Start: time.Date(2026, 9, 7, 8, 0, 0, 0, zone)})
}

// site keeps each story apart from others, and from real data.
func (cmd *demoCommand) site(s *sim.Story) string {
	return fmt.Sprintf("%s-%d-seed%d-units%d", sim.SiteCode, demoEdition, cmd.Seed, s.Options.Units)
}

var simulatedSite = regexp.MustCompile(`^` + regexp.QuoteMeta(sim.SiteCode) + `-\d+-seed\d+-units\d+$`)

// simulated reports whether a site's code is one that the demo gives.
func simulated(site string) bool { return simulatedSite.MatchString(site) }

// care is the caution that belongs beside a measuring rig.
func (c *console) care() {
	fmt.Fprintln(c.err, "care: a measuring sweep can exceed 105 dB SPL at the ear; never wear a unit while one can start. The demo itself makes no sound.")
}

func (cmd *demoCommand) run(c *console, w *workplace, story *sim.Story) error {
	folder, err := cmd.takes(c, story)
	if err != nil {
		return err
	}
	target, err := os.ReadFile(folder.Target)
	if err != nil {
		return err
	}
	product, err := demoProduct(story.Product, folder.Target, target)
	if err != nil {
		return err
	}
	w.by = line.By{Actor: "demo", Origin: "command line"}
	if _, err := w.line.AddProduct(c.ctx, w.by, product); err != nil {
		return err
	}
	if err := cmd.parts(c, w, folder.Parts); err != nil {
		return err
	}
	if err := cmd.drivers(c, w, story, product.Code); err != nil {
		return err
	}
	rig, err := cmd.rig(c, w, story, product.Code)
	if err != nil {
		return err
	}
	for i, lot := range story.Lots {
		if err := cmd.lot(c, w, story, rig, i, folder.Lots[i]); err != nil {
			return err
		}
		if i == 0 {
			if err := cmd.freeze(c, w, product.Code, lot.Code); err != nil {
				return err
			}
		}
	}
	if err := cmd.reports(c, w, story); err != nil {
		return err
	}
	return cmd.driverReports(c, w)
}

// takes writes the simulated takes once; a folder that is there is used again.
func (cmd *demoCommand) takes(c *console, story *sim.Story) (sim.Folder, error) {
	dir := filepath.Join(cmd.Out, fmt.Sprintf("simulated-seed%d-units%d", cmd.Seed, story.Options.Units))
	if _, err := os.Stat(dir); errors.Is(err, fs.ErrNotExist) {
		part := dir + ".part"
		if err := os.RemoveAll(part); err != nil { // of a run that was killed
			return sim.Folder{}, err
		}
		m := newMeter(c, "simulated takes written")
		_, err := story.Write(c.ctx, part, func(done, of int) { m.show(done, of, "") })
		m.end()
		if err != nil {
			return sim.Folder{}, err
		}
		if err := os.Rename(part, dir); err != nil {
			return sim.Folder{}, err
		}
	}
	f := sim.Folder{Dir: dir, Parts: filepath.Join(dir, "parts.csv"), Target: filepath.Join(dir, "rig-diffuse-field.csv")}
	for _, l := range story.Lots {
		f.Lots = append(f.Lots, filepath.Join(dir, "takes", l.Code))
	}
	return f, nil
}

// demoProduct writes the simulated product the way a maker would define it.
func demoProduct(p *sim.Product, name string, target []byte) (line.Product, error) {
	tilt := p.Target.Tilt
	out := line.Product{
		Code: p.Code, Revision: p.Revision, Name: p.Name, Channels: sim.Channels, Fraction: p.Fraction,
		Bands: line.Span{From: p.Range[0], To: p.Range[1]}, Anchor: line.Span{From: p.Anchor[0], To: p.Anchor[1]},
		Target: line.Target{Tilt: &tilt}, Seatings: sim.Seatings, MaxAttempts: 3, FirstPassYield: 0.9, FalseAlarms: 500,
		Components: []line.Component{
			{Kind: "driver", Name: "40 mm driver", Certificate: []line.Quantity{{Name: "resonance frequency", Unit: "Hz"}, {Name: "moving mass", Unit: "g"}}},
			{Kind: "foam", Name: "front foam", Certificate: []line.Quantity{{Name: "air-flow resistance", Unit: "Pa·s/m"}, {Name: "thickness", Unit: "mm"}}},
			{Kind: "pad", Name: "ear pad"}, {Kind: "mesh", Name: "rear mesh"}, {Kind: "plate", Name: "tuning plate"}, {Kind: "shell", Name: "printed shell"}, {Kind: "glue", Name: "seam glue"},
		},
		RigCheck:      demoRigCheck(),
		SeatingSpread: []envelope.Guard{{From: 20, To: 80, DB: 8}, {From: 100, To: 2000, DB: 2}, {From: 2500, To: 20000, DB: 8}},
		Envelope: &envelope.Envelope{
			Mask:    &envelope.Mask{},
			Guard:   []envelope.Guard{{From: p.Mask[0].Hz, To: p.Mask[len(p.Mask)-1].Hz, DB: 0.2}},
			Balance: []envelope.Guard{{From: 100, To: 4000, DB: p.Balance}},
		},
	}
	for _, m := range p.Mask {
		e := out.Envelope.Mask
		e.Lower = append(e.Lower, envelope.Breakpoint{Hz: m.Hz, DB: m.Lower})
		e.Upper = append(e.Upper, envelope.Breakpoint{Hz: m.Hz, DB: m.Upper})
	}
	c, _, err := curve.ReadText(name, target)
	if err != nil {
		return out, err
	}
	for i, f := range c.Hz {
		out.Target.Points = append(out.Target.Points, line.Point{f, c.DB[i]})
	}
	bands := p.Bands()
	for _, s := range p.Signatures() {
		g := line.Signature{Key: s.Key, Words: s.Words, Check: s.Check}
		for i, b := range bands {
			g.Points = append(g.Points, line.Point{b.Mid(), s.DB[i]})
		}
		out.Signatures = append(out.Signatures, g)
	}
	return out, nil
}

func (cmd *demoCommand) parts(c *console, w *workplace, name string) error {
	data, err := os.ReadFile(name)
	if err != nil {
		return err
	}
	parts, err := line.ReadParts(name, data)
	if err != nil {
		return err
	}
	_, err = w.line.AddParts(c.ctx, w.by, "", parts)
	return err
}

func (cmd *demoCommand) lot(c *console, w *workplace, story *sim.Story, rig sim.RigFolder, i int, dir string) error {
	lot := story.Lots[i].Code
	entries, refused, err := curve.Plan([]string{dir}, curve.Options{Zone: time.UTC, Defaults: curve.Identity{Lot: lot}})
	if err != nil {
		return err
	}
	out, err := cmd.week(c, w, story, rig, i, entries, refused)
	if err != nil {
		return err
	}
	fmt.Fprintf(c.out, "lot %s: %d takes stored, %d known already; %s\n", lot, out.Stored, out.Known, verdicts(out))
	for _, r := range out.Refused {
		fmt.Fprintln(c.err, "refused:", r.Error())
	}
	return nil
}

// freeze sets the limits from the first lot, once.
func (cmd *demoCommand) freeze(c *console, w *workplace, product, lot string) error {
	sets, err := w.db.Site(w.line.Site()).LimitSets(c.ctx, product)
	if err != nil || len(sets) > 0 {
		return err
	}
	base := line.Baseline{Lot: lot}
	if cmd.Units < 2*line.LeastBaseline {
		fmt.Fprintf(c.err, "note: a lot of %d units is a small baseline\n", cmd.Units)
	}
	f, err := freeze(c, w, product, base, "first lot of the demo, built by the designer")
	var few *line.Refusal
	if errors.As(err, &few) {
		fmt.Fprintln(c.err, "note: no chart limits:", few)
		return nil
	} else if err != nil {
		return err
	}
	fmt.Fprintf(c.out, "limit set %d frozen from lot %s: %d charts from %d units; the whole board has its first false alarm after %.0f units on average\n",
		f.Version, lot, f.Streams, len(f.Used), f.Budget.Mean)
	return nil
}

// reports writes a report per lot and holds what was found against what was planted.
func (cmd *demoCommand) reports(c *console, w *workplace, story *sim.Story) error {
	fmt.Fprintln(c.out)
	for i, lot := range story.Lots {
		if err := c.ctx.Err(); err != nil {
			return err
		}
		r, err := w.line.LotReport(c.ctx, lot.Code, version)
		if err != nil {
			return err
		}
		name := filepath.Join(cmd.Out, "lot-"+lot.Code+".xlsx")
		if err := writeReport(r, name, cmd.Paper); err != nil {
			return err
		}
		truth := "good"
		if story.Truth.Lots[i].Bad {
			truth = "bad"
		}
		fmt.Fprintf(c.out, "lot %s  proposal: %-12s (planted: %s)  %s\n", lot.Code, r.Proposal.Word, truth, filepath.Base(name))
		for _, reason := range r.Proposal.Reasons {
			fmt.Fprintln(c.out, "    "+reason)
		}
		for _, t := range story.Truth.Troubles {
			if t.Lot == lot.Code {
				fmt.Fprintln(c.out, "    planted: "+foundText(t, r))
			}
		}
	}
	return nil
}

// foundText says whether and where a planted trouble was found in its lot's report.
func foundText(t sim.Trouble, r reports.Lot) string {
	n := 0
	for _, u := range r.Units {
		if u.Serial < t.First || u.Serial > t.Last {
			continue
		}
		n++
		if u.First != string(envelope.Pass) {
			return fmt.Sprintf("%s. Found at unit %d of it, %s (%s): %s", strings.TrimSuffix(t.Words, "."), n, u.Serial, u.First, firstSentence(u, r))
		}
		if s, ok := largestAt(r.Signals, u.Serial); ok {
			return fmt.Sprintf("%s. Found at unit %d of it, %s (chart %s, rule %s, up to %+.1f sigmas)", strings.TrimSuffix(t.Words, "."), n, u.Serial, s.Stream, s.Rule, s.Largest)
		}
	}
	return t.Words + " NOT FOUND"
}

// largestAt returns the largest signal that begins at a unit.
func largestAt(rows []reports.SignalRow, serial string) (out reports.SignalRow, ok bool) {
	for _, s := range rows {
		if s.First == serial && (!ok || math.Abs(s.Largest) > math.Abs(out.Largest)) {
			out, ok = s, true
		}
	}
	return out, ok
}

// firstSentence is what the unit's first attempt said, and how the unit went on.
func firstSentence(u reports.UnitRow, r reports.Lot) string {
	if u.Attempts == 1 {
		return u.Sentence
	}
	for _, a := range r.Attempts {
		if a.Serial == u.Serial && a.Number == 1 {
			return fmt.Sprintf("%s. Repaired: %s at attempt %d", strings.TrimSuffix(a.Sentence, "."), u.Last, u.Attempts)
		}
	}
	return u.Sentence
}
