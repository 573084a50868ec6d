// The control chart of one stream, with its moving range below.
import { drawChange, drawLimits, drawMarks, drawPoints, rulesOf, shown } from "./stream-draw.mjs";
import { colour, level, levelTicks } from "./plot.mjs";

/* global uPlot */
const $ = id => document.getElementById(id);
const host = $("stream"), frame = $("stream-frame"), say = $("stream-say");
let data, charts = [], at = null, change = null;

async function load() {
	const answer = await fetch(host.dataset.source + "&limit=" + $("stream-units").value);
	const got = await answer.json();
	if (!answer.ok) throw new Error(got.detail || "status " + answer.status);
	const before = data, whole = !charts.length || charts[0].scales.x.max >= before.values.length - 0.6 && charts[0].scales.x.min < 0;
	data = got;
	data.ranges = data.values.map((v, i) => i && v !== null && data.values[i - 1] !== null ? Math.abs(v - data.values[i - 1]) : null);
	data.rules = rulesOf(data.marks);
	if (!data.values.length) { $("stream-wait").textContent = "No unit has a value of this stream yet."; return; }
	$("stream-wait").hidden = true;
	host.hidden = false;
	if (!charts.length || before?.values.length !== data.values.length) build(whole ? null : [charts[0].scales.x.min, charts[0].scales.x.max]);
	else charts.forEach(u => u.redraw());
}

// yScale is the vertical axis of a chart: what is in sight and the limits there, in
// round numbers, or decades.
function yScale(values, levels, main) {
	const log = $("stream-log")?.checked;
	const span = u => {
		const [from, to] = shown(u, data.values.length);
		let lo = Infinity, hi = -Infinity;
		const take = v => { if (v !== null && v !== undefined && !(log && v <= 0)) { lo = Math.min(lo, v); hi = Math.max(hi, v); } };
		for (let i = from; i < to; i++) take(values()[i]);
		for (const s of data.sections.filter((s, k) => s.first < to && (data.sections[k + 1]?.first ?? Infinity) > from)) levels(s).forEach(take);
		return lo <= hi ? [lo, hi] : log ? [0.1, 1] : [-1, 1];
	};
	const decades = (lo, hi) => {
		const out = [];
		for (let e = Math.floor(Math.log10(lo)); e <= Math.ceil(Math.log10(hi)); e++) for (const d of [1, 2, 5]) out.push(d * 10 ** e);
		return out;
	};
	return {
		scale: {
			distr: log ? 3 : 1, auto: true,
			range: u => {
				const [lo, hi] = span(u);
				if (log) return [decades(lo, hi).findLast(d => d <= lo), decades(lo, hi).find(d => d >= hi)];
				const ticks = levelTicks(main ? lo - 0.04 * (hi - lo) : 0, hi + 0.08 * (hi - lo), main ? 9 : 5);
				return [ticks[0], ticks.at(-1)];
			},
		},
		splits: (u, axis, lo, hi) => log ? decades(lo, hi).filter(d => d >= lo * 0.999 && d <= hi * 1.001) : levelTicks(lo, hi, main ? 9 : 5),
		values: (u, ticks) => ticks.map((t, i) => level(t, log ? 10 ** Math.floor(Math.log10(t)) : ticks[1] - ticks[0])),
	};
}

function build(range) {
	charts.forEach(u => u.destroy());
	frame.replaceChildren();
	const n = data.values.length;
	charts = [
		chart(data.title + (data.unit ? ", " + data.unit : ""), 330, () => data.values, s => [s.center, s.lower, s.upper], true),
		chart("moving range, dB", 170, () => data.ranges, s => [0, s.range_mean, s.range_high], false),
	];
	setRange(...(range || [-0.5, n - 0.5]));
	performance.mark("stream-painted");
}

function chart(title, height, values, levels, main) {
	const y = yScale(values, levels, main), soft = colour("soft"), line = colour("line");
	const axis = { stroke: soft, grid: { stroke: line, width: 1 }, ticks: { stroke: line }, font: "12px system-ui, sans-serif" };
	const width = frame.clientWidth;
	const u = new uPlot({
		width, height, title, legend: { show: false }, pxAlign: 0,
		scales: { x: { time: false, auto: false, min: -0.5, max: data.values.length - 0.5 }, y: y.scale },
		cursor: { y: false, drag: { x: true, y: false, setScale: false }, sync: { key: "stream", setSeries: false, scales: ["x", null] }, points: { show: false } },
		axes: [
			{ ...axis, space: 110, show: true, splits: (u, a, lo, hi) => unitTicks(lo, hi, width), values: (u, ticks) => ticks.map(i => short(data.serials[i])) },
			{ ...axis, size: 58, splits: y.splits, values: y.values },
		],
		series: [{}, { paths: () => null, points: { show: false } }],
		hooks: {
			drawAxes: [u => { if (main && change?.shown) drawChange(u, data, change); drawLimits(u, data, levels, main); }],
			draw: [u => {
				drawPoints(u, values());
				drawMarks(u, data, values(), main);
			}],
			setCursor: [u => { if (u.cursor.idx !== null && u.cursor.left >= 0 && u.cursor.event) tell(Math.round(u.posToVal(u.cursor.left, "x"))); }],
			setSelect: [u => {
				if (u.select.width < 4) return;
				setRange(u.posToVal(u.select.left, "x"), u.posToVal(u.select.left + u.select.width, "x"));
				charts.forEach(c => c.setSelect({ left: 0, width: 0, top: 0, height: 0 }, false));
			}],
		},
	}, [data.values.map((_, i) => i), values()], frame);
	u.root.querySelector("canvas").setAttribute("aria-hidden", "true");
	u.over.addEventListener("dblclick", () => setRange(-0.5, data.values.length - 0.5));
	u.over.addEventListener("wheel", e => {
		e.preventDefault();
		if (Math.abs(e.deltaX) > Math.abs(e.deltaY)) shift(e.deltaX / u.over.clientWidth);
		else zoom(Math.exp(Math.max(-1, Math.min(1, e.deltaY / 300))), u.posToVal(e.offsetX, "x"));
	}, { passive: false });
	fingers(u);
	return u;
}

// fingers lets one finger move along and two change the scale.
function fingers(u) {
	const down = new Map();
	u.over.addEventListener("pointerdown", e => { if (e.pointerType === "touch") down.set(e.pointerId, e.clientX); });
	u.over.addEventListener("pointermove", e => {
		const was = down.get(e.pointerId);
		if (was === undefined) return;
		const box = u.over.getBoundingClientRect();
		if (down.size === 1) shift((was - e.clientX) / box.width);
		else {
			const other = [...down].find(([id]) => id !== e.pointerId)[1];
			zoom(Math.max(8, Math.abs(was - other)) / Math.max(8, Math.abs(e.clientX - other)), u.posToVal((e.clientX + other) / 2 - box.left, "x"));
		}
		down.set(e.pointerId, e.clientX);
	});
	for (const kind of ["pointerup", "pointercancel"]) u.over.addEventListener(kind, e => {
		if (down.delete(e.pointerId) && kind === "pointerup") tell(Math.round(u.posToVal(e.clientX - u.over.getBoundingClientRect().left, "x")));
	});
}

function unitTicks(lo, hi, width) {
	const step = Math.max(1, Math.ceil((hi - lo) / Math.max(1, (width - 60) / 130))), out = [];
	for (let i = Math.max(0, Math.ceil(lo)); i <= hi && i < data.values.length; i += step) out.push(i);
	return out;
}

function short(serial) { return serial === undefined ? "" : serial.length > 13 ? "…" + serial.slice(-12) : serial; }

function setRange(min, max) {
	const n = data.values.length, wide = Math.max(4, Math.min(n, max - min));
	min = Math.max(-0.5, Math.min(min, n - 0.5 - wide));
	for (const u of charts) u.setScale("x", { min, max: Math.min(min + wide, Math.max(n - 0.5, min + 4)) });
}

function zoom(by, around) {
	const { min, max } = charts[0].scales.x;
	setRange(around - (around - min) * by, around + (max - around) * by);
}

function shift(share) {
	const { min, max } = charts[0].scales.x, d = (max - min) * share;
	setRange(min + d, max + d);
}

// tell reads one unit.
function tell(i) {
	if (!data || !(i >= 0 && i < data.values.length)) return;
	at = i;
	const s = data.sections.findLast(s => s.first <= i), v = data.values[i], r = data.ranges[i];
	let text = `${data.serials[i]}, lot ${data.lots.findLast(l => l.first <= i).lot}: ` + (v === null ? "no value." : `${level(v, 0.01)} ${data.unit}`);
	if (v !== null) text += r === null ? "." : `, ${level(r, 0.01)} dB from the unit before.`;
	text += s.center === null ? ` No limits yet: ${s.name}.` : ` ${s.name[0].toUpperCase() + s.name.slice(1)}: centre ${level(s.center, 0.01)}, limits ${level(s.lower, 0.01)} and ${level(s.upper, 0.01)}.`;
	for (const m of data.marks) if (m.index === i) text += " " + m.text;
	say.textContent = text;
	const link = $("stream-unit");
	link.href = "/units/" + encodeURIComponent(data.serials[i]);
	link.textContent = "Unit " + data.serials[i];
	link.hidden = false;
}

function step(d) {
	const { min, max } = charts[0].scales.x;
	const i = at === null ? Math.min(data.values.length - 1, Math.floor(max)) : Math.max(0, Math.min(data.values.length - 1, at + d));
	if (i < min || i > max) shift((i - (min + max) / 2) / (max - min));
	tell(i);
	for (const u of charts) u.setCursor({ left: u.valToPos(i, "x"), top: 10 });
}

function signal(way) {
	const marks = data.marks.map(m => m.index).filter(i => at === null || (way > 0 ? i > at : i < at));
	if (!marks.length) { say.textContent = "No rule fired at " + (way > 0 ? "a later" : "an earlier") + " unit."; return; }
	at = way > 0 ? Math.min(...marks) : Math.max(...marks);
	step(0);
}

const middle = () => at ?? (charts[0].scales.x.min + charts[0].scales.x.max) / 2;
const deeds = {
	closer: () => zoom(1 / 1.6, middle()), wider: () => zoom(1.6, middle()), whole: () => setRange(-0.5, data.values.length - 0.5),
	next: () => signal(1), previous: () => signal(-1), change: findChange, png: savePNG,
};
for (const b of document.querySelectorAll("button[data-deed]")) b.addEventListener("click", () => { if (charts.length) deeds[b.dataset.deed](); });
const keys = {
	ArrowLeft: e => step(e.shiftKey ? -10 : -1), ArrowRight: e => step(e.shiftKey ? 10 : 1), PageUp: () => shift(-0.4), PageDown: () => shift(0.4),
	Home: () => { at = 0; step(0); }, End: () => { at = data.values.length - 1; step(0); },
	"+": deeds.closer, "=": deeds.closer, "-": deeds.wider, "0": deeds.whole, n: deeds.next, p: deeds.previous,
	Enter: () => { if (at !== null) location.href = $("stream-unit").href; },
};
frame.addEventListener("keydown", e => {
	if (!charts.length || e.ctrlKey || e.altKey || e.metaKey || !keys[e.key]) return;
	e.preventDefault();
	keys[e.key](e);
});

// findChange asks when the level moved among the units in sight.
async function findChange() {
	const [from, to] = shown(charts[0], data.values.length), out = $("stream-change");
	out.textContent = "Looking …";
	try {
		const answer = await fetch(`${host.dataset.change}&limit=${$("stream-units").value}&from=${data.places[from]}&to=${data.places[to - 1]}`);
		const got = await answer.json();
		if (!answer.ok) throw new Error(got.detail + (got.remedy ? "; " + got.remedy : ""));
		change = got;
		const index = new Map(data.places.map((p, i) => [p, i]));
		change.index = index.get(got.place);
		change.indices = got.set.map(p => index.get(p)).filter(i => i !== undefined);
		out.textContent = [got.text, ...got.warnings].join(" ");
		$("stream-svg").href = `${host.dataset.picture}&limit=${$("stream-units").value}` + (got.shown ? `&change=yes&from=${data.places[from]}&to=${data.places[to - 1]}` : "");
	} catch (err) {
		change = null;
		out.textContent = "No answer: " + err.message;
	}
	charts.forEach(u => u.redraw());
}

// savePNG paints the picture of the file at twice its size.
async function savePNG() {
	const picture = new Image();
	picture.src = $("stream-svg").href + "&show=yes";
	await picture.decode();
	const canvas = document.createElement("canvas");
	canvas.width = 2 * picture.naturalWidth;
	canvas.height = 2 * picture.naturalHeight;
	canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
	const blob = await new Promise(done => canvas.toBlob(done, "image/png"));
	const a = document.createElement("a");
	a.href = URL.createObjectURL(blob);
	a.download = data.product + "-" + data.stream.replaceAll("/", "-") + ".png";
	a.click();
	setTimeout(() => URL.revokeObjectURL(a.href), 10000);
}

$("stream-units").addEventListener("change", e => {
	for (const id of ["stream-svg", "stream-csv"]) {
		const link = new URL($(id).href);
		link.searchParams.set("limit", e.target.value);
		$(id).href = link.href;
	}
	charts.forEach(u => u.destroy());
	charts = []; at = null; change = null;
	load().catch(fail);
});
$("stream-log")?.addEventListener("change", () => build([charts[0].scales.x.min, charts[0].scales.x.max]));
let width = 0;
new ResizeObserver(() => {
	if (!charts.length || frame.clientWidth === width) return;
	width = frame.clientWidth;
	build([charts[0].scales.x.min, charts[0].scales.x.max]);
}).observe(frame);
matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => { if (charts.length) build([charts[0].scales.x.min, charts[0].scales.x.max]); });
document.addEventListener("renewed", () => { if (!host.dataset.fixed) load().catch(() => {}); });

function fail(err) { $("stream-wait").hidden = false; $("stream-wait").textContent = "The chart cannot be shown: " + err.message + ". The table says the same."; }
load().catch(fail);
