package pairing

import (
	"math"
	"math/bits"
)

// A graph says what joining two vertices i > j costs; forbidden pairs cost +Inf.
type graph struct {
	n    int
	cost func(i, j int) float64
	// Up to so many edges per vertex the whole graph is searched at once, of a
	// fuller one so many closest neighbours of each vertex first.
	thin, closest int
	// After so many rounds of adding edges that matter the whole graph is searched.
	rounds int
}

// newGraph sets the sizes that were quickest on driver-like tables of 125 to 2000
// vertices; the answer does not depend on them.
func newGraph(n int, cost func(i, j int) float64) graph {
	return graph{n: n, cost: cost, thin: 48, closest: 16, rounds: 8}
}

// optimum returns, for every vertex, the vertex it is matched with or -1: as many
// pairs as possible, and of these matchings one with the least cost in scaled
// integers. The matcher it returns holds the proof.
func (g graph) optimum() ([]int, *matcher) {
	edges, costs := g.sparse()
	scale := g.scale(edges, costs)
	var m *matcher
	for round := 1; ; round++ {
		m = newMatcher(g.n, edges)
		m.solve()
		missing := g.missing(m, scale)
		if len(missing) == 0 {
			break
		}
		if round > g.rounds {
			panic("pairing: the duals of the whole graph do not prove its matching")
		}
		if round == g.rounds {
			edges = g.all(scale)
			continue
		}
		edges = append(edges[:len(edges):len(edges)], missing...)
	}
	mates := make([]int, g.n)
	for v, e := range m.mate {
		mates[v] = -1
		if e >= 0 {
			mates[v] = int(m.other(e, int32(v)))
		}
	}
	return mates, m
}

// A scale turns costs into weights: weight = most - round(cost·2^shift), most
// larger than the sum of any matching's costs.
type scale struct {
	shift int
	most  int64
}

// newScale leaves room for n/2 costs in 57 bits, so that twice a weight and the
// sum of two duals stay within int64.
func newScale(n int, largest float64) scale {
	room := min(44, 56-bits.Len(uint(n/2+1)))
	_, exp := math.Frexp(largest)
	s := scale{shift: room - exp}
	s.most = int64(n/2)*s.whole(largest) + 1
	return s
}

func (s scale) whole(cost float64) int64 { return int64(math.Round(math.Ldexp(cost, s.shift))) }

func (s scale) weight(cost float64) int64 { return s.most - s.whole(cost) }

// scale finds the largest cost of the whole graph and fills in the weights.
func (g graph) scale(edges []edge, costs []float64) scale {
	largest := 0.0
	for i := range g.n {
		for j := range i {
			if c := g.cost(i, j); c > largest && !math.IsInf(c, 1) {
				largest = c
			}
		}
	}
	s := newScale(g.n, largest)
	for i, c := range costs {
		edges[i].weight = s.weight(c)
	}
	return s
}

// sparse returns every edge of a small or thin graph, of another one those to the
// closest neighbours of each vertex.
func (g graph) sparse() (edges []edge, costs []float64) {
	count := g.count()
	add := func(i, j int, c float64) {
		edges = append(edges, edge{u: int32(i), v: int32(j)})
		costs = append(costs, c)
	}
	if count <= g.thin*g.n {
		edges, costs = make([]edge, 0, count), make([]float64, 0, count)
		for i := range g.n {
			for j := range i {
				if c := g.cost(i, j); !math.IsInf(c, 1) {
					add(i, j, c)
				}
			}
		}
		return edges, costs
	}
	near := make([][]neighbour, g.n)
	for i := range g.n {
		near[i] = g.nearest(i)
	}
	for i := range near {
		for _, b := range near[i] {
			if b.of > i && holds(near[b.of], i) {
				continue // the other one adds it
			}
			add(i, b.of, b.cost)
		}
	}
	return edges, costs
}

func (g graph) count() int {
	count := 0
	for i := range g.n {
		for j := range i {
			if !math.IsInf(g.cost(i, j), 1) {
				count++
			}
		}
	}
	return count
}

type neighbour struct {
	of   int
	cost float64
}

func holds(list []neighbour, v int) bool {
	for _, b := range list {
		if b.of == v {
			return true
		}
	}
	return false
}

// nearest returns the closest neighbours of a vertex, the closest first.
func (g graph) nearest(i int) []neighbour {
	list := make([]neighbour, 0, g.closest+1)
	for j := range g.n {
		c := math.Inf(1)
		if j != i {
			c = g.cost(max(i, j), min(i, j))
		}
		if math.IsInf(c, 1) || len(list) == g.closest && c >= list[g.closest-1].cost {
			continue
		}
		k := len(list)
		list = append(list, neighbour{j, c})
		for ; k > 0 && list[k-1].cost > c; k-- {
			list[k] = list[k-1]
		}
		list[k] = neighbour{j, c}
		list = list[:min(len(list), g.closest)]
	}
	return list
}

// missing returns the edges of the graph that the matcher has not seen and that
// its duals do not rule out.
func (g graph) missing(m *matcher, s scale) (edges []edge) {
	for i := range g.n {
		for j := range i {
			c := g.cost(i, j)
			if math.IsInf(c, 1) {
				continue
			}
			if w := s.weight(c); m.violates(int32(i), int32(j), w) {
				edges = append(edges, edge{int32(i), int32(j), w})
			}
		}
	}
	return edges
}

func (g graph) all(s scale) []edge {
	edges := make([]edge, 0, g.count())
	for i := range g.n {
		for j := range i {
			if c := g.cost(i, j); !math.IsInf(c, 1) {
				edges = append(edges, edge{int32(i), int32(j), s.weight(c)})
			}
		}
	}
	return edges
}
