"""Band levels of eight units on two rigs, and what a transfer makes of them, by numpy and
scipy alone. Run in this folder: /usr/bin/python3 transfer.py
It writes transfer.csv (unit, rig, channel, trial, levels of the eight octave bands 63 Hz to
8 kHz in dB) and transfer.json."""
import csv, json
import numpy as np
from scipy import stats

UNITS, TRIALS, BANDS, ANCHOR = 8, 2, 8, 4  # the anchor is the 1 kHz band
GUARD, RISK = 0.5, 0.05
rng = np.random.default_rng(20)
above = np.array([[1.2, 0.8, 0.4, 0.1, -0.2, -0.6, 0.3, 1.0], [0.9, 0.7, 0.5, 0.2, -0.1, -0.4, 0.2, 1.4]])
unit = 100 + 0.5 * rng.standard_normal((UNITS, 1, 2, 1, BANDS))
rig = np.stack([np.zeros_like(above), above])[None, :, :, None, :]
scatter = 0.15 * rng.standard_normal((UNITS, 2, 2, 1, BANDS))
seat = 0.1 * rng.standard_normal((UNITS, 2, 2, TRIALS, BANDS))
levels = np.round(unit + rig + scatter + seat, 2)  # unit, rig, channel, trial, band
with open("transfer.csv", "w", newline="") as f:
    w = csv.writer(f)
    w.writerow(["unit", "rig", "channel", "trial"] + [63, 125, 250, 500, 1000, 2000, 4000, 8000])
    for u in range(UNITS):
        for r, rig_name in enumerate(["rig-a", "rig-b"]):
            for c, ch in enumerate(["left", "right"]):
                for t in range(TRIALS):
                    w.writerow([f"T{u}", rig_name, ch, t + 1] + [f"{x:.2f}" for x in levels[u, r, c, t]])

mean = levels.mean(axis=3)  # unit, rig, channel, band
curve = (mean[:, 1] - mean[:, 0]).mean(axis=0)
a, b = mean[:, 0], mean[:, 1] - curve

def values(x):  # unit, channel, band
    sens = x[:, :, ANCHOR]
    dev = x - sens[:, :, None]
    return dev, x[:, 0] - x[:, 1], sens, np.sqrt((dev**2).mean(axis=2))

def unit_u(x, y):
    return (y - x).std(axis=0, ddof=1) * np.sqrt(1 + 1 / UNITS)

dev, bal, sens, rough = (unit_u(x, y) for x, y in zip(values(a), values(b)))
dev, sens, rough = dev.max(axis=0), sens.max(), rough.max()
z = stats.norm.ppf(1 - RISK)
json.dump({
    "curve": curve.ravel().tolist(), "deviation_u": dev.tolist(), "balance_u": bal.tolist(), "sensitivity_u": float(sens),
    "roughness_u": float(rough), "guard": np.sqrt(GUARD**2 + (z * dev) ** 2).tolist(), "balance_guard": (z * bal).tolist(),
}, open("transfer.json", "w"), indent=1)
