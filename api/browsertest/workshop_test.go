package browsertest

import (
	"context"
	"log/slog"
	"net/http"
	"net/http/httptest"
	"slices"
	"sync"
	"testing"
	"time"

	"alike/api"
	"alike/internal/curve"
	"alike/internal/line"
	"alike/internal/sim"
	"alike/internal/store"
	"alike/internal/store/storetest"
	"alike/spc/envelope"
)

// A workshop is a server with its line behind it.
type workshop struct {
	*httptest.Server
	line  *line.Line
	db    *store.DB
	story *sim.Story

	database string // its address, where a measurement needs it
}

var tester = line.By{Actor: "tester", Origin: "test"}

// empty returns a workshop that has measured nothing.
func empty(t testing.TB) *workshop {
	t.Helper()
	db := storetest.Open(t)
	l := line.New(db, "main", time.Now)
	if err := l.Open(t.Context(), tester, "Test workshop", "Europe/Vienna"); err != nil {
		t.Fatal(err)
	}
	return serve(t, l, db)
}

func serve(t testing.TB, l *line.Line, db *store.DB) *workshop {
	t.Helper()
	h, err := api.New(api.Options{Line: l, DB: db, Listen: "127.0.0.1:0", Version: "test", Log: slog.New(slog.DiscardHandler)})
	if err != nil {
		t.Fatal(err)
	}
	// Streams of events last until the client goes: the server ends them with its own
	// context before it waits for what runs.
	ctx, stop := context.WithCancel(context.Background())
	srv := httptest.NewServer(http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		both, cancel := context.WithCancel(r.Context())
		defer context.AfterFunc(ctx, cancel)()
		defer cancel()
		h.ServeHTTP(w, r.WithContext(both))
	}))
	t.Cleanup(func() { stop(); srv.Close() })
	return &workshop{Server: srv, line: l, db: db}
}

// product is the simulated workshop's product as a maker would define it.
func product(p *sim.Product) line.Product {
	tilt := p.Target.Tilt
	out := line.Product{
		Code: p.Code, Name: p.Name, Revision: p.Revision, Channels: sim.Channels, Fraction: p.Fraction, Seatings: sim.Seatings,
		Bands: line.Span{From: p.Range[0], To: p.Range[1]}, Anchor: line.Span{From: p.Anchor[0], To: p.Anchor[1]},
		Target: line.Target{Tilt: &tilt}, MaxAttempts: 3, FirstPassYield: 0.9, FalseAlarms: 500,
		Envelope: &envelope.Envelope{Mask: &envelope.Mask{}, Balance: []envelope.Guard{{From: 100, To: 4000, DB: p.Balance}}},
	}
	for i, f := range p.Target.Curve.Hz {
		out.Target.Points = append(out.Target.Points, line.Point{f, p.Target.Curve.DB[i]})
	}
	for _, m := range p.Mask {
		e := out.Envelope.Mask
		e.Lower = append(e.Lower, envelope.Breakpoint{Hz: m.Hz, DB: m.Lower})
		e.Upper = append(e.Upper, envelope.Breakpoint{Hz: m.Hz, DB: m.Upper})
	}
	bands := p.Bands()
	for _, s := range p.Signatures() {
		g := line.Signature{Key: s.Key, Words: s.Words, Check: s.Check}
		for i, b := range bands {
			g.Points = append(g.Points, line.Point{b.Mid(), s.DB[i]})
		}
		out.Signatures = append(out.Signatures, g)
	}
	return out
}

// weeksStory is what weeks measures.
func weeksStory(t testing.TB) *sim.Story {
	t.Helper()
	story, err := sim.New(sim.Options{Seed: 1, Units: 24})
	if err != nil {
		t.Fatal(err)
	}
	return story
}

// weeks returns a workshop with four of the simulated weeks, limits frozen from the
// first, in which a glue gun wears in the fourth.
func weeks(t testing.TB) *workshop {
	t.Helper()
	w := empty(t)
	w.story = weeksStory(t)
	story := w.story
	ctx := t.Context()
	if _, err := w.line.AddProduct(ctx, tester, product(story.Product)); err != nil {
		t.Fatal(err)
	}
	var parts []line.PartUse
	for _, p := range story.Parts {
		channel := p.Channel
		if channel == "both" {
			channel = ""
		}
		parts = append(parts, line.PartUse{Kind: p.Kind, Channel: channel, Batch: p.Batch, Supplier: p.Supplier, First: p.First, Last: p.Last, Received: &p.Received, Note: p.Note})
	}
	if _, err := w.line.AddParts(ctx, tester, "", parts); err != nil {
		t.Fatal(err)
	}
	for i, lot := range story.Lots[:4] {
		for _, v := range line.Visits(slices.Collect(story.LotTakes(i))) {
			if _, err := w.line.Intake(ctx, tester, v); err != nil {
				t.Fatal(err)
			}
		}
		if i == 0 {
			if _, err := w.line.Freeze(ctx, tester, story.Product.Code, line.Freezing{Baseline: line.Baseline{Lot: lot.Code}, Reason: "first lot", Boards: 100}); err != nil {
				t.Fatal(err)
			}
		}
	}
	builtFaulty(t, w)
	return w
}

// builtFaulty has three units without their tuning plate on the left teach it, and plans a
// second study that waits for its units.
func builtFaulty(t testing.TB, w *workshop) {
	t.Helper()
	ctx, p := t.Context(), w.story.Product
	plan := line.FaultPlan{Code: "FS-1", Key: "plate-missing", Side: "left", Faulty: []string{"TB40-F1", "TB40-F2", "TB40-F3", "TB40-F4"}, Reason: "a cup came without its plate"}
	if err := w.line.PlanFault(ctx, tester, plan); err != nil {
		t.Fatal(err)
	}
	for i, serial := range plan.Faulty {
		u := p.Draw(sim.Key{Seed: 9, Lot: 90, Unit: i}, func(channel int, q sim.Params) sim.Params {
			switch {
			case channel != 0:
				return q
			case i == 3:
				return q.MeshMissing()
			}
			return q.PlateMissing()
		})
		var takes []curve.Take
		for ch, name := range sim.Channels {
			for seat := 1; seat <= sim.Seatings; seat++ {
				takes = append(takes, curve.Take{
					Identity: curve.Identity{Lot: plan.Code, Serial: serial, Channel: name, Seating: seat, MeasuredAt: time.Now()}, Curve: u.Curve(ch, 1, seat),
				})
			}
		}
		if _, err := w.line.Intake(ctx, tester, takes); err != nil {
			t.Fatal(err)
		}
	}
	if _, _, err := w.line.LearnFault(ctx, tester, plan.Code, []line.LeftOut{{Serial: "TB40-F4", Reason: "its mesh was torn as well"}}, "three that are alike"); err != nil {
		t.Fatal(err)
	}
	plan = line.FaultPlan{Code: "FS-2", Key: "cable-pinched", Words: "cable is pinched under the baffle", Check: "Look under the baffle.", Side: "right", Faulty: []string{"TB40-F5", "TB40-F6", "TB40-F7"}, Reason: "seen once"}
	if err := w.line.PlanFault(ctx, tester, plan); err != nil {
		t.Fatal(err)
	}
}

var (
	shared     *workshop
	sharedOnce sync.Once
)
