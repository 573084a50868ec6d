# Optima of random graphs by networkx.max_weight_matching(maxcardinality=True) on
# the weights 1e6 - cost, made with python3-networkx of Debian 12:
#   /usr/bin/python3 networkx_match.py > networkx.csv
# Lines: graph,number,kind,vertices,seed,tolerance,pairs,total. The costs are not
# stored: a linear congruential generator that the test repeats gives them
# (x ← 6364136223846793005·x + 1442695040888963407 mod 2^64, top 31 bits).
#   uniform  cost of (i,j), i<j in order, = draw mod 1000
#   plane    points (draw mod 2000, draw mod 2000) in order of vertices, cost = |dx|+|dy|
#   few      cost = draw mod 4 (many ties)
#   clumps   points as in plane, but vertex i moved by 10000·(i mod 7): odd clumps
import networkx as nx
class Gen:
    def __init__(s, x): s.x = x
    def draw(s):
        s.x = (6364136223846793005*s.x + 1442695040888963407) % 2**64
        return s.x >> 33
def costs(kind, n, seed):
    g = Gen(seed)
    if kind in ("plane", "clumps"):
        p = [(g.draw() % 2000, g.draw() % 2000) for _ in range(n)]
        if kind == "clumps": p = [(x + 10000*(i % 7), y) for i, (x, y) in enumerate(p)]
        return {(i, j): abs(p[i][0]-p[j][0]) + abs(p[i][1]-p[j][1]) for i in range(n) for j in range(i+1, n)}
    m = 1000 if kind == "uniform" else 4
    return {(i, j): g.draw() % m for i in range(n) for j in range(i+1, n)}
number = 0
for kind, tolerances in (("uniform", (1000, 60, 15)), ("plane", (4000, 150, 60)), ("few", (4, 0)), ("clumps", (2000, 400, 90000))):
    for n in (5, 12, 21, 50, 99, 150, 200):
        for tol in tolerances:
            number += 1
            seed = 1000*number + n
            c = costs(kind, n, seed)
            G = nx.Graph(); G.add_nodes_from(range(n))
            G.add_weighted_edges_from((i, j, 10**6 - w) for (i, j), w in c.items() if w <= tol)
            M = nx.max_weight_matching(G, maxcardinality=True)
            print("graph", number, kind, n, seed, tol, len(M), sum(c[min(e), max(e)] for e in M), sep=",")
