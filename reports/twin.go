package reports

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"math"
	"reflect"
	"slices"
	"strconv"
	"strings"
	"time"
	"unicode"

	"github.com/gowebpki/jcs"
)

// twinForm is the version of the twin's layout.
const twinForm = 1

// notData are fields of a Lot that are not what a decision is signed on: they tell of the
// decision itself, of the program, or go on after it: the journal grows, and people act on
// findings.
var notData = []string{"Life", "Journal", "JournalHead", "Program", "Findings"}

// Twin returns the report for programs, as JSON: under "data" exactly what a decision
// signs, under "record" the rest, and the hash of the data. Keys are those of the
// structs in small letters; numbers have nine significant digits; a value that is not
// known is null; times are in RFC 3339.
func (l Lot) Twin() ([]byte, error) {
	data, err := l.Data()
	if err != nil {
		return nil, err
	}
	record := map[string]any{}
	for _, name := range notData {
		record[key(name)] = plain(reflect.ValueOf(l).FieldByName(name))
	}
	return json.MarshalIndent(map[string]any{
		"form": twinForm, "data": json.RawMessage(data), "data_hash": fmt.Sprintf("%x", Hash(data)), "record": record,
	}, "", "  ")
}

// Data returns the report's data in canonical JSON after RFC 8785.
func (l Lot) Data() ([]byte, error) {
	v := reflect.ValueOf(l)
	data := map[string]any{}
	for i := range v.NumField() {
		if name := v.Type().Field(i).Name; !slices.Contains(notData, name) {
			data[key(name)] = plain(v.Field(i))
		}
	}
	raw, err := json.Marshal(data)
	if err != nil {
		return nil, err
	}
	return jcs.Transform(raw)
}

// Hash is the SHA-256 of a report's data.
func Hash(data []byte) []byte {
	sum := sha256.Sum256(data)
	return sum[:]
}

var timeType = reflect.TypeFor[time.Time]()

// plain turns a value into what JSON can hold: not-a-number and the zero time become
// null, an empty list stays a list.
func plain(v reflect.Value) any {
	switch v.Kind() {
	case reflect.Pointer:
		if v.IsNil() {
			return nil
		}
		return plain(v.Elem())
	case reflect.Struct:
		if v.Type() == timeType {
			if t := v.Interface().(time.Time); !t.IsZero() {
				return t.Format(time.RFC3339Nano)
			}
			return nil
		}
		out := map[string]any{}
		for i := range v.NumField() {
			out[key(v.Type().Field(i).Name)] = plain(v.Field(i))
		}
		return out
	case reflect.Slice:
		out := make([]any, v.Len())
		for i := range out {
			out[i] = plain(v.Index(i))
		}
		return out
	case reflect.Float64:
		if f := v.Float(); !math.IsNaN(f) && !math.IsInf(f, 0) {
			return digits9(f)
		}
		return nil
	case reflect.String:
		return strings.ToValidUTF8(v.String(), "\uFFFD")
	}
	return v.Interface()
}

// digits9 rounds to nine significant digits: processors that fuse multiplication and
// addition differ in the last ones, and what is signed must not depend on that.
func digits9(f float64) float64 {
	out, err := strconv.ParseFloat(strconv.FormatFloat(f, 'g', 9, 64), 64)
	if err != nil {
		return f // beyond the largest number: as it is
	}
	return out
}

// key writes a field's name as JSON has it: FirstSerial is first_serial, SD is sd.
func key(name string) string {
	var b strings.Builder
	runes := []rune(name)
	for i, r := range runes {
		if unicode.IsUpper(r) && i > 0 && (!unicode.IsUpper(runes[i-1]) || i+1 < len(runes) && unicode.IsLower(runes[i+1])) {
			b.WriteByte('_')
		}
		b.WriteRune(unicode.ToLower(r))
	}
	return b.String()
}

// Differences lists what changed from one data document to another: of each section at
// most a number of paths with the value before and after, the counts first. Keys are those
// of the structs, so a key that only the newer document has is a newer program's and no
// difference.
func Differences(before, after []byte, most int) ([]string, error) {
	var a, b map[string]any
	if err := json.Unmarshal(before, &a); err != nil {
		return nil, fmt.Errorf("what was signed cannot be read: %w", err)
	}
	if err := json.Unmarshal(after, &b); err != nil {
		return nil, err
	}
	keys := sortedKeys(a)
	slices.SortStableFunc(keys, func(a, b string) int { return rank(a) - rank(b) })
	var out []string
	for _, k := range keys {
		d := &differ{most: most}
		d.compare(k, a[k], b[k])
		out = append(out, d.out...)
		if d.n > most {
			out = append(out, fmt.Sprintf("and %d more of %s", d.n-most, k))
		}
	}
	return out, nil
}

// rank puts what a person looks at first in front.
func rank(section string) int {
	if i := slices.Index([]string{"counts", "proposal", "yield", "units", "attempts"}, section); i >= 0 {
		return i
	}
	return 9
}

type differ struct {
	most, n int
	out     []string
}

func (d *differ) compare(path string, a, b any) {
	switch x := a.(type) {
	case map[string]any:
		if y, ok := b.(map[string]any); ok {
			for _, k := range sortedKeys(x) {
				d.compare(path+"."+k, x[k], y[k])
			}
			return
		}
	case []any:
		if y, ok := b.([]any); ok {
			for i := range max(len(x), len(y)) {
				var p, q any
				if i < len(x) {
					p = x[i]
				}
				if i < len(y) {
					q = y[i]
				}
				d.compare(fmt.Sprintf("%s %d", path, i+1), p, q)
			}
			return
		}
	}
	if reflect.DeepEqual(a, b) {
		return
	}
	if d.n++; d.n <= d.most {
		d.out = append(d.out, fmt.Sprintf("%s: %s, now %s", path, brief(a), brief(b)))
	}
}

// brief writes a value shortly enough for a list.
func brief(v any) string {
	if v == nil {
		return "nothing"
	}
	raw, err := json.Marshal(v)
	if text := []rune(string(raw)); err == nil && len(text) > 80 {
		return string(text[:79]) + "…"
	}
	return string(raw)
}

func sortedKeys(m map[string]any) []string {
	var out []string
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}
