package pairing

// contract makes a blossom of the cycle that a tight edge between two outer nodes
// closes, through the node where their paths meet.
func (m *matcher) contract(at int32, a arc) {
	b := m.spare[len(m.spare)-1]
	m.spare = m.spare[:len(m.spare)-1]

	// From the meeting node down to a.x, over the edge, and up from a.y.
	var down []arc
	for c := m.top[a.x]; c != at; c = m.top[m.entry[c].x] {
		down = append(down, m.entry[c])
	}
	kids, links := []int32{at}, []arc{}
	for i := len(down) - 1; i >= 0; i-- {
		links = append(links, down[i])
		kids = append(kids, m.top[down[i].y])
	}
	links = append(links, a)
	for c := m.top[a.y]; c != at; c = m.top[m.entry[c].x] {
		kids = append(kids, c)
		links = append(links, arc{m.entry[c].y, m.entry[c].x, m.entry[c].e})
	}

	m.kids[b], m.links[b] = kids, links
	m.base[b], m.entry[b], m.label[b], m.parent[b], m.z[b] = m.base[at], m.entry[at], outer, -1, 0
	for _, k := range kids {
		m.parent[k] = b
		from := len(m.queue)
		m.queue = m.leaves(k, m.queue)
		for _, v := range m.queue[from:] {
			m.top[v] = b
		}
		if m.label[k] == outer {
			m.queue = m.queue[:from] // scanned, or queued already
		}
	}
	m.mergeLists(b)
}

// mergeLists collects the tightest edge from a new blossom to every other outer
// node. What an outer blossom inside has listed is enough; a vertex lists nothing,
// and a node that was inner has not been scanned yet.
func (m *matcher) mergeLists(b int32) {
	var found []int32
	take := func(e int32) {
		y := m.edges[e].v
		if m.top[y] == b {
			y = m.edges[e].u
		}
		c := m.top[y]
		if c == b || m.label[c] != outer {
			return
		}
		switch old := m.closer[c]; {
		case old < 0:
			found = append(found, c)
			m.closer[c] = e
		case m.slack(e) < m.slack(old):
			m.closer[c] = e
		}
	}
	for _, k := range m.kids[b] {
		if m.lists[k] != nil {
			for _, e := range m.lists[k] {
				take(e)
			}
		} else {
			for _, v := range m.leaves(k, nil) {
				for _, e := range m.which[m.first[v]:m.first[v+1]] {
					take(e)
				}
			}
		}
		m.lists[k], m.near[k] = nil, -1
	}
	best := int64(far)
	m.near[b] = -1
	list := make([]int32, 0, len(found))
	for _, c := range found {
		e := m.closer[c]
		m.closer[c] = -1
		list = append(list, e)
		if s := m.slack(e); s < best {
			best, m.near[b] = s, e
		}
	}
	m.lists[b] = list
}

// augment matches outer vertex x by the edge and flips the path to its root.
func (m *matcher) augment(x, e int32) {
	for {
		b := m.top[x]
		m.rebase(b, x)
		m.mate[x] = e
		if m.entry[b].x < 0 {
			return
		}
		t := m.top[m.entry[b].x]
		in := m.entry[t]
		m.rebase(t, in.y)
		m.mate[in.y] = in.e
		x, e = in.x, in.e
	}
}

// rebase flips the matching within a node so that it is matched outwards through
// vertex v.
func (m *matcher) rebase(b, v int32) {
	if int(b) < m.n {
		return
	}
	k := v
	for m.parent[k] != b {
		k = m.parent[k]
	}
	m.rebase(k, v)
	kids, links := m.kids[b], m.links[b]
	n := len(kids)
	i := index(kids, k)
	// Pairs along the even way from k to the old base are matched anew.
	pair := func(l arc, a, b int32) {
		m.rebase(a, l.x)
		m.rebase(b, l.y)
		m.mate[l.x], m.mate[l.y] = l.e, l.e
	}
	if i%2 == 1 {
		for j := i + 1; j < n; j += 2 {
			pair(links[j], kids[j], kids[(j+1)%n])
		}
	} else {
		for j := i - 2; j >= 0; j -= 2 {
			pair(links[j], kids[j], kids[j+1])
		}
	}
	m.kids[b] = append(append(make([]int32, 0, n), kids[i:]...), kids[:i]...)
	m.links[b] = append(append(make([]arc, 0, n), links[i:]...), links[:i]...)
	m.base[b] = v
}

func index(kids []int32, k int32) int {
	for i, c := range kids {
		if c == k {
			return i
		}
	}
	panic("pairing: node is not in its blossom")
}

// release makes the nodes of a blossom top nodes.
func (m *matcher) release(b int32) []int32 {
	kids := m.kids[b]
	for _, k := range kids {
		m.parent[k] = -1
		for _, v := range m.leaves(k, nil) {
			m.top[v] = k
		}
	}
	return kids
}

// retire frees the number of a blossom.
func (m *matcher) retire(b int32) {
	m.kids[b], m.links[b], m.lists[b] = nil, nil, nil
	m.base[b], m.label[b], m.near[b], m.z[b] = -1, unlabelled, -1, 0
	m.spare = append(m.spare, b)
}

// dissolve opens a top blossom between stages, and those inside that have z = 0.
func (m *matcher) dissolve(b int32) {
	for _, k := range m.release(b) {
		if int(k) >= m.n && m.z[k] == 0 {
			m.dissolve(k)
		}
	}
	m.retire(b)
}

// open opens an inner top blossom within a stage. The nodes on the even way from
// the one that the tree enters to the base stay in the tree, inner and outer in
// turn; the others leave it.
func (m *matcher) open(b int32) {
	in, links := m.entry[b], m.links[b]
	kids := m.release(b)
	for _, k := range kids {
		m.label[k], m.near[k], m.lists[k] = unlabelled, -1, nil
	}
	n := len(kids)
	i := index(kids, m.top[in.y])
	m.label[kids[i]], m.entry[kids[i]] = inner, in
	step := func(matched, next arc) {
		m.setOuter(m.top[matched.y], matched)
		t := m.top[next.y]
		m.label[t], m.entry[t] = inner, next
	}
	if i%2 == 1 {
		for ; i < n; i += 2 {
			step(links[i], links[i+1]) // i and n are odd
		}
	} else {
		for ; i > 0; i -= 2 {
			step(reversed(links[i-1]), reversed(links[i-2]))
		}
	}
	m.retire(b)
}

func reversed(a arc) arc { return arc{a.y, a.x, a.e} }
