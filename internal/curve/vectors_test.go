package curve

import (
	"encoding/csv"
	"errors"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"
	_ "time/tzdata"

	"alike/spc/band"
)

const vectors = "../../testdata/curves"

func berlin(t testing.TB) *time.Location {
	zone, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	return zone
}

func readFile(t testing.TB, name string) []byte {
	t.Helper()
	data, err := os.ReadFile(name)
	if err != nil {
		t.Fatal(err)
	}
	return data
}

// rowsOf reads a table of the vectors with the standard library, without its
// head.
func rowsOf(t testing.TB, name string) [][]string {
	t.Helper()
	rows, err := csv.NewReader(strings.NewReader(string(readFile(t, filepath.Join(vectors, name))))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	return rows[1:]
}

func filesIn(t testing.TB, folder string) []string {
	t.Helper()
	entries, err := os.ReadDir(filepath.Join(vectors, folder))
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return names
}

func reference(t testing.TB) band.Curve {
	t.Helper()
	var c band.Curve
	for _, row := range rowsOf(t, "reference.csv") {
		var x [3]float64
		for i := range x {
			v, err := strconv.ParseFloat(row[i], 64)
			if err != nil {
				t.Fatal(err)
			}
			x[i] = v
		}
		c.Hz, c.DB, c.Phase = append(c.Hz, x[0]), append(c.DB, x[1]), append(c.Phase, x[2])
	}
	return c
}

func equalWithin(a, b []float64, rel float64) bool {
	return slices.EqualFunc(a, b, func(x, y float64) bool { return math.Abs(x-y) <= rel*math.Max(1, math.Abs(y)) })
}

// The good texts hold the numbers of reference.csv to the digit; only radians
// were rounded on the way.
func TestGoodTexts(t *testing.T) {
	want := reference(t)
	listed := map[string]bool{}
	for _, row := range rowsOf(t, "good.csv") {
		name, points, phase, notes := row[0], row[1], row[2], row[3]
		listed[name] = true
		t.Run(name, func(t *testing.T) {
			c, got, err := ReadText(name, readFile(t, filepath.Join(vectors, "good", name)))
			if err != nil {
				t.Fatal(err)
			}
			want := want
			if points == "ends" {
				n := len(want.Hz) - 1
				want = band.Curve{Hz: []float64{want.Hz[0], want.Hz[n]}, DB: []float64{want.DB[0], want.DB[n]}}
			}
			if !slices.Equal(c.Hz, want.Hz) || !slices.Equal(c.DB, want.DB) {
				t.Errorf("got %v\n%v, want %v\n%v", c.Hz, c.DB, want.Hz, want.DB)
			}
			if phase == "yes" && !equalWithin(c.Phase, want.Phase, 1e-12) || phase == "no" && c.Phase != nil {
				t.Errorf("phase is %v, want %s: %v", c.Phase, phase, want.Phase)
			}
			checkNotes(t, got, notes)
		})
	}
	for _, name := range filesIn(t, "good") {
		if !listed[name] && !strings.HasPrefix(name, "wide-") && !strings.HasPrefix(name, "manifest-") {
			t.Errorf("%s is not in good.csv", name)
		}
	}
}

func checkNotes(t *testing.T, got []string, want string) {
	t.Helper()
	var parts []string
	if want != "" {
		parts = strings.Split(want, "|")
	}
	if len(got) != len(parts) {
		t.Fatalf("notes are %q, want %q", got, parts)
	}
	for i, n := range got {
		if !strings.Contains(n, parts[i]) || !strings.HasSuffix(n, ".") || strings.ToUpper(n[:1]) != n[:1] {
			t.Errorf("note %q: want a sentence with %q", n, parts[i])
		}
	}
}

// refusalsOf reads a bad file by the reader its name says.
func refusalsOf(t *testing.T, name string) []*Refusal {
	t.Helper()
	data := readFile(t, filepath.Join(vectors, "bad", name))
	switch {
	case strings.HasPrefix(name, "wide-") && name != "wide-as.txt":
		_, refused := ReadWide(name, data, nil)
		return refused
	case strings.HasPrefix(name, "manifest-"):
		m, err := ReadManifest(name, data, berlin(t))
		if len(m.Rows) > 0 {
			t.Errorf("rows beside an error: %v", m.Rows)
		}
		var rs Refusals
		errors.As(err, &rs)
		return rs
	}
	c, notes, err := ReadText(name, data)
	if c.Hz != nil || c.DB != nil || c.Phase != nil || notes != nil {
		t.Errorf("a curve or notes beside an error: %v %v", c, notes)
	}
	var r *Refusal
	if !errors.As(err, &r) {
		return nil
	}
	return []*Refusal{r}
}

func TestBadFiles(t *testing.T) {
	expect := map[string][][]string{}
	for _, row := range rowsOf(t, "expect.csv") {
		expect[row[0]] = append(expect[row[0]], row)
	}
	for _, name := range filesIn(t, "bad") {
		t.Run(name, func(t *testing.T) {
			got, want := refusalsOf(t, name), expect[name]
			if len(got) != len(want) || len(want) == 0 {
				t.Fatalf("got %d refusals, want %d: %v", len(got), len(want), Refusals(got))
			}
			for i, r := range got {
				w := want[i]
				if r.File != name || strconv.Itoa(r.Line) != w[1] || r.Field != w[2] || !strings.Contains(r.Reason, w[3]) || !strings.Contains(r.Remedy, w[4]) {
					t.Errorf("got  %v\nwant %v", r, w)
				}
			}
		})
	}
	if n := len(filesIn(t, "bad")); n != len(expect) {
		t.Errorf("%d bad files, %d expected", n, len(expect))
	}
}
