package change

import "math"

// eachSplit walks the rows in their present order and hands out the statistic of
// every split, from the last to the first, until told to stop.
func (f *jointFinder) eachSplit(next func(j int, stat float64) bool) {
	clear(f.sum)
	for j := f.n - 1; j >= f.first(); j-- {
		row, sign := f.z[f.order[j]*f.d:f.order[j]*f.d+f.d], f.sign[j]
		s := 0.0
		for b, v := range row {
			t := f.sum[b] + sign*v
			f.sum[b] = t
			s += t * t
		}
		// Rows are centred, so the sum before a split is minus the sum after it.
		w := 1 / float64(f.n-j)
		if f.o.Before == nil {
			w = float64(f.n) / (float64(j) * float64(f.n-j))
		}
		if !next(j, s*w) {
			return
		}
	}
}

// restore puts the rows back as they were made.
func (f *jointFinder) restore() {
	for i := range f.order {
		f.order[i], f.sign[i] = i, 1
	}
}

// p tests whether there is a change at all: without one, every row is before it
// when the level is known, and all may be exchanged when it is not.
func (f *jointFinder) p() float64 {
	k := 0
	if f.o.Before != nil {
		k = f.n
	}
	f.restore()
	hits := 0
	for range f.o.Draws {
		if f.reaches(k) {
			hits++
		}
	}
	return float64(1+hits) / float64(f.o.Draws+1)
}

// reaches exchanges the rows up to k among each other and those after k, and tells
// whether some split is then as good as the best of the data.
func (f *jointFinder) reaches(k int) bool {
	before, after := f.order[:k], f.order[k:]
	f.rng.Shuffle(len(before), func(i, j int) { before[i], before[j] = before[j], before[i] })
	f.rng.Shuffle(len(after), func(i, j int) { after[i], after[j] = after[j], after[i] })
	if f.o.Before != nil {
		for i := range k {
			f.sign[i] = float64(1 - 2*f.rng.IntN(2))
		}
	}
	limit, hit := f.stat[f.best]*(1-1e-12), false
	f.eachSplit(func(_ int, s float64) bool {
		hit = s >= limit
		return !hit
	})
	return hit
}

// allows tells whether the data do not contradict a change after row k. A split
// that one hit in the first 199 permutations cannot save is not drawn further.
func (f *jointFinder) allows(k int) bool {
	if k == f.best {
		return true
	}
	f.restore()
	enough := int(math.Floor((1-f.o.Confidence)*float64(f.o.Draws+1) + 1e-9))
	hits := 0
	for b := range f.o.Draws {
		if hits+f.o.Draws-b < enough || b == 199 && enough >= 20 && hits <= 1 {
			return false
		}
		if f.reaches(k) {
			if hits++; hits >= enough {
				return true
			}
		}
	}
	return false
}
