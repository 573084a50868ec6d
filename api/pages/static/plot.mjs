// Axes, numbers and colours, with the notion of them that the pictures in files have
// (package reports/plot).

// levelTicks returns at most a number of round values, 1, 2 or 5 times a power of ten
// apart, that cover lo to hi.
export function levelTicks(lo, hi, most) {
	if (!(lo <= hi) || !isFinite(lo) || !isFinite(hi)) { lo = -1; hi = 1; }
	if (hi - lo < 1e-9 * Math.max(Math.abs(lo), Math.abs(hi)) || hi === lo) {
		const pad = Math.max(Math.abs(lo) * 1e-3, 1e-3);
		lo -= pad; hi += pad;
	}
	most = Math.max(most, 3);
	for (let e = Math.floor(Math.log10((hi - lo) / most)); ; e++) {
		for (const d of [1, 2, 5]) {
			const step = d * 10 ** e, slack = 1e-9;
			const first = Math.floor(lo / step + slack), last = Math.ceil(hi / step - slack);
			if (last - first + 1 > most) continue;
			return Array.from({ length: last - first + 1 }, (_, k) => (first + k) * step);
		}
	}
}

// frequencies are the labelled ones of an axis.
export const frequencies = [20, 50, 100, 200, 500, 1000, 2000, 5000, 10000, 20000];

// frequency writes a frequency as the trade does: 50, 1k, 12.5k.
export function frequency(hz) { return hz >= 1000 ? hz / 1000 + "k" : String(hz); }

// level writes a number with the decimals that ticks a step apart need, and a real
// minus sign.
export function level(v, step) {
	const decimals = step > 0 && step < 1 ? Math.ceil(-Math.log10(step) - 1e-9) : 0;
	let s = v.toFixed(decimals);
	if (/^-[0.]*$/.test(s)) s = s.slice(1);
	return s.replace("-", "−");
}

// signed writes a number with its sign.
export function signed(v, decimals) {
	const s = level(v, 10 ** -decimals);
	return v > 0 && /[1-9]/.test(s) ? "+" + s : s;
}

// colour returns a colour of the page by its custom property, such as "plot-blue".
export function colour(name) { return getComputedStyle(document.documentElement).getPropertyValue("--" + name).trim(); }

// diverging returns a table of count colours, packed for image data, from the lowest
// to the highest of the diverging palette.
export function diverging(count) {
	const stops = [];
	for (let i = 0; colour("plot-diverging-" + i); i++) {
		const hex = colour("plot-diverging-" + i);
		stops.push([1, 3, 5].map(k => parseInt(hex.slice(k, k + 2), 16)));
	}
	const out = new Uint32Array(count);
	for (let i = 0; i < count; i++) {
		const at = i / (count - 1) * (stops.length - 1), k = Math.min(Math.floor(at), stops.length - 2), t = at - k;
		const [r, g, b] = [0, 1, 2].map(c => Math.round(stops[k][c] * (1 - t) + stops[k + 1][c] * t));
		out[i] = packed(r, g, b);
	}
	return out;
}

const little = new Uint8Array(new Uint32Array([1]).buffer)[0] === 1;

// packed returns a colour as image data hold it.
export function packed(r, g, b, a = 255) {
	return (little ? a << 24 | b << 16 | g << 8 | r : r << 24 | g << 16 | b << 8 | a) >>> 0;
}
