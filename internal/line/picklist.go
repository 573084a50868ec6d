package line

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"time"

	"alike/internal/store"
	"alike/reports"
	"alike/spc/envelope"

	"gonum.org/v1/gonum/stat"
)

// PickList returns a stored pairing, with the units its pairs were built into and
// their measured balance beside the predicted one. Number 0 stands for the newest.
func (l *Line) PickList(ctx context.Context, product string, number int) (reports.PickList, error) {
	var out reports.PickList
	err := l.db.Snapshot(ctx, l.site, func(s store.Site) error {
		setup, err := l.driverSetup(ctx, s, product)
		if err != nil {
			return err
		}
		row, err := pairingRow(ctx, s, setup, number)
		if err != nil {
			return err
		}
		if out, err = l.stored(ctx, s, setup, row); err != nil {
			return err
		}
		return l.built(ctx, s, &out)
	})
	return out, err
}

func pairingRow(ctx context.Context, s store.Site, setup *Setup, number int) (store.PairingRow, error) {
	if number == 0 {
		all, err := s.Pairings(ctx, setup.Code)
		if err != nil {
			return store.PairingRow{}, err
		}
		if len(all) > 0 {
			return all[len(all)-1], nil
		}
	}
	row, err := s.Pairing(ctx, setup.Code, number)
	if errors.Is(err, store.ErrNotFound) {
		if number == 0 {
			return row, refuse(Missing, "pairing", "make one with: alike drivers pair --keep", "product %s has no pairing yet", setup.Code)
		}
		return row, refuse(Missing, "pairing", "see them with: alike drivers pairings", "there is no pairing %d for product %s", number, setup.Code)
	}
	return row, err
}

// stored reads a pairing back into its list.
func (l *Line) stored(ctx context.Context, s store.Site, setup *Setup, row store.PairingRow) (reports.PickList, error) {
	var o outcome
	if err := json.Unmarshal(row.Outcome, &o); err != nil {
		return reports.PickList{}, fmt.Errorf("stored pairing %d of %s: %w", row.Pairing, setup.Code, err)
	}
	site, err := s.Row(ctx)
	if err != nil {
		return reports.PickList{}, err
	}
	zone, err := time.LoadLocation(site.Zone)
	if err != nil {
		return reports.PickList{}, err
	}
	list := reports.PickList{
		Site: site.Name, Product: title(setup.Product), Number: row.Pairing, Zone: zone, MadeAt: row.MadeAt.In(zone), Author: row.Author,
		Tolerance: o.Tolerance, Form: o.Form, Unpaired: o.Unpaired, Total: o.Total, Worst: o.Worst, TradeOff: o.TradeOff,
		Warnings: o.Warnings, Facts: o.Facts,
	}
	if row.WithdrawnAt != nil {
		list.Withdrawn = fmt.Sprintf("withdrawn %s by %s: %s", row.WithdrawnAt.In(zone).Format("2006-01-02 15:04"), *row.WithdrawnBy, *row.WithdrawnWhy)
	}
	pairs, err := s.Pairs(ctx, setup.Code, row.Pairing)
	if err != nil {
		return list, err
	}
	for _, p := range pairs {
		x := reports.PickPair{Rank: p.Rank, Left: p.LeftPiece, Right: p.RightPiece, Mismatch: p.Mismatch, Predicted: p.Balance, Fixed: p.Fixed, Built: math.NaN()}
		for piece, batch := range map[string]*string{p.LeftPiece: &x.LeftBatch, p.RightPiece: &x.RightBatch} {
			u, err := s.Unit(ctx, piece)
			if err != nil {
				return list, err
			}
			*batch = u.Lot
		}
		list.Pairs = append(list.Pairs, x)
	}
	return list, nil
}

// built finds the units that hold both drivers of a pair, and what balance their
// first attempt had. A pair that was built the other way round has its prediction
// turned.
func (l *Line) built(ctx context.Context, s store.Site, list *reports.PickList) error {
	var pieces []string
	for _, p := range list.Pairs {
		pieces = append(pieces, p.Left, p.Right)
	}
	uses, err := s.Pieces(ctx, KindDriver, pieces)
	if err != nil {
		return err
	}
	in := map[string]store.PartUse{}
	products := map[string][]string{} // product → serials
	for _, u := range uses {
		in[u.Piece] = u
		products[u.Product] = append(products[u.Product], u.FirstSerial)
	}
	balance := map[string]float64{}
	for code, serials := range products {
		setup, err := l.setup(ctx, s, code)
		if err != nil {
			return err
		}
		at := setup.position(envelope.Balance, "", -1)
		if at < 0 {
			continue
		}
		rows, err := s.ReadingsOf(ctx, code, serials)
		if err != nil {
			return err
		}
		for _, r := range rows {
			balance[r.Serial] = float64(r.Streams[at])
		}
	}
	for i := range list.Pairs {
		p := &list.Pairs[i]
		a, b := in[p.Left], in[p.Right]
		if a.FirstSerial == "" || a.FirstSerial != b.FirstSerial {
			continue
		}
		p.Unit = a.FirstSerial
		if a.Channel == "right" {
			p.Left, p.Right, p.LeftBatch, p.RightBatch, p.Predicted = p.Right, p.Left, p.RightBatch, p.LeftBatch, -p.Predicted
		}
		if v, ok := balance[p.Unit]; ok {
			p.Built = v
		}
	}
	list.Built = summary(list.Pairs)
	return nil
}

// summary holds what was built against what was predicted.
func summary(pairs []reports.PickPair) reports.BuiltSummary {
	var predicted, built, differ []float64
	for _, p := range pairs {
		if !math.IsNaN(p.Built) {
			predicted, built, differ = append(predicted, p.Predicted), append(built, p.Built), append(differ, p.Built-p.Predicted)
		}
	}
	b := reports.BuiltSummary{Units: len(built)}
	b.Offset, b.SD = meanSD(differ)
	b.Correlation = math.NaN()
	if len(built) >= 3 {
		b.Correlation = stat.Correlation(predicted, built, nil)
	}
	switch {
	case b.Units == 0:
		b.Sentence = "No pair of this list was built and measured yet."
	case b.Units == 1:
		b.Sentence = "One pair was built and measured; more are needed to tell what the prediction is worth."
	default:
		b.Sentence = fmt.Sprintf("%d pairs were built and measured: their balance lies %+.2f dB from the predicted one on average, which is what design and assembly add, and scatters by %.2f dB around that.", b.Units, b.Offset, b.SD)
		if !math.IsNaN(b.Correlation) {
			b.Sentence += fmt.Sprintf(" Predicted and built balance have a correlation of %.2f.", b.Correlation)
		}
	}
	return b
}
