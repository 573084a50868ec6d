package line

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"slices"

	"alike/internal/store"
	"alike/spc/chart"
	"alike/spc/multi"
)

// Together is the key of the chart of all streams together among the rules. Its signals
// stand on the streams that lead: their values may each lie well inside their limits.
const Together chart.Key = "together"

// togetherText says what it saw.
const togetherText = "All streams together have moved: the average of the last units lies farther from the baseline than chance brings it, and this stream leads, though each value may keep its own limits."

// Leading streams that carry a signal of all streams together: the farthest, and those at
// least half as far.
const (
	mostLeading  = 3
	leastLeading = 0.5
)

// A together is the chart of all streams of a board.
type together struct {
	*multi.Together
	limit float64
	share float64
	at    []int // positions of its streams
}

// join loads the chart of all streams together, if the limit set has one.
func (b *board) join(ctx context.Context, s store.Site) error {
	row, err := s.Together(ctx, b.setup.Code, b.set.Version)
	if errors.Is(err, store.ErrNotFound) {
		return nil
	} else if err != nil {
		return err
	}
	return b.joined(row)
}

func (b *board) joined(row store.TogetherRow) error {
	t := together{limit: row.FiresAbove, share: row.FirstShare, Together: &multi.Together{Lambda: row.Lambda, Streams: len(row.Streams), Shrinkage: row.Shrinkage}}
	for _, key := range row.Streams {
		t.at = append(t.at, b.stream(key))
	}
	for i := 0; i+8 <= len(row.Whiten); i += 8 {
		t.Whiten = append(t.Whiten, math.Float64frombits(binary.LittleEndian.Uint64(row.Whiten[i:])))
	}
	if err := t.Check(); err != nil || slices.Contains(t.at, -1) {
		return fmt.Errorf("stored chart of all streams of limit set %d of %s does not fit the product", row.Version, row.Product)
	}
	b.together = &t
	return nil
}

// signalsTogether has the chart of all streams read the readings in order and returns a
// signal on each leading stream of the units from an index on at which it fires.
func (b *board) signalsTogether(readings []store.ReadingRow, from int) []store.SignalRow {
	if b.together == nil {
		return nil
	}
	var out []store.SignalRow
	reader := b.together.NewReader()
	z := make([]float64, len(b.together.at))
	for i, r := range readings {
		for k, stream := range b.together.at {
			z[k] = b.z(stream, float64(r.Streams[stream]))
		}
		if v := reader.Push(z); v < b.together.limit || i < from {
			continue
		}
		for _, k := range leading(reader.Averages()) {
			stream := b.together.at[k]
			out = append(out, b.signal(r, stream, b.setup.StreamList[stream].Key, string(Together)))
		}
	}
	return out
}

// leading returns the streams that are farthest out, the farthest first.
func leading(averages []float64) []int {
	order := make([]int, len(averages))
	for i := range order {
		order[i] = i
	}
	slices.SortStableFunc(order, func(x, y int) int { return -cmpFloat(math.Abs(averages[x]), math.Abs(averages[y])) })
	least := leastLeading * math.Abs(averages[order[0]])
	order = order[:min(mostLeading, len(order))]
	return slices.DeleteFunc(order, func(i int) bool { return math.Abs(averages[i]) < least })
}
