package curve

import (
	"fmt"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"
)

// A Pattern reads identities from file names. The zero Pattern matches nothing.
type Pattern struct {
	text  string
	parts []part
	depth int // slashes
	bare  bool
	zone  *time.Location
}

// A part is a literal, or a field when field is set.
type part struct {
	field, literal string
}

var patternFields = []string{"serial", "channel", "seating", "attempt", "lot", "product", "operator", "station", "date", "any"}

// A PatternError says what is wrong with a pattern.
type PatternError struct {
	Pattern string
	At      int // byte from 0
	Reason  string
	Remedy  string
}

func (e *PatternError) Error() string {
	return fmt.Sprintf("pattern %s at character %d: %s; %s", show(e.Pattern), e.At+1, e.Reason, e.Remedy)
}

// ParsePattern reads a pattern such as {serial}_{channel}_{seating}.txt; the
// package comment tells its rules. The error is a *PatternError.
func ParsePattern(s string) (Pattern, error) {
	p := Pattern{text: s, zone: time.UTC}
	bad := func(at int, reason, remedy string) (Pattern, error) {
		return Pattern{}, &PatternError{s, at, reason, remedy}
	}
	for at := 0; at < len(s); {
		if s[at] != '{' {
			end := at + strings.IndexAny(s[at:]+"{", "{}")
			if end < len(s) && s[end] == '}' {
				return bad(end, "} without {", "write fields as {serial}")
			}
			p.parts = append(p.parts, part{literal: s[at:end]})
			at = end
			continue
		}
		end := strings.IndexByte(s[at:], '}')
		if end < 0 {
			return bad(at, "{ without }", "write fields as {serial}")
		}
		name := s[at+1 : at+end]
		switch n := len(p.parts); {
		case !slices.Contains(patternFields, name):
			return bad(at, "no field is called "+show(name), "use the fields "+strings.Join(patternFields, ", "))
		case name != "any" && slices.Contains(p.parts, part{field: name}):
			return bad(at, "{"+name+"} stands twice", "use {any} for a part that is not needed")
		case n > 0 && p.parts[n-1].field != "":
			return bad(at, "{"+name+"} follows {"+p.parts[n-1].field+"} at once, so nothing says where one ends",
				"put a sign such as _ between them")
		}
		p.parts = append(p.parts, part{field: name})
		at += end + 1
	}
	if !slices.ContainsFunc(p.parts, func(q part) bool { return q.field != "" && q.field != "any" }) {
		return bad(0, "has no field", "use fields such as {serial} and {channel}")
	}
	last := s[strings.LastIndexByte(s, '/')+1:]
	if strings.HasPrefix(s, "/") || last == "" || strings.Contains(s, `\`) {
		return bad(0, "does not name a file by the end of its path", "write / between folders, and none at the start or end")
	}
	p.depth, p.bare = strings.Count(s, "/"), !strings.Contains(last, ".")
	return p, nil
}

func (p Pattern) String() string { return p.text }

// In returns the pattern with dates taken as midnight in zone instead of UTC.
func (p Pattern) In(zone *time.Location) Pattern {
	if zone != nil {
		p.zone = zone
	}
	return p
}

// Match reads the identity from a file name or path. Only the end of a path
// counts: the name, and one folder for each slash of the pattern. A field that
// the pattern lacks stays empty. The error is a *Refusal.
func (p Pattern) Match(name string) (Identity, error) {
	id, r := p.match(name)
	if r != nil {
		return Identity{}, r
	}
	return id, nil
}

func (p Pattern) match(name string) (Identity, *Refusal) {
	const remedy = "rename the file, give another pattern, or list the file in a " + ManifestName
	if len(p.parts) == 0 {
		return Identity{}, refuse(name, 0, "", "nothing says which take it is", "give a pattern of file names, or a "+ManifestName)
	}
	texts, ok := p.split(p.tail(name))
	if !ok {
		return Identity{}, refuse(name, 0, "", "its name does not fit the pattern "+p.text, remedy)
	}
	var id Identity
	for i, q := range p.parts {
		switch q.field {
		case "", "any":
		case "date":
			id.MeasuredAt, _ = parseDate(texts[i], p.zone)
		default:
			if e := id.set(q.field, texts[i], p.zone); e != nil {
				return Identity{}, refuse(name, 0, e.Field, e.Reason, remedy)
			}
			if strings.TrimSpace(texts[i]) == "" {
				return Identity{}, refuse(name, 0, q.field, "is blank", remedy)
			}
		}
	}
	if e := id.tidy(false); e != nil {
		return Identity{}, refuse(name, 0, e.Field, e.Reason, remedy)
	}
	return id, nil
}

// tail returns the elements at the end of a path that the pattern speaks of.
func (p Pattern) tail(name string) string {
	start := len(name)
	for range p.depth + 1 {
		start = strings.LastIndexByte(name[:max(start, 0)], '/')
		if start < 0 {
			break
		}
	}
	name = name[start+1:]
	if end := path.Ext(name); p.bare && isTextEnding(end) {
		name = strings.TrimSuffix(name, end)
	}
	return name
}

// Name returns the file name that says id, the reverse of Match. It fails when
// the pattern cannot say id so that Match reads it back, as when a channel holds
// the sign that separates fields, and for patterns with {any}.
func (p Pattern) Name(id Identity) (string, error) {
	var b strings.Builder
	for _, q := range p.parts {
		switch q.field {
		case "":
			b.WriteString(q.literal)
		case "date":
			b.WriteString(id.MeasuredAt.In(p.zone).Format(p.dateLayout(id.MeasuredAt)))
		case "seating":
			b.WriteString(strconv.Itoa(id.Seating))
		case "attempt":
			b.WriteString(strconv.Itoa(id.Attempt))
		default:
			b.WriteString(map[string]string{"serial": id.Serial, "channel": id.Channel, "lot": id.Lot,
				"product": id.Product, "operator": id.Operator, "station": id.Station}[q.field])
		}
	}
	name := b.String()
	back, r := p.match(name)
	if r != nil {
		return "", r
	}
	if !back.or(id).same(id) || strings.Contains(p.text, "{any}") {
		return "", &PatternError{p.text, 0, "cannot say " + show(name) + " so that it reads back", "separate the fields by a sign they do not hold"}
	}
	return name, nil
}

func (p Pattern) dateLayout(t time.Time) string {
	if t = t.In(p.zone); t.Hour()+t.Minute()+t.Second() == 0 {
		return "2006-01-02"
	}
	return "20060102T150405"
}

func (id Identity) same(other Identity) bool {
	a, b := id.MeasuredAt, other.MeasuredAt
	id.MeasuredAt, other.MeasuredAt = time.Time{}, time.Time{}
	return id == other && a.Equal(b)
}
