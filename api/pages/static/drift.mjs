// The drift map: pointer, wheel, two fingers and keys, and everything in words.
import { decode, farthest, levelAt, mean, none, section } from "./drift-data.mjs";
import { Painter, fold, heightOf, layout, nearest, reach, rowAt, scoreColours } from "./drift-view.mjs";
import { signed } from "./plot.mjs";

const words = { p: "pass", f: "fail", d: "doubtful", h: "hold", r: "reseat" };
const $ = id => document.getElementById(id);
const host = $("drift"), canvas = $("drift-map"), say = $("drift-say");
const view = { first: 0, perPixel: 1, ratio: 1, mean: false };
let data, lay, painter, cursor, due = false;

// load fetches the map; a view of the newest units stays there.
async function load() {
	const answer = await fetch(host.dataset.source, { headers: { "X-Alike-Renewal": "1" } });
	if (!answer.ok) {
		const problem = await answer.json().catch(() => null);
		throw new Error(problem?.detail || "status " + answer.status);
	}
	const buffer = await answer.arrayBuffer();
	performance.mark("drift-arrived");
	const before = data, atEnd = before && view.first + lay.width * view.perPixel >= before.units - 0.5;
	data = decode(buffer);
	if (!data.units) {
		$("drift-wait").textContent = "No unit of " + data.head.product + " is judged yet: the map begins with the first one.";
		data = before;
		return;
	}
	const earlier = $("drift-earlier"), address = new URL(location.href);
	address.searchParams.set("up_to", data.head.places[0] - 1);
	earlier.href = address.href;
	earlier.hidden = !data.head.earlier;
	host.hidden = false;
	$("drift-wait").hidden = true;
	resize();
	if (!before) whole();
	else if (atEnd) { if (view.first <= 0) whole(); else move(data.units - before.units); }
	sections();
	request();
}

function groups() {
	const chosen = $("drift-rows").value;
	return chosen ? [chosen] : [...new Set(data.head.streams.map(s => s.group))];
}

function resize() {
	if (!data) return;
	const width = canvas.parentElement.clientWidth;
	view.ratio = Math.min(2, devicePixelRatio || 1);
	lay = layout(data, width, groups());
	canvas.style.width = width + "px";
	canvas.style.height = lay.height + "px";
	if (cursor && !heightOf(lay, cursor.row)) cursor.row = lay.blocks[0].rows[0];
	zoomTo(view.perPixel, 0);
}

function whole() {
	view.first = 0;
	view.perPixel = Math.max(data.units / lay.width, 1 / nearest);
	request();
}

function move(units) {
	view.first = Math.max(0, Math.min(view.first + units, data.units - lay.width * view.perPixel));
	view.first = Math.max(0, view.first);
	request();
}

// zoomTo changes the scale and keeps the unit under a pixel where it is.
function zoomTo(perPixel, pixel) {
	const widest = Math.max(data.units / lay.width, 1 / nearest);
	perPixel = Math.max(1 / nearest, Math.min(widest, perPixel));
	view.first += pixel * (view.perPixel - perPixel);
	view.perPixel = perPixel;
	move(0);
}

function request() {
	if (due) return;
	due = true;
	requestAnimationFrame(paint);
}

function paint() {
	due = false;
	if (!data) return;
	painter ||= new Painter(canvas);
	painter.draw(data, lay, view, cursor);
	tellScale();
	if (!performance.getEntriesByName("drift-painted").length) requestAnimationFrame(() => performance.mark("drift-painted"));
}

function tellScale() {
	const n = 2 ** fold(view), how = view.mean ? "their mean" : "the most extreme of them";
	const text = n === 1 ? "Each column is one unit." : `Each column stands for ${n} units: its colour is ${how}.`;
	if ($("drift-scale").textContent !== text) $("drift-scale").textContent = text;
}

// sections says what the colours are held against.
function sections() {
	const list = $("drift-sections");
	list.replaceChildren(...data.head.sections.map(s => {
		const li = document.createElement("li"), first = data.head.serials[s.first];
		li.textContent = s.version
			? `From ${first} on: limit set ${s.version} (${s.reason}). Its limits lie at ±${s.width.toFixed(1)} sigmas.`
			: `From ${first} on: no limit set was in force.${s.learnt < 0 ? "" : ` Limits are still being learnt (${s.learnt} unit${s.learnt === 1 ? "" : "s"}): signals are those of charts that learn as they go.`} These units are held against the median and the spread (1.4826 times the median absolute deviation) of the first 500 of them at most.`;
		return li;
	}));
}

// tell reads the cell under the cursor.
function tell() {
	const { head } = data, n = 2 ** fold(view), from = Math.floor(cursor.unit / n) * n, to = Math.min(data.units, from + n);
	const stream = head.streams[cursor.row], best = farthest(data, cursor.row, from, to);
	cursor.best = n === 1 ? from : best;
	const z = data.scores[cursor.row * data.units + cursor.best], sec = section(data, cursor.best);
	let text = `${head.serials[cursor.best]}, ${stream.title}: `;
	if (z === none) text += "no value";
	else {
		const far = Math.abs(z) === 127, sigma = sec.sigma[cursor.row];
		text += `${far ? "beyond " : ""}${signed(z / 10, 1)} sigmas`;
		if (sigma) text += `, ${far ? "more than" : "about"} ${signed(z / 10 * sigma, 2)} dB from the ${sec.version ? "centre" : "median"}`;
	}
	const fired = data.fired[cursor.row * data.units + cursor.best];
	for (let k = 0; k < head.rules.length; k++) if (fired >> k & 1) text += `. ${sec.texts[head.rules[k]] || head.rules[k]}`.replace(/\.$/, "");
	text += `. First verdict: ${words[head.verdicts[cursor.best]]}.`;
	if (n > 1) {
		text = `Most extreme of ${to - from} units: ` + text;
		if (view.mean) {
			const m = mean(data, cursor.row, from, to);
			if (m !== none) text += ` Mean of the column: ${signed(m / 10, 1)} sigmas.`;
		}
	}
	say.textContent = text;
	const unit = $("drift-unit"), chart = $("drift-stream");
	unit.href = unitPath(cursor.best);
	unit.textContent = "Unit " + head.serials[cursor.best];
	chart.href = "/streams/" + encodeURIComponent(head.product) + "/" + stream.key.split("/").map(encodeURIComponent).join("/") + "?to=" + head.places[cursor.best];
	chart.textContent = "Chart of " + stream.title;
	$("drift-links").hidden = false;
}

function unitPath(i) { return "/units/" + encodeURIComponent(data.head.serials[i]); }

function point(e) {
	const box = canvas.getBoundingClientRect();
	return { x: e.clientX - box.left - lay.left, y: e.clientY - box.top };
}

function cellAt(p) {
	const unit = Math.floor(view.first + p.x * view.perPixel);
	return p.x < 0 || p.x > lay.width || unit < 0 || unit >= data.units ? null : { unit, row: rowAt(lay, p.y) };
}

function setCursor(c) {
	if (!c || cursor && cursor.unit === c.unit && cursor.row === c.row) return;
	cursor = c;
	tell();
	request();
}

// Pointers: one drags, two pinch, a click without a drag opens the unit. A finger
// cannot hover: its tap reads the cell, and the links below open it.
const down = new Map();
let dragged = 0;
canvas.addEventListener("pointerdown", e => {
	if (!data) return;
	canvas.setPointerCapture(e.pointerId);
	down.set(e.pointerId, point(e));
	if (down.size === 1) dragged = 0;
});
canvas.addEventListener("pointermove", e => {
	if (!data) return;
	const was = down.get(e.pointerId), now = point(e);
	if (!was) { setCursor(cellAt(now)); return; }
	if (down.size === 1) {
		dragged += Math.abs(now.x - was.x) + Math.abs(now.y - was.y);
		if (dragged > 4) move((was.x - now.x) * view.perPixel);
	} else if (down.size === 2) {
		dragged = 100;
		const other = [...down].find(([id]) => id !== e.pointerId)[1];
		const before = Math.max(8, Math.abs(was.x - other.x)), after = Math.max(8, Math.abs(now.x - other.x));
		zoomTo(view.perPixel * before / after, (now.x + other.x) / 2);
	}
	down.set(e.pointerId, now);
});
for (const kind of ["pointerup", "pointercancel"]) {
	canvas.addEventListener(kind, e => {
		const was = down.has(e.pointerId);
		down.delete(e.pointerId);
		if (!was || kind !== "pointerup" || down.size || dragged > 4) return;
		const c = cellAt(point(e));
		if (!c) return;
		cursor = null;
		setCursor(c);
		if (e.pointerType === "mouse" && e.button === 0) location.href = unitPath(cursor.best);
	});
}
canvas.addEventListener("wheel", e => {
	if (!data) return;
	e.preventDefault();
	if (Math.abs(e.deltaX) > Math.abs(e.deltaY)) move(e.deltaX * view.perPixel);
	else zoomTo(view.perPixel * Math.exp(Math.max(-1, Math.min(1, e.deltaY / 300))), point(e).x);
}, { passive: false });

// step moves the cursor and keeps it in sight.
function step(columns, rows) {
	if (!data?.units) return;
	if (!cursor) { setCursor({ unit: Math.min(data.units - 1, Math.max(0, Math.floor(view.first))), row: lay.blocks[0].rows[0] }); return; }
	const n = 2 ** fold(view), order = lay.blocks.flatMap(b => b.rows);
	const unit = columns ? Math.max(0, Math.min(data.units - 1, (Math.floor(cursor.unit / n) + columns) * n)) : cursor.unit;
	const row = order[Math.max(0, Math.min(order.length - 1, order.indexOf(cursor.row) + rows))];
	setCursor({ unit, row });
	reveal();
}

function reveal() {
	const last = view.first + lay.width * view.perPixel, n = 2 ** fold(view);
	if (cursor.unit < view.first) move(cursor.unit - view.first);
	else if (cursor.unit + n > last) move(cursor.unit + n - last);
}

// signal moves to the next unit on either side at which a rule fired, in any row in
// sight.
function signal(way) {
	if (!data?.units) return;
	const rows = lay.blocks.flatMap(b => b.rows), start = cursor ? cursor.best ?? cursor.unit : way > 0 ? -1 : data.units;
	for (let i = start + way; i >= 0 && i < data.units; i += way) {
		const hit = rows.filter(r => data.fired[r * data.units + i]);
		if (!hit.length) continue;
		const row = hit.reduce((a, b) => Math.abs(data.scores[b * data.units + i]) > Math.abs(data.scores[a * data.units + i]) ? b : a);
		if (fold(view) > 0) zoomTo(0.5 * view.ratio, 0);
		setCursor({ unit: i, row });
		reveal();
		return;
	}
	say.textContent = way > 0 ? "No rule fired at a later unit." : "No rule fired at an earlier unit.";
}

const part = () => lay.width * view.perPixel / 3, middle = () => cursor ? (cursor.unit - view.first) / view.perPixel : lay.width / 2;
const deeds = {
	earlier: () => move(-part()), later: () => move(part()), closer: () => zoomTo(view.perPixel / 1.6, middle()),
	wider: () => zoomTo(view.perPixel * 1.6, middle()), whole, next: () => signal(1), previous: () => signal(-1),
};
for (const b of document.querySelectorAll("button[data-deed]")) b.addEventListener("click", () => { if (data) deeds[b.dataset.deed](); });
const keys = {
	ArrowLeft: e => step(e.shiftKey ? -10 : -1, 0), ArrowRight: e => step(e.shiftKey ? 10 : 1, 0),
	ArrowUp: e => step(0, e.shiftKey ? -5 : -1), ArrowDown: e => step(0, e.shiftKey ? 5 : 1),
	PageUp: deeds.earlier, PageDown: deeds.later, Home: () => { move(-data.units); }, End: () => move(data.units),
	"+": deeds.closer, "=": deeds.closer, "-": deeds.wider, "0": whole, n: deeds.next, p: deeds.previous,
	Enter: () => { if (cursor) location.href = unitPath(cursor.best); },
	c: () => { if (cursor) location.href = $("drift-stream").href; },
};
canvas.addEventListener("keydown", e => {
	if (!data || e.ctrlKey || e.altKey || e.metaKey || !keys[e.key]) return;
	e.preventDefault();
	keys[e.key](e);
});
canvas.addEventListener("focus", () => { if (data && !cursor) step(0, 0); });

$("drift-rows").addEventListener("change", () => { resize(); request(); });
$("drift-fold").addEventListener("change", e => { view.mean = e.target.value === "mean"; if (cursor) tell(); request(); });
new ResizeObserver(() => { resize(); request(); }).observe(canvas.parentElement);
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { painter?.theme(); request(); });

// Another unit may come at any time: the map renews itself, a large one less often.
let waits = null;
document.addEventListener("renewed", () => {
	if (host.dataset.fixed || waits) return;
	waits = setTimeout(() => { waits = null; load().catch(() => {}); }, data?.units > 3000 ? 15000 : 300);
});

legend();
load().catch(err => { $("drift-wait").textContent = "The map cannot be shown: " + err.message + ". The table says the same."; });

function legend() {
	const strip = $("drift-legend"), c = strip.getContext("2d"), colours = scoreColours();
	const image = new ImageData(2 * 10 * reach + 1, 1), px = new Uint32Array(image.data.buffer);
	for (let i = 0; i < px.length; i++) px[i] = colours[i - 10 * reach + 128];
	strip.width = px.length;
	strip.height = 1;
	c.putImageData(image, 0, 0);
}

// What a measuring script asks for.
host.drift = { get view() { return view; }, get data() { return data; }, get lay() { return lay; }, move, zoomTo, paint, levelAt: k => levelAt(data, k) };
