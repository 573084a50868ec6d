package pairing

import "math"

type stepKind int

const (
	matchedEnough stepKind = iota // the unmatched vertices reach dual zero
	growTree                      // an edge to an unlabelled node becomes tight
	joinTrees                     // an edge between outer nodes becomes tight
	openInner                     // an inner blossom reaches z = 0
)

// A step is how far the duals may move and what stops them.
type step struct {
	kind    stepKind
	delta   int64
	edge    int32
	blossom int32
}

// choose finds the smallest move of the duals that lets the search go on.
func (m *matcher) choose(root int64) step {
	s := step{kind: matchedEnough, delta: root}
	for v, e := range m.reach {
		if e >= 0 && m.label[m.top[v]] == unlabelled {
			if d := m.slack(e); d < s.delta {
				s = step{kind: growTree, delta: d, edge: e}
			}
		}
	}
	for b, p := range m.parent {
		if p >= 0 || m.base[b] < 0 {
			continue
		}
		switch {
		case m.label[b] == outer && m.near[b] >= 0:
			// Even: the duals of all outer vertices have one parity.
			if d := m.slack(m.near[b]) / 2; d < s.delta {
				s = step{kind: joinTrees, delta: d, edge: m.near[b]}
			}
		case m.label[b] == inner && b >= m.n && m.z[b] < s.delta:
			s = step{kind: openInner, delta: m.z[b], blossom: int32(b)}
		}
	}
	return s
}

// shift moves the duals: outer vertices down, inner ones up, blossoms against
// them, so that edges within a tree keep their slack.
func (m *matcher) shift(delta int64) {
	if delta == 0 {
		return
	}
	for v := range m.dual {
		switch m.label[m.top[v]] {
		case outer:
			m.dual[v] -= delta
		case inner:
			m.dual[v] += delta
		}
	}
	for b := m.n; b < len(m.z); b++ {
		if m.parent[b] >= 0 || m.base[b] < 0 {
			continue
		}
		switch m.label[b] {
		case outer:
			m.z[b] += delta
		case inner:
			m.z[b] -= delta
		}
	}
}

// common returns the sum of z of the blossoms that hold both vertices.
func (m *matcher) common(u, v int32) int64 {
	if m.top[u] != m.top[v] {
		return 0
	}
	m.stamp++
	for b := m.parent[u]; b >= 0; b = m.parent[b] {
		m.seen[b] = m.stamp
	}
	sum := int64(0)
	for b := m.parent[v]; b >= 0; b = m.parent[b] {
		if m.seen[b] == m.stamp {
			sum += m.z[b]
		}
	}
	return sum
}

// violates tells whether an edge that the matcher has not seen would have made a
// difference.
func (m *matcher) violates(u, v int32, weight int64) bool {
	s := m.dual[u] + m.dual[v] - 2*weight
	return s < 0 && s+2*m.common(u, v) < 0
}

// far is a slack larger than any.
const far = math.MaxInt64
