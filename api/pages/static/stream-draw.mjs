// What the chart of a stream draws between its axes.
import { colour, level } from "./plot.mjs";

const dpr = () => devicePixelRatio || 1;

// shown returns the units in sight, from..to-1.
export function shown(u, n) {
	const { min, max } = u.scales.x;
	return [Math.max(0, Math.ceil(min ?? 0)), Math.min(n, Math.floor(max ?? n) + 1)];
}

// rulesOf numbers the rules in the order in which they fired first, each with a shape.
export function rulesOf(marks) {
	const shapes = ["diamond", "square", "triangle", "star", "x", "plus", "dash", "circle"], out = new Map();
	for (const m of marks) if (!out.has(m.rule)) out.set(m.rule, { number: out.size + 1, shape: shapes[out.size % shapes.length] });
	return out;
}

// clipped draws within the frame.
function clipped(u, draw) {
	const c = u.ctx;
	c.save();
	c.beginPath();
	c.rect(u.bbox.left, u.bbox.top, u.bbox.width, u.bbox.height);
	c.clip();
	draw(c, v => u.valToPos(v, "x", true), v => u.valToPos(v, "y", true));
	c.restore();
}

// drawLimits draws centre and limits of each section and where another set begins.
export function drawLimits(u, data, levels, main) {
	const n = data.values.length, ink = colour("ink"), soft = colour("soft");
	clipped(u, (c, x, y) => {
		data.sections.forEach((s, k) => {
			const from = x(s.first - 0.5), to = x((data.sections[k + 1]?.first ?? n) - 0.5);
			levels(s).forEach((v, i) => {
				if (v === null || !main && i === 0 || u.scales.y.distr === 3 && v <= 0) return;
				const center = main ? i === 0 : i === 1;
				c.strokeStyle = center ? soft : ink;
				c.lineWidth = (center ? 1 : 1.6) * dpr();
				c.setLineDash(center ? [] : [7 * dpr(), 4 * dpr()]);
				c.beginPath();
				c.moveTo(from, y(v));
				c.lineTo(to, y(v));
				c.stroke();
				if (k < data.sections.length - 1) return;
				c.fillStyle = soft;
				c.font = `${11 * dpr()}px system-ui, sans-serif`;
				c.textAlign = "left";
				c.textBaseline = "bottom";
				const name = (main ? ["centre", "lower", "upper"] : ["", "mean", "limit"])[i];
				const text = name + " " + level(v, 0.01);
				// A short last section leaves no room behind its beginning: end at the edge then.
				const last = u.bbox.left + u.bbox.width - c.measureText(text).width - 2 * dpr();
				c.fillText(text, Math.max(u.bbox.left, Math.min(Math.max(from, u.bbox.left) + 4 * dpr(), last)), y(v) - 1);
			});
			if (!s.starts) return;
			c.strokeStyle = ink;
			c.lineWidth = dpr();
			c.setLineDash([2 * dpr(), 3 * dpr()]);
			c.beginPath();
			c.moveTo(from, u.bbox.top);
			c.lineTo(from, u.bbox.top + u.bbox.height);
			c.stroke();
			if (!main) return;
			c.fillStyle = soft;
			c.font = `${11 * dpr()}px system-ui, sans-serif`;
			c.textAlign = "left";
			c.textBaseline = "bottom";
			c.fillText("set " + s.version, from + 4 * dpr(), u.bbox.top + u.bbox.height - 2 * dpr());
		});
	});
}

// drawChange shades the units at which the level may have moved.
export function drawChange(u, data, change) {
	clipped(u, (c, x) => {
		c.globalAlpha = 0.3;
		c.fillStyle = colour("plot-sky");
		for (let k = 0; k < change.indices.length; k++) {
			const first = change.indices[k];
			while (change.indices[k + 1] === change.indices[k] + 1) k++;
			const from = x(first - 0.5), to = x(change.indices[k] + 0.5);
			c.fillRect(from, u.bbox.top, Math.max(dpr(), to - from), u.bbox.height);
		}
		c.globalAlpha = 1;
		c.fillStyle = colour("plot-blue");
		c.fillRect(x(change.index - 0.5) - dpr(), u.bbox.top, 2 * dpr(), u.bbox.height);
	});
}

// drawPoints draws the values in sight, one by one, or where they are too many in
// columns from the smallest to the largest of their units with a dot at the mean.
export function drawPoints(u, values) {
	const [from, to] = shown(u, values.length), { min, max } = u.scales.x;
	const each = u.bbox.width / dpr() / (max - min), fold = each >= 2.5 ? 1 : 2 ** Math.ceil(Math.log2(2.5 / each));
	const blue = colour("plot-blue"), faint = colour("plot-faint");
	u.root.dataset.fold = fold;
	clipped(u, (c, x, y) => {
		c.setLineDash([]);
		c.strokeStyle = faint;
		c.fillStyle = blue;
		if (fold === 1) {
			c.lineWidth = dpr();
			c.beginPath();
			let pen = false;
			for (let i = Math.max(0, from - 1); i < Math.min(values.length, to + 1); i++) {
				if (values[i] === null) { pen = false; continue; }
				if (pen) c.lineTo(x(i), y(values[i])); else c.moveTo(x(i), y(values[i]));
				pen = true;
			}
			c.stroke();
			const r = (each > 6 ? 3 : 2) * dpr();
			for (let i = from; i < to; i++) if (values[i] !== null) dot(c, x(i), y(values[i]), r);
			return;
		}
		c.lineWidth = Math.max(1, 1.6 * dpr());
		for (let i = Math.floor(from / fold) * fold; i < to; i += fold) {
			let lo = Infinity, hi = -Infinity, sum = 0, n = 0;
			for (let k = i; k < Math.min(values.length, i + fold); k++) {
				const v = values[k];
				if (v !== null) { lo = Math.min(lo, v); hi = Math.max(hi, v); sum += v; n++; }
			}
			if (!n) continue;
			const at = x(i + (Math.min(fold, values.length - i) - 1) / 2);
			c.beginPath();
			c.moveTo(at, y(lo));
			c.lineTo(at, y(hi));
			c.stroke();
			dot(c, at, y(sum / n), 1.4 * dpr());
		}
	});
	const note = document.getElementById("stream-scale");
	const text = fold === 1 ? "Each point is one unit." : `Each column is ${fold} units: from the smallest to the largest, the dot is their mean. Every signal is drawn by itself.`;
	if (note && note.textContent !== text) note.textContent = text;
}

function dot(c, x, y, r) {
	c.beginPath();
	c.arc(x, y, r, 0, 7);
	c.fill();
}

// drawMarks draws every point at which a rule fired, with the numbers of its rules; on
// the moving range every one above its limit.
export function drawMarks(u, data, values, main) {
	const [from, to] = shown(u, values.length);
	clipped(u, (c, x, y) => {
		c.strokeStyle = colour("bad");
		c.fillStyle = colour("bad");
		c.lineWidth = 1.6 * dpr();
		c.setLineDash([]);
		if (!main) {
			let k = 0;
			for (let i = from; i < to; i++) {
				while (k + 1 < data.sections.length && data.sections[k + 1].first <= i) k++;
				const high = data.sections[k].range_high;
				if (high !== null && values[i] > high) shape(c, "circle", x(i), y(values[i]), 6 * dpr());
			}
			return;
		}
		// Where units stand closer than shapes are wide, one shape stands for its place and
		// what would lie on it is a dot: each signal is still seen, and its rules are named
		// where their numbers fit.
		const { min, max } = u.scales.x, r = 6.5 * dpr(), tight = u.bbox.width / (max - min) < 2 * r;
		const numbers = new Map();
		let last = null;
		for (const m of data.marks) {
			if (m.index < from || m.index >= to || values[m.index] === null) continue;
			const rule = data.rules.get(m.rule), at = { x: x(m.index), y: y(values[m.index]) };
			if (tight && last && Math.hypot(at.x - last.x, at.y - last.y) < 2.2 * r) dot(c, at.x, at.y, 2 * dpr());
			else shape(c, rule.shape, (last = at).x, at.y, tight ? 0.8 * r : r);
			numbers.set(m.index, [...(numbers.get(m.index) || []), rule.number]);
		}
		c.font = `bold ${10.5 * dpr()}px system-ui, sans-serif`;
		c.textAlign = "center";
		c.textBaseline = "bottom";
		let said = { right: -Infinity, text: "" };
		for (const [i, of] of [...numbers].sort((a, b) => a[0] - b[0])) {
			const text = of.sort((a, b) => a - b).join("·"), half = c.measureText(text).width / 2;
			const bottom = Math.max(u.bbox.top + 12 * dpr(), y(values[i]) - 9 * dpr());
			if (x(i) - half < said.right + (text === said.text ? 9 : 3) * dpr()) continue;
			c.fillText(text, x(i), bottom);
			said = { right: x(i) + half, text };
		}
	});
}

function shape(c, name, x, y, r) {
	const poly = (corners, size, turn = 0, inner = 1) => {
		c.beginPath();
		for (let i = 0; i < corners; i++) {
			const a = turn + 2 * Math.PI * i / corners, k = size * (i % 2 ? inner : 1);
			c.lineTo(x + k * Math.sin(a), y - k * Math.cos(a));
		}
		c.closePath();
		c.stroke();
	};
	const lines = pairs => { c.beginPath(); for (const [a, b, d, e] of pairs) { c.moveTo(x + a, y + b); c.lineTo(x + d, y + e); } c.stroke(); };
	const d = 0.85 * r;
	switch (name) {
	case "diamond": return poly(4, 1.15 * r);
	case "square": return poly(4, 1.25 * r, Math.PI / 4);
	case "triangle": return poly(3, 1.3 * r);
	case "star": return poly(10, 1.4 * r, 0, 0.45);
	case "x": return lines([[-d, -d, d, d], [-d, d, d, -d]]);
	case "plus": return lines([[-r, 0, r, 0], [0, -r, 0, r]]);
	case "dash": return c.strokeRect(x - 1.2 * r, y - 0.4 * r, 2.4 * r, 0.8 * r);
	}
	c.beginPath();
	c.arc(x, y, r, 0, 7);
	c.stroke();
}

