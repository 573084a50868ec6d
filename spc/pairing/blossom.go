package pairing

// An edge joins two vertices; the matching with the largest sum of weights is
// wanted. Weights are positive and below 2⁵⁷.
type edge struct {
	u, v   int32
	weight int64
}

// An arc is an edge seen from x.
type arc struct{ x, y, e int32 }

var none = arc{-1, -1, -1}

// Labels of a top node in the search of one stage: outer nodes are an even number
// of edges from an unmatched vertex, inner ones an odd number.
const (
	unlabelled = iota
	outer
	inner
)

// A matcher holds a matching and the dual variables that prove it. A node is a
// vertex (below n) or a blossom, an odd cycle of nodes that is treated as one; a
// top node lies in no other.
//
// Invariants, with dual doubled so that all stay integer: for every edge
// slack = dual[u]+dual[v]-2·weight+2·(z of the blossoms around both) ≥ 0, zero for
// matched edges and edges of blossoms; z ≥ 0; an unmatched vertex has the least
// dual of all. When that reaches zero, or no vertex is unmatched, the matching is
// the best there is.
type matcher struct {
	n     int
	edges []edge
	first []int32 // arcs of vertex v are at first[v]:first[v+1]
	to    []int32
	which []int32
	twice []int64 // 2·weight of the arc

	mate []int32 // matched edge of a vertex, -1 for none
	dual []int64

	top    []int32 // of a vertex
	parent []int32 // of a node, -1 for a top node
	base   []int32 // vertex of a node through which it is matched outwards
	kids   [][]int32
	links  [][]arc // links[i] leads from kids[i] to kids[i+1], cyclic; kids[0] holds the base
	z      []int64
	spare  []int32 // unused blossom numbers

	label []int8
	entry []arc   // edge by which a top node was labelled, into it
	reach []int32 // tightest edge from an outer node to a vertex that is not outer
	near  []int32 // tightest edge from an outer top node to another
	lists [][]int32
	queue []int32 // outer vertices whose edges are to be scanned

	seen   []int32
	stamp  int32
	closer []int32 // scratch of contract
}

func newMatcher(n int, edges []edge) *matcher {
	nodes := n + n/2 + 1
	m := &matcher{
		n: n, edges: edges,
		mate: fill(n, -1), dual: make([]int64, n),
		top: make([]int32, n), parent: fill(nodes, -1), base: fill(nodes, -1),
		kids: make([][]int32, nodes), links: make([][]arc, nodes), z: make([]int64, nodes),
		label: make([]int8, nodes), entry: make([]arc, nodes),
		reach: fill(n, -1), near: fill(nodes, -1), lists: make([][]int32, nodes),
		seen: make([]int32, nodes), closer: fill(nodes, -1),
	}
	for v := range n {
		m.top[v], m.base[v] = int32(v), int32(v)
	}
	for b := nodes - 1; b >= n; b-- {
		m.spare = append(m.spare, int32(b))
	}
	m.layArcs()
	most := int64(0)
	for _, e := range edges {
		most = max(most, e.weight)
	}
	for v := range m.dual {
		m.dual[v] = most
	}
	return m
}

func (m *matcher) layArcs() {
	m.first = make([]int32, m.n+1)
	for _, e := range m.edges {
		m.first[e.u+1]++
		m.first[e.v+1]++
	}
	for v := range m.n {
		m.first[v+1] += m.first[v]
	}
	at := append([]int32(nil), m.first...)
	m.to, m.which = make([]int32, 2*len(m.edges)), make([]int32, 2*len(m.edges))
	m.twice = make([]int64, 2*len(m.edges))
	for i, e := range m.edges {
		for _, end := range [2][2]int32{{e.u, e.v}, {e.v, e.u}} {
			k := at[end[0]]
			at[end[0]]++
			m.to[k], m.which[k], m.twice[k] = end[1], int32(i), 2*e.weight
		}
	}
}

func fill(n int, v int32) []int32 {
	s := make([]int32, n)
	for i := range s {
		s[i] = v
	}
	return s
}

// solve finds the matching of largest weight: one augmenting path per stage.
func (m *matcher) solve() {
	if len(m.edges) == 0 {
		return
	}
	for m.stage() {
		for b := m.n; b < len(m.parent); b++ {
			if m.parent[b] < 0 && m.base[b] >= 0 && m.label[b] == outer && m.z[b] == 0 {
				m.dissolve(int32(b))
			}
		}
	}
}

// slack is right for edges between different top nodes.
func (m *matcher) slack(e int32) int64 {
	d := &m.edges[e]
	return m.dual[d.u] + m.dual[d.v] - 2*d.weight
}

// stage searches from all unmatched vertices at once and returns false when no
// augmenting path is left that gains weight.
func (m *matcher) stage() bool {
	for b := range m.label {
		m.label[b], m.near[b], m.lists[b] = unlabelled, -1, nil
	}
	for v := range m.reach {
		m.reach[v] = -1
	}
	m.queue = m.queue[:0]
	root := -1
	for v := range m.n {
		if m.mate[v] < 0 {
			root = v
			m.setOuter(m.top[v], none)
		}
	}
	if root < 0 {
		return false
	}
	for {
		for len(m.queue) > 0 {
			v := m.queue[len(m.queue)-1]
			m.queue = m.queue[:len(m.queue)-1]
			if m.scan(v) {
				return true
			}
		}
		step := m.choose(m.dual[root])
		m.shift(step.delta)
		switch step.kind {
		case matchedEnough:
			return false
		case growTree:
			m.grow(step.edge)
		case joinTrees:
			e := m.edges[step.edge]
			if m.join(arc{e.u, e.v, step.edge}) {
				return true
			}
		case openInner:
			m.open(step.blossom)
		}
	}
}

// setOuter labels a top node as outer and queues its vertices.
func (m *matcher) setOuter(b int32, by arc) {
	m.label[b], m.entry[b], m.near[b], m.lists[b] = outer, by, -1, nil
	m.queue = m.leaves(b, m.queue)
}

// setInner labels a top node as inner, and the node it is matched with as outer.
func (m *matcher) setInner(b int32, by arc) {
	m.label[b], m.entry[b] = inner, by
	x := m.base[b]
	e := m.mate[x]
	y := m.other(e, x)
	m.setOuter(m.top[y], arc{x, y, e})
}

func (m *matcher) other(e, x int32) int32 { return m.edges[e].u ^ m.edges[e].v ^ x }

// leaves appends the vertices of a node.
func (m *matcher) leaves(b int32, to []int32) []int32 {
	if int(b) < m.n {
		return append(to, b)
	}
	for _, k := range m.kids[b] {
		to = m.leaves(k, to)
	}
	return to
}

// scan looks along the edges of an outer vertex: tight ones grow the tree, close a
// blossom or complete an augmenting path (then true), others are kept when they
// are the tightest to where they lead.
func (m *matcher) scan(v int32) bool {
	for k := m.first[v]; k < m.first[v+1]; k++ {
		w, bv := m.to[k], m.top[v]
		bw := m.top[w]
		if bv == bw {
			continue
		}
		slack := m.dual[v] + m.dual[w] - m.twice[k]
		if m.label[bw] == outer {
			if slack == 0 {
				if m.join(arc{v, w, m.which[k]}) {
					return true
				}
			} else if e := m.near[bv]; e < 0 || slack < m.slack(e) {
				m.near[bv] = m.which[k]
			}
			continue
		}
		if e := m.reach[w]; e < 0 || slack < m.slack(e) {
			m.reach[w] = m.which[k]
		}
		if slack == 0 && m.label[bw] == unlabelled {
			m.setInner(bw, arc{v, w, m.which[k]})
		}
	}
	return false
}

// grow takes the vertex at the far end of a tight edge into the tree.
func (m *matcher) grow(e int32) {
	x, y := m.edges[e].u, m.edges[e].v
	if m.label[m.top[x]] != outer {
		x, y = y, x
	}
	m.setInner(m.top[y], arc{x, y, e})
}

// join follows a tight edge between outer nodes: within one tree it closes a
// blossom, between two it completes an augmenting path, and true is returned.
func (m *matcher) join(a arc) bool {
	if b := m.meet(m.top[a.x], m.top[a.y]); b >= 0 {
		m.contract(b, a)
		return false
	}
	m.augment(a.x, a.e)
	m.augment(a.y, a.e)
	return true
}

// meet returns the first outer node that both paths to the root share, -1 when
// they end at different roots.
func (m *matcher) meet(a, b int32) int32 {
	m.stamp++
	for a >= 0 || b >= 0 {
		if a >= 0 {
			if m.seen[a] == m.stamp {
				return a
			}
			m.seen[a] = m.stamp
			a = m.up(a)
		}
		a, b = b, a
	}
	return -1
}

// up returns the outer node two steps nearer to the root, -1 for a root.
func (m *matcher) up(b int32) int32 {
	if m.entry[b].x < 0 {
		return -1
	}
	return m.top[m.entry[m.top[m.entry[b].x]].x]
}
