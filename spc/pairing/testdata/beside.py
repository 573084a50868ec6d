# Time and memory of `alike calc pairs`, from a file of curves to the optimum on one
# core, beside networkx.max_weight_matching on the same instance:
#   go build -o /tmp/alike ./cmd/alike
#   /usr/bin/python3 spc/pairing/testdata/beside.py /tmp/alike [largest for networkx, 250]
# Needs python3-numpy and python3-networkx of Debian. Curves are those of simulated
# drivers over 31 bands: a common scatter of level and tilt and a little of the rest.
# Both search every pair (no tolerance). The ratio is networkx's time, without the
# making of its graph, over that of the whole command. Totals are compared: they agree
# to the rounding of the costs that networkx is given as whole numbers.
import json, os, resource, subprocess, sys, tempfile, time
import numpy as np
import networkx as nx

alike, largest = sys.argv[1], int(sys.argv[2]) if len(sys.argv) > 2 else 250
rng = np.random.default_rng(5)
x = np.linspace(-1, 1, 31)
hz = [round(1000 * 10 ** (k / 10), 2) for k in range(-17, 14)]


def drivers(n):
    level, tilt = rng.normal(size=(n, 1)), rng.normal(size=(n, 1))
    hump = 0.5 * np.exp(-8 * (x + 0.6) ** 2)
    return np.round(90 + level + 0.8 * tilt * x + 0.3 * rng.normal(size=(n, 31)) + hump * rng.normal(size=(n, 31)), 3)


def run(curves):
    with tempfile.NamedTemporaryFile("w", suffix=".csv") as f:
        f.write("id," + ",".join(map(str, hz)) + "\n")
        f.writelines(f"D{i}," + ",".join(map(str, row)) + "\n" for i, row in enumerate(curves))
        f.flush()
        begin = time.monotonic()
        p = subprocess.Popen([alike, "calc", "pairs", "--json", f.name], stdout=subprocess.PIPE,
                             env=dict(os.environ, GOMAXPROCS="1"),
                             preexec_fn=lambda: os.sched_setaffinity(0, {min(os.sched_getaffinity(0))}))
        out = p.stdout.read()
        _, status, use = os.wait4(p.pid, 0)
        took = time.monotonic() - begin
        if status != 0:
            sys.exit("alike failed")
        return json.loads(out), took, use.ru_maxrss / 1024


def beside(curves):
    n = len(curves)
    d = np.sqrt(((curves[:, None, :] - curves[None, :, :]) ** 2).mean(axis=2))
    g = nx.Graph()
    g.add_weighted_edges_from((i, j, 10 ** 9 - round(d[i, j] * 10 ** 6)) for i in range(n) for j in range(i))
    begin = time.monotonic()
    m = nx.max_weight_matching(g, maxcardinality=True)
    return sum(d[i, j] for i, j in m), time.monotonic() - begin


print("drivers  alike, s  growth  memory, MB  networkx, s  ratio")
before = None
for n in (125, 250, 500, 1000, 2000):
    curves = drivers(n)
    answer, took, memory = run(curves)
    growth = "" if before is None else f"{took / before:.1f}"
    row = f"{n:7d}  {took:8.2f}  {growth:>6}  {memory:10.0f}"
    if n <= largest:
        total, theirs = beside(curves)
        if abs(total - answer["total"]) > 1e-4 * n:
            sys.exit(f"{n} drivers: total {answer['total']}, networkx {total}")
        row += f"  {theirs:11.1f}  {theirs / took:5.0f}"
    print(row, flush=True)
    before = took
