package line

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"strings"

	"alike/internal/store"
	"alike/reports"
	"alike/spc/pairing"
)

// Purchase foresees what more drivers like the free ones of a request would give: the
// pairs of a purchase, and how many to buy for so many pairs. As many of a purchase are
// bad as were among the drivers asked for, unless bad ones are paired too.
func (l *Line) Purchase(ctx context.Context, r PairRequest, pairCount int, confidence float64, seed uint64) (pairing.Purchase, pairing.Need, error) {
	p := &pairs{line: l, request: r}
	err := l.db.Snapshot(ctx, l.site, func(s store.Site) error { return p.load(ctx, s) })
	if err != nil {
		return pairing.Purchase{}, pairing.Need{}, err
	}
	p.bands, _ = p.setup.covered(p.free)
	if len(p.bands) == 0 || len(p.free) == 0 {
		return pairing.Purchase{}, pairing.Need{}, refuse(Invalid, "drivers", "take in more of them: "+p.reasons(), "only %d drivers can foretell a purchase", len(p.free))
	}
	supply := pairing.Supply{Units: p.unitsOf(p.free), By: p.measure(), Tolerance: p.in.PairTolerance, Seed: seed}
	if !r.BadToo && p.good > 0 {
		supply.Good, supply.Bad = p.good, p.bad
	}
	buy, err := pairing.Expect(supply, 100)
	if err != nil {
		return buy, pairing.Need{}, refuse(Invalid, "drivers", "correct the request", "%v", err)
	}
	if pairCount == 0 {
		return buy, pairing.Need{}, nil
	}
	need, err := pairing.ToBuy(supply, pairCount, confidence)
	if err != nil {
		return buy, need, refuse(Invalid, "pairs", "correct the request", "%v", err)
	}
	return buy, need, nil
}

// KeepPairs stores a pairing: from then on its drivers are spoken for. It finds the
// best pairing anew under the product's lock, so that no driver is promised twice.
func (l *Line) KeepPairs(ctx context.Context, by By, r PairRequest) (PairPlan, error) {
	var plan PairPlan
	setup, err := l.DriverSetup(ctx, r.Product)
	if err != nil {
		return plan, err
	}
	err = l.db.InSite(ctx, l.site, func(s store.Site) error {
		if _, err := s.LockProduct(ctx, setup.Code); err != nil {
			return err
		}
		p := &pairs{line: l, request: r}
		if err := p.load(ctx, s); err != nil {
			return err
		}
		if plan, err = p.plan(); err != nil {
			return err
		}
		if len(plan.List.Pairs) == 0 {
			return refuse(Invalid, "tolerance", "widen the tolerance, or take in more drivers", "no two drivers are within %v dB", plan.List.Tolerance)
		}
		return l.keep(ctx, s, by, &plan)
	})
	return plan, err
}

// An outcome is what is stored of a pairing beside its pairs.
type outcome struct {
	Form      string               `json:"form"`
	Total     float64              `json:"total"`
	Worst     float64              `json:"worst"`
	Unpaired  []reports.PickLone   `json:"unpaired"`
	TradeOff  []reports.TradePoint `json:"trade_off"`
	Warnings  []string             `json:"warnings"`
	Facts     []reports.Fact       `json:"facts"`
	Tolerance float64              `json:"tolerance"`
}

func (l *Line) keep(ctx context.Context, s store.Site, by By, plan *PairPlan) error {
	list := &plan.List
	settings, err := json.Marshal(plan.request)
	if err != nil {
		return err
	}
	result, err := json.Marshal(outcome{list.Form, list.Total, list.Worst, list.Unpaired, list.TradeOff, list.Warnings, list.Facts, list.Tolerance})
	if err != nil {
		return err
	}
	var rows []store.PairRow
	for _, p := range list.Pairs {
		rows = append(rows, store.PairRow{Rank: p.Rank, LeftPiece: p.Left, RightPiece: p.Right, Mismatch: p.Mismatch, Balance: p.Predicted, Fixed: p.Fixed})
	}
	list.Author, list.MadeAt = by.Actor, l.now().In(list.Zone)
	list.Number, err = s.AddPairing(ctx, store.PairingRow{Product: plan.product, Settings: settings, Outcome: result, Author: by.Actor, MadeAt: l.now()}, rows)
	if err != nil {
		return err
	}
	return l.journal(ctx, s, by, "keep pairs", fmt.Sprintf("%s pairing %d", plan.product, list.Number), "", map[string]any{"pairs": len(rows), "tolerance": list.Tolerance, "settings": json.RawMessage(settings)})
}

// WithdrawPairs frees the drivers of a pairing that are not built in.
func (l *Line) WithdrawPairs(ctx context.Context, by By, product string, number int, reason string) error {
	if strings.TrimSpace(reason) == "" {
		return refuse(Invalid, "reason", "say why the pairs are given up", "withdrawing a pairing needs a reason")
	}
	setup, err := l.DriverSetup(ctx, product)
	if err != nil {
		return err
	}
	return l.db.InSite(ctx, l.site, func(s store.Site) error {
		err := s.WithdrawPairing(ctx, setup.Code, number, l.now(), by.Actor, reason)
		if errors.Is(err, store.ErrNotFound) {
			return refuse(Missing, "pairing", "see them with: alike drivers pairings", "no pairing %d is in force for product %s", number, setup.Code)
		} else if err != nil {
			return err
		}
		return l.journal(ctx, s, by, "withdraw pairs", fmt.Sprintf("%s pairing %d", setup.Code, number), reason, nil)
	})
}
