package store

import (
	"fmt"
	"slices"
	"strings"
)

// A kind is a sort of row that the journal speaks for. Its digest is the SHA-256 of
// the row's columns in PostgreSQL's binary record form: exact to the last bit, and
// the same under every setting for dates, numbers and encodings of bytes.
type kind struct {
	name string // the table; behind a dot the version of the form when it is not the first
	key  string // expression that names the row, in text
	// columns are listed, so that a column added later does not change what was
	// written. When they have to change, the name gets a version: rows written under
	// the old name are then spoken for by a new anchor entry.
	columns string
	pick    string // condition that finds the row of key k by an index
	// group, when set, makes one digest of all rows with the same key, in this order.
	group string
}

// Keys of two free texts say how long the first one is, so that no two rows share one.
const (
	batchKey    = "t.version || '/' || length(t.kind) || '/' || t.kind || '/' || t.batch"
	baselineKey = "t.version || '/' || length(t.rig) || '/' || t.rig || '/' || t.serial"
	valueKey    = "t.round || '/' || length(t.name) || '/' || t.name || '/' || t.serial"
)

// kinds lists everything that the journal speaks for, by name.
var kinds = []kind{
	{name: "action_plans", key: "t.product || '/' || t.version", pick: "t.product = split_part(k, '/', 1) AND t.version = split_part(k, '/', 2)::int",
		columns: "t.product, t.version, t.definition, t.reason, t.author, t.created_at"},
	{name: "attempts", key: "t.attempt::text", pick: "t.attempt = k::uuid",
		columns: "t.attempt, t.serial, t.number, t.station, t.operator, t.reason, t.measured_at, t.received_at, t.verdict, t.judgement, t.envelope, t.limit_set, t.rig_policy, t.released"},
	{name: "batch_values", key: batchKey, pick: batchKey + " = k", columns: "t.kind, t.batch, t.version, t.name, t.value, t.unit", group: `t.name COLLATE "C"`},
	{name: "batches", key: batchKey, pick: batchKey + " = k",
		columns: "t.kind, t.batch, t.version, t.supplier, t.received_on, t.pieces, t.note, t.reason, t.author, t.entered_at"},
	{name: "draws", key: "t.lot || '/' || t.draw", pick: "t.lot || '/' || t.draw = k",
		columns: "t.lot, t.draw, t.plan, t.seed, t.units, t.pulled, t.reason, t.actor, t.at"},
	{name: "envelopes", key: "t.product || '/' || t.version", pick: "t.product = split_part(k, '/', 1) AND t.version = split_part(k, '/', 2)::int",
		columns: "t.product, t.version, t.definition, t.reason, t.author, t.created_at"},
	{name: "fault_plans", key: "t.study", pick: "t.study = k", columns: "t.study, t.key, t.words, t.first_look, t.part, t.side, t.faulty, t.good"},
	{name: "fault_signatures", key: "t.product || '/' || t.version", pick: "t.product = split_part(k, '/', 1) AND t.version = split_part(k, '/', 2)::int",
		columns: "t.product, t.version, t.key, t.state, t.study, t.words, t.first_look, t.part, t.side, t.shape, t.low, t.high, t.units, t.basis, t.reason, t.author, t.created_at"},
	{name: "finding_events", key: "t.finding || '/' || t.event", pick: "t.finding = split_part(k, '/', 1)::bigint AND t.event = split_part(k, '/', 2)::int",
		columns: "t.finding, t.event, t.at, t.actor, t.origin, t.kind, t.place, t.text"},
	{name: "finding_signals", key: "t.product || '/' || t.limit_set || '/' || t.place",
		pick:    "t.product = split_part(k, '/', 1) AND t.limit_set = split_part(k, '/', 2)::int AND t.place = split_part(k, '/', 3)::bigint",
		columns: "t.product, t.limit_set, t.place, t.stream, t.rule, t.finding", group: `t.stream COLLATE "C", t.rule COLLATE "C"`},
	{name: "findings", key: "t.finding::text", pick: "t.finding = k::bigint",
		columns: "t.finding, t.product, t.first_place, t.last_place, t.kind, t.state, t.analysis, t.analysed_to, t.cause, t.action, t.acted_place, t.closed_place, t.opened_at"},
	{name: "grids", key: "encode(t.grid, 'hex')", pick: "t.grid = decode(k, 'hex')", columns: "t.grid, t.frequencies"},
	{name: "limit_sets", key: "t.product || '/' || t.version", pick: "t.product = split_part(k, '/', 1) AND t.version = split_part(k, '/', 2)::int",
		columns: "t.product, t.version, t.from_place, t.baseline, t.left_out, t.every, t.budget, t.rules, t.streams, t.center, t.sigma, t.freedom, t.reason, t.author, t.created_at"},
	{name: "lot_steps", key: "t.lot || '/' || t.step", pick: "t.lot || '/' || t.step = k",
		columns: "t.lot, t.step, t.state, t.outcome, t.reason, t.actor, t.origin, t.at, t.limit_set, t.basis, t.data_hash, t.signature"},
	{name: "lots", key: "t.lot", pick: "t.lot = k", columns: "t.lot, t.product, t.opened_at"},
	{name: "overrides", key: "t.number || '/' || t.version || '/' || t.serial",
		pick:    "t.number = split_part(k, '/', 1)::int AND t.version = split_part(k, '/', 2)::int AND t.serial = substr(k, length(split_part(k, '/', 1)) + length(split_part(k, '/', 2)) + 3)",
		columns: "t.serial, t.number, t.version, t.verdict, t.was, t.reason, t.actor, t.at, t.confirms, t.in_force"},
	{name: "pairing_pairs", key: "t.product || '/' || t.pairing", pick: "t.product = split_part(k, '/', 1) AND t.pairing = split_part(k, '/', 2)::int",
		columns: "t.product, t.pairing, t.rank, t.left_piece, t.right_piece, t.mismatch, t.balance, t.fixed", group: "t.rank"},
	{name: "pairings", key: "t.product || '/' || t.pairing", pick: "t.product = split_part(k, '/', 1) AND t.pairing = split_part(k, '/', 2)::int",
		columns: "t.product, t.pairing, t.settings, t.outcome, t.author, t.made_at, t.withdrawn_at, t.withdrawn_by, t.withdrawn_why"},
	{name: "part_uses", key: "t.use::text", pick: "t.use = k::uuid",
		columns: "t.use, t.product, t.kind, t.channel, t.batch, t.supplier, t.received_on, t.first_serial, t.last_serial, t.note, t.entered_at, t.piece, t.entered_by, t.withdrawn_at, t.withdrawn_by, t.withdrawn_why, t.replaced_by"},
	{name: "people", key: "t.person", pick: "t.person = k",
		columns: "t.person, t.role, t.added_by, t.added_at, t.closed_at, t.secret_mark, t.secret_at"},
	{name: "products", key: "t.product", pick: "t.product = k", columns: "t.product, t.definition, t.created_at"},
	{name: "quarantine", key: "t.item::text", pick: "t.item = k::uuid",
		columns: "t.item, t.fingerprint, t.lot, t.source, t.line, t.field, t.reason, t.remedy, t.content, t.received_at"},
	{name: "readings", key: "t.product || '/' || t.number || '/' || t.place",
		pick:    "t.product = split_part(k, '/', 1) AND t.number = split_part(k, '/', 2)::int AND t.place = split_part(k, '/', 3)::bigint",
		columns: "t.product, t.place, t.number, t.serial, t.streams, t.charted"},
	{name: "reference_states", key: "t.entry || '/' || t.serial", pick: "t.entry || '/' || t.serial = k", columns: "t.serial, t.entry, t.state, t.reason, t.author, t.at"},
	{name: "reference_units", key: "t.serial", pick: "t.serial = k", columns: "t.serial, t.product, t.note, t.author, t.added_at"},
	{name: "rig_baselines", key: baselineKey, pick: baselineKey + " = k",
		columns: "t.serial, t.rig, t.version, t.visits, t.seatings, t.mean, t.sd, t.freedom, t.turned, t.reason, t.author, t.created_at"},
	{name: "rig_entries", key: "t.entry::text", pick: "t.entry = k::uuid",
		columns: "t.entry, t.rig, t.kind, t.at, t.subject, t.changed, t.level, t.certificate, t.due, t.temperature, t.humidity, t.noise, t.note, t.author, t.entered_at"},
	{name: "rig_policies", key: "t.product || '/' || t.version", pick: "t.product = split_part(k, '/', 1) AND t.version = split_part(k, '/', 2)::int",
		columns: "t.product, t.version, t.definition, t.reason, t.author, t.created_at"},
	{name: "rig_takes", key: "t.take::text", pick: "t.take = k::uuid",
		columns: "t.take, t.visit, t.channel, t.seating, t.measured_at, t.received_at, t.content_hash, t.bands, t.grid, t.levels, t.phases, t.source, t.notes"},
	{name: "rig_transfers", key: "t.product || '/' || t.version || '/' || t.rig",
		pick:    "t.product = split_part(k, '/', 1) AND t.version = split_part(k, '/', 2)::int AND t.rig = substr(k, length(split_part(k, '/', 1)) + length(split_part(k, '/', 2)) + 3)",
		columns: "t.product, t.rig, t.version, t.reference, t.study, t.in_force, t.begins, t.units, t.risk, t.curve, t.deviation_u, t.balance_u, t.sensitivity_u, t.roughness_u, t.reason, t.author, t.created_at"},
	{name: "rig_visits", key: "t.visit::text", pick: "t.visit = k::uuid",
		columns: "t.visit, t.product, t.rig, t.serial, t.study, t.number, t.turned, t.operator, t.measured_at, t.received_at, t.complete, t.baseline, t.policy, t.passed, t.judgement"},
	{name: "seating_limits", key: "t.product || '/' || t.version", pick: "t.product = split_part(k, '/', 1) AND t.version = split_part(k, '/', 2)::int",
		columns: "t.product, t.version, t.study, t.spread, t.reason, t.author, t.created_at"},
	{name: "signals", key: "t.product || '/' || t.limit_set || '/' || t.place",
		pick:    "t.product = split_part(k, '/', 1) AND t.limit_set = split_part(k, '/', 2)::int AND t.place = split_part(k, '/', 3)::bigint",
		columns: "t.product, t.limit_set, t.place, t.stream, t.rule, t.serial, t.value, t.z, t.withdrawn", group: `t.stream COLLATE "C", t.rule COLLATE "C"`},
	{name: "sites", key: "t.site", pick: "t.site = k", columns: "t.name, t.zone, t.created_at"},
	{name: "studies", key: "t.study", pick: "t.study = k", columns: "t.study, t.product, t.kind, t.units, t.operators, t.trials, t.seed, t.reason, t.author, t.created_at"},
	{name: "take_curves", key: "t.take::text", pick: "t.take = k::uuid", columns: "t.take, t.grid, t.levels, t.phases"},
	{name: "takes", key: "t.take::text", pick: "t.take = k::uuid",
		columns: "t.take, t.attempt, t.channel, t.seating, t.measured_at, t.received_at, t.content_hash, t.bands, t.source, t.notes"},
	{name: "together_charts", key: "t.product || '/' || t.version", pick: "t.product = split_part(k, '/', 1) AND t.version = split_part(k, '/', 2)::int",
		columns: "t.product, t.version, t.lambda, t.fires_above, t.first_share, t.shrinkage, t.streams, t.whiten"},
	{name: "tokens", key: "t.token", pick: "t.token = k", // when it was used last is no change
		columns: "t.token, t.role, t.hash, t.added_by, t.added_at, t.revoked_by, t.revoked_at"},
	{name: "unit_values", key: valueKey,
		pick:    "t.serial = substr(k, length(split_part(k, '/', 1)) + length(split_part(k, '/', 2)) + split_part(k, '/', 2)::int + 4) AND " + valueKey + " = k",
		columns: "t.serial, t.name, t.round, t.value, t.reason, t.source, t.content_hash, t.measured_at, t.received_at"},
	{name: "units", key: "t.serial", pick: "t.serial = k", columns: "t.serial, t.product, t.lot, t.place, t.first_seen"},
	{name: "verdict_changes", key: "t.attempt || '/' || t.change", pick: "t.attempt = split_part(k, '/', 1)::uuid AND t.change = split_part(k, '/', 2)::int",
		columns: "t.attempt, t.change, t.at, t.actor, t.from_word, t.judgement, t.to_word, t.reason"},
}

// kindNames are the names of all kinds.
var kindNames = func() []string {
	var out []string
	for _, k := range kinds {
		out = append(out, k.name)
	}
	return out
}()

// KindNames lists the kinds of row that the journal speaks for: tables, with a version
// behind a dot where the form of their digest has changed.
func KindNames() []string { return slices.Clone(kindNames) }

func kindNamed(name string) kind {
	for _, k := range kinds {
		if k.name == name {
			return k
		}
	}
	panic("store: no kind of row is called " + name)
}

// tableName is the table of a kind.
func (k kind) tableName() string {
	name, _, _ := strings.Cut(k.name, ".")
	return name
}

// digests is the question for key and digest of all rows of site $1, or with some of
// those named in $2.
func (k kind) digests(some bool) string {
	form := fmt.Sprintf("record_send(ROW(t.site, %s))", k.columns)
	rows := fmt.Sprintf("FROM %s t WHERE t.site = $1", k.tableName())
	if some {
		// The fence keeps a plan made while the table was small from reading all of it
		// when it has grown: each key is looked up by the index.
		rows = fmt.Sprintf("FROM unnest($2::text[]) k CROSS JOIN LATERAL (SELECT * FROM %s t WHERE t.site = $1 AND %s OFFSET 0) t", k.tableName(), k.pick)
	}
	if k.group == "" {
		return fmt.Sprintf("SELECT %s AS key, sha256(%s) AS digest %s", k.key, form, rows)
	}
	return fmt.Sprintf("SELECT %s AS key, sha256(string_agg(%s, ''::bytea ORDER BY %s)) AS digest %s GROUP BY 1", k.key, form, k.group, rows)
}
