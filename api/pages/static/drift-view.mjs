// How the drift map lies on its canvas, and how it is drawn.
import { levelAt, mean, none } from "./drift-data.mjs";
import { colour, diverging, frequencies, frequency, packed } from "./plot.mjs";

export const reach = 6; // sigmas at which the colours end
export const nearest = 28; // pixels to a unit when seen from nearest
const dark = 40; // tenths of a sigma from which a black strike would not be seen
const band = 10; // a label needs so much room

// tracks stand above the map.
export const tracks = { lots: { y: 0, h: 18 }, parts: { y: 20, h: 16 }, limits: { y: 37, h: 16 }, verdicts: { y: 56, h: 16 } };
const head = 76;

// scoreColours returns the colour of every score, by score + 128.
export function scoreColours() {
	const steps = 2 * 10 * reach + 1, ramp = diverging(steps), out = new Uint32Array(256);
	for (let z = -127; z <= 127; z++) out[z + 128] = ramp[Math.max(0, Math.min(steps - 1, z + 10 * reach))];
	out[none + 128] = packed(0x9a, 0xa4, 0xad);
	return out;
}

// layout places the rows of the chosen groups. Bands rise from bottom to top.
export function layout(data, width, groups) {
	const blocks = [];
	let y = head;
	for (const name of groups) {
		const rows = data.head.streams.map((s, i) => i).filter(i => data.head.streams[i].group === name);
		if (!rows.length) continue;
		if (name !== "scalars") rows.reverse();
		const h = groups.length === 1 ? 16 : name === "scalars" ? 14 : 5;
		blocks.push({ name, rows, y, h });
		y += rows.length * h + 10;
	}
	const left = width < 500 ? 74 : 132;
	return { blocks, left, width: Math.max(50, width - left - 2), bottom: y - 10, height: y + 18 };
}

// rowAt returns the stream at a height, or the nearest one.
export function rowAt(lay, y) {
	let best = lay.blocks[0].rows[0], away = Infinity;
	for (const b of lay.blocks) {
		const k = Math.max(0, Math.min(b.rows.length - 1, Math.floor((y - b.y) / b.h)));
		const mid = b.y + (k + 0.5) * b.h, d = Math.abs(mid - y);
		if (d < away) { away = d; best = b.rows[k]; }
	}
	return best;
}

// heightOf returns the top and height of a stream's row.
export function heightOf(lay, row) {
	for (const b of lay.blocks) {
		const k = b.rows.indexOf(row);
		if (k >= 0) return { y: b.y + k * b.h, h: b.h };
	}
	return null;
}

// fold returns k for 2^k units to a column, so that a column is 1 to 2 device pixels
// wide at least and none is lost.
export function fold(view) { return Math.max(0, Math.ceil(Math.log2(view.perPixel / view.ratio) - 1e-9)); }

// A Painter draws the map on a canvas. It keeps two small pictures with a pixel for
// every cell in sight, which the canvas stretches.
export class Painter {
	constructor(canvas) {
		this.canvas = canvas;
		this.to = canvas.getContext("2d", { alpha: false });
		this.cells = document.createElement("canvas");
		this.strikes = document.createElement("canvas");
		this.widths = new Map();
		this.colours = scoreColours();
		this.theme();
	}

	theme() {
		this.ink = colour("ink"); this.soft = colour("soft"); this.line = colour("line"); this.sheet = colour("sheet");
		this.link = colour("link"); this.strikeOn = [packed(0, 0, 0), packed(255, 255, 255)];
		this.looks = { f: colour("bad"), d: colour("plot-orange"), h: colour("plot-purple"), r: colour("plot-sky") };
	}

	draw(data, lay, view, cursor) {
		const c = this.to, { ratio } = view;
		const w = Math.round((lay.left + lay.width + 2) * ratio), h = Math.round(lay.height * ratio);
		if (this.canvas.width !== w || this.canvas.height !== h) { this.canvas.width = w; this.canvas.height = h; }
		c.setTransform(ratio, 0, 0, ratio, 0, 0);
		c.fillStyle = this.sheet;
		c.fillRect(0, 0, lay.left + lay.width + 2, lay.height);
		c.font = "11px system-ui, sans-serif";
		c.textBaseline = "middle";
		this.labels(data, lay);
		c.save();
		c.beginPath();
		c.rect(lay.left, 0, lay.width, lay.height);
		c.clip();
		this.map(data, lay, view);
		this.tracks(data, lay, view);
		if (cursor) this.cursor(lay, view, cursor);
		c.restore();
		this.place(data, lay, view);
	}

	map(data, lay, view) {
		const c = this.to, k = fold(view), size = 2 ** k, level = levelAt(data, k);
		const from = Math.max(0, Math.floor(view.first / size));
		const to = Math.min(level.width, Math.ceil((view.first + lay.width * view.perPixel) / size));
		const n = to - from;
		if (n <= 0) return;
		const have = this.have, fits = have && have.data === data && have.lay === lay && have.k === k && have.mean === view.mean && have.from <= from && have.to >= to;
		if (!fits) this.picture(data, level, lay, view, k, Math.max(0, from - n), Math.min(level.width, to + n));
		const { from: start, struck } = this.have;
		c.imageSmoothingEnabled = false;
		const x = lay.left + (from * size - view.first) / view.perPixel, w = n * size / view.perPixel;
		let row = 0;
		for (const b of lay.blocks) {
			const count = b.rows.length;
			c.drawImage(this.cells, from - start, row, n, count, x, b.y, w, count * b.h);
			if (struck.has(b)) c.drawImage(this.strikes, from - start, 3 * row, n, 3 * count, x, b.y, w, count * b.h);
			row += count;
		}
	}

	// picture makes the two small pictures of all rows, wider than what is in sight, so
	// that moving along needs no other for a while.
	picture(data, level, lay, view, k, from, to) {
		const n = to - from, size = 2 ** k, rows = lay.blocks.flatMap(b => b.rows.map(r => [r, b])), struck = new Set();
		this.cells.width = this.strikes.width = n;
		this.cells.height = rows.length;
		this.strikes.height = 3 * rows.length;
		const image = new ImageData(n, rows.length), marks = new ImageData(n, 3 * rows.length);
		const px = new Uint32Array(image.data.buffer), mk = new Uint32Array(marks.data.buffer);
		rows.forEach(([row, block], r) => {
			const at = row * level.width + from, out = r * n, middle = (3 * r + 1) * n;
			for (let i = 0; i < n; i++) {
				let z = level.scores[at + i];
				if (view.mean && k > 0) z = mean(data, row, (from + i) * size, Math.min(data.units, (from + i + 1) * size));
				px[out + i] = this.colours[z + 128];
				if (level.fired[at + i]) { mk[middle + i] = this.strikeOn[Math.abs(z) > dark ? 1 : 0]; struck.add(block); }
			}
		});
		this.cells.getContext("2d").putImageData(image, 0, 0);
		if (struck.size) this.strikes.getContext("2d").putImageData(marks, 0, 0);
		this.have = { data, lay, k, mean: view.mean, from, to, struck };
	}

	// wide measures a text once.
	wide(text) {
		let w = this.widths.get(text);
		if (w === undefined) this.widths.set(text, w = this.to.measureText(text).width);
		return w;
	}

	labels(data, lay) {
		const c = this.to;
		for (const b of lay.blocks) {
			c.textAlign = "right";
			let free = Infinity;
			const mid = k => b.y + (k + 0.5) * b.h;
			for (let k = b.rows.length - 1; k >= 0; k--) {
				const s = data.head.streams[b.rows[k]];
				const text = b.name === "scalars" ? short(s.title, lay.left < 100) : frequency(s.hz);
				if (b.name !== "scalars" && b.h < band && !frequencies.includes(s.hz) || free - mid(k) < band) continue;
				free = mid(k);
				c.fillStyle = this.soft;
				c.fillText(text, lay.left - 6, mid(k), lay.left - 8);
			}
			if (b.name === "scalars") continue;
			c.save();
			c.translate(9, b.y + b.rows.length * b.h / 2);
			c.rotate(-Math.PI / 2);
			c.textAlign = "center";
			c.fillStyle = this.ink;
			c.fillText(b.name + ", Hz", 0, 0);
			c.restore();
		}
		c.textAlign = "right";
		c.fillStyle = this.soft;
		for (const [name, t] of Object.entries(tracks)) c.fillText({ lots: "lot", parts: "parts change", limits: "limits", verdicts: "verdict" }[name], lay.left - 6, t.y + t.h / 2, lay.left - 8);
	}

	tracks(data, lay, view) {
		const c = this.to, at = u => lay.left + (u - view.first) / view.perPixel;
		const last = data.units, edge = lay.left + lay.width;
		c.textAlign = "left";
		data.head.lots.forEach((l, i) => {
			const x = at(l.first), end = Math.min(edge, at(data.head.lots[i + 1]?.first ?? last));
			if (end < lay.left || x > edge) return;
			c.fillStyle = i % 2 ? this.line : this.sheet;
			c.fillRect(x, tracks.lots.y, end - x, tracks.lots.h);
			c.strokeStyle = this.line;
			c.strokeRect(x + 0.5, tracks.lots.y + 0.5, Math.max(0, end - x - 1), tracks.lots.h - 1);
			const from = Math.max(x, lay.left) + 4;
			if (end - from > 12 && end - from >= this.wide(l.lot) + 4) { c.fillStyle = this.ink; c.fillText(l.lot, from, tracks.lots.y + tracks.lots.h / 2); }
		});
		this.parts(data, lay, at);
		for (const [k, s] of data.head.sections.entries()) {
			const x = at(s.first), next = data.head.sections[k + 1], name = s.version ? "set " + s.version : "no set yet";
			if (x > edge) continue;
			c.fillStyle = this.ink;
			const from = Math.max(x, lay.left) + 4;
			if (!next || at(next.first) - from > this.wide(name)) c.fillText(name, from, tracks.limits.y + tracks.limits.h / 2);
			if (!s.starts) continue;
			c.strokeStyle = this.ink;
			c.setLineDash([5, 3]);
			c.beginPath();
			c.moveTo(x, tracks.limits.y);
			c.lineTo(x, lay.bottom);
			c.stroke();
			c.setLineDash([]);
		}
		this.verdicts(data, lay, view, at);
	}

	parts(data, lay, at) {
		const c = this.to, { y, h } = tracks.parts;
		let free = -Infinity;
		data.head.parts.forEach((p, i) => {
			const x = at(p.index);
			if (x < lay.left - 150 || x > lay.left + lay.width) return;
			c.fillStyle = this.link;
			c.beginPath();
			c.moveTo(x - 4, y + 4);
			c.lineTo(x + 4, y + 4);
			c.lineTo(x, y + h - 1);
			c.fill();
			c.fillStyle = this.ink;
			const text = p.kind, w = this.wide(text);
			let next = data.head.parts[i + 1];
			for (let j = i + 2; next && next.index === p.index; j++) next = data.head.parts[j];
			if (x > free && (!next || at(next.index) - x > w + 14)) { c.fillText(text, x + 7, y + h / 2); free = x + w + 10; }
		});
	}

	verdicts(data, lay, view, at) {
		const c = this.to, { y, h } = tracks.verdicts;
		const from = Math.max(0, Math.floor(view.first)), to = Math.min(data.units, Math.ceil(view.first + lay.width * view.perPixel));
		const wide = 1 / view.perPixel, signs = { f: "✗", d: "≈", h: "‖", r: "↔" };
		c.textAlign = "center";
		for (let i = from; i < to; i++) {
			const v = data.head.verdicts[i];
			if (v === "p") continue;
			const x = at(i), tall = v === "f" ? h : h / 2;
			c.fillStyle = this.looks[v];
			if (wide < 10) { c.fillRect(x, y + h - tall, Math.max(1.5, wide), tall); continue; }
			c.fillText(signs[v], x + wide / 2, y + h / 2);
		}
	}

	cursor(lay, view, cursor) {
		const c = this.to, size = 2 ** fold(view), place = heightOf(lay, cursor.row);
		if (!place) return;
		const unit = Math.floor(cursor.unit / size) * size;
		const x = lay.left + (unit - view.first) / view.perPixel, w = Math.max(3, size / view.perPixel);
		c.lineWidth = 3;
		c.strokeStyle = this.sheet;
		c.strokeRect(x - 1.5, place.y - 1.5, w + 3, place.h + 3);
		c.lineWidth = 1.5;
		c.strokeStyle = this.ink;
		c.strokeRect(x - 1.5, place.y - 1.5, w + 3, place.h + 3);
		c.lineWidth = 1;
	}

	// place shows which part of all units is in sight.
	place(data, lay, view) {
		const c = this.to, y = lay.bottom + 8, scale = lay.width / Math.max(data.units, 1);
		c.fillStyle = this.line;
		c.fillRect(lay.left, y + 2, lay.width, 2);
		const x = Math.max(0, view.first * scale), w = Math.min(lay.width - x, lay.width * view.perPixel * scale);
		c.fillStyle = this.soft;
		c.fillRect(lay.left + x, y, Math.max(4, w), 6);
	}
}

// short abbreviates a scalar's title where there is little room.
function short(title, little) {
	return little ? title.replace("sensitivity", "sens.").replace("roughness", "rough.") : title;
}
