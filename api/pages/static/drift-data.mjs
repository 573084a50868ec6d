// The data of the drift map, and the same seen from farther away.

export const none = -128;

// decode reads the form that /api/v1/drift answers with.
export function decode(buffer) {
	const text = new TextDecoder(), magic = "drift/1\n";
	if (text.decode(new Uint8Array(buffer, 0, Math.min(8, buffer.byteLength))) !== magic) throw new Error("the answer is no drift map");
	const headLength = new DataView(buffer).getUint32(8, true);
	const head = JSON.parse(text.decode(new Uint8Array(buffer, 12, headLength)));
	const units = head.serials.length, rows = head.streams.length, cells = units * rows;
	const scores = new Int8Array(buffer, 12 + headLength, cells);
	const bits = new Uint8Array(buffer, 12 + headLength + cells, Math.ceil(cells / 8));
	const which = new Uint8Array(buffer, 12 + headLength + cells + bits.length);
	const fired = new Uint8Array(cells);
	for (let i = 0, k = 0; i < bits.length; i++) {
		for (let b = bits[i], j = 0; b; b >>= 1, j++) if (b & 1) fired[8 * i + j] = which[k++];
	}
	return { head, units, rows, scores, fired, levels: [{ width: units, scores, fired }], sums: null };
}

// levelAt returns the map with 2^k units to a column: of each row the score that lies
// farthest from the centre, and all rules that fired.
export function levelAt(data, k) {
	while (data.levels.length <= k) data.levels.push(halve(data.levels.at(-1), data.rows));
	return data.levels[k];
}

function halve(from, rows) {
	const width = Math.ceil(from.width / 2);
	const scores = new Int8Array(width * rows), fired = new Uint8Array(width * rows);
	for (let r = 0; r < rows; r++) {
		const at = r * from.width, to = r * width;
		for (let i = 0; i < width; i++) {
			const j = at + 2 * i, two = 2 * i + 1 < from.width;
			const a = from.scores[j], b = two ? from.scores[j + 1] : none;
			scores[to + i] = b === none || a !== none && Math.abs(a) >= Math.abs(b) ? a : b;
			fired[to + i] = from.fired[j] | (two ? from.fired[j + 1] : 0);
		}
	}
	return { width, scores, fired };
}

// mean returns the mean score of units from..to-1 in a row, or none.
export function mean(data, row, from, to) {
	const s = data.sums ||= prefix(data), at = row * (data.units + 1);
	const n = s.counts[at + to] - s.counts[at + from];
	return n ? Math.round((s.totals[at + to] - s.totals[at + from]) / n) : none;
}

function prefix({ units, rows, scores }) {
	const totals = new Int32Array(rows * (units + 1)), counts = new Int32Array(rows * (units + 1));
	for (let r = 0; r < rows; r++) {
		const at = r * (units + 1);
		for (let i = 0; i < units; i++) {
			const z = scores[r * units + i], has = z !== none;
			totals[at + i + 1] = totals[at + i] + (has ? z : 0);
			counts[at + i + 1] = counts[at + i] + (has ? 1 : 0);
		}
	}
	return { totals, counts };
}

// farthest returns the unit of from..to-1 whose score lies farthest from the centre in
// a row; a unit at which a rule fired goes first.
export function farthest(data, row, from, to) {
	let best = from, value = -1;
	for (let i = from; i < to; i++) {
		const z = data.scores[row * data.units + i];
		const v = z === none ? 0 : Math.abs(z) + (data.fired[row * data.units + i] ? 1000 : 0);
		if (v > value) { value = v; best = i; }
	}
	return best;
}

// section returns what a unit is held against.
export function section(data, unit) {
	return data.head.sections.findLast(s => s.first <= unit);
}
