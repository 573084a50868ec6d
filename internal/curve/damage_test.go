package curve

import (
	"bytes"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"alike/spc/band"
)

// tableStart is where the first row of a good text begins.
func tableStart(t *testing.T, data []byte) int {
	t.Helper()
	text, _, r := decode("x", data)
	if r != nil {
		t.Fatal(r)
	}
	s := look("x", text)
	return s.table.pos
}

var damaged = []string{
	"plain-comma.csv", "semicolon-decimal-comma.txt", "tab-decimal-comma.txt", "blanks-decimal-comma.dat", "star-comments.txt",
	"comma-and-blank.csv", "quoted-cells.csv", "extra-columns.txt", "lone-cr.txt", "falling.csv", "level-first.csv",
}

// One wrong byte inside the table is refused, changes one row, or is told in a
// note: no row is ever lost unsaid, and no other row changes.
func TestOneDamagedByte(t *testing.T) {
	for _, name := range damaged {
		data := readFile(t, filepath.Join(vectors, "good", name))
		want, notes, err := ReadText(name, data)
		if err != nil {
			t.Fatal(err)
		}
		read := 0
		for i := tableStart(t, data); i < len(data); i++ {
			for _, wrong := range []byte("\x00\t\n \"#,-.;0e\xa0") {
				bad := bytes.Clone(data)
				bad[i] = wrong
				got, said, err := ReadText(name, bad)
				if err != nil {
					continue
				}
				read++
				if len(said) > len(notes) {
					continue // told
				}
				if len(got.Hz) != len(want.Hz) || (got.Phase == nil) != (want.Phase == nil) || rowsThatDiffer(got, want) > 1 {
					t.Errorf("%s: byte %d as %q gives %d points, %d rows differ, notes %q", name, i, wrong, len(got.Hz), rowsThatDiffer(got, want), said)
				}
			}
		}
		if read == 0 {
			t.Errorf("%s: every damage was refused, so nothing was checked", name)
		}
	}
}

func rowsThatDiffer(a, b band.Curve) int {
	n := 0
	for i := range min(len(a.Hz), len(b.Hz)) {
		if a.Hz[i] != b.Hz[i] || a.DB[i] != b.DB[i] || (a.Phase != nil && b.Phase != nil && a.Phase[i] != b.Phase[i]) {
			n++
		}
	}
	return n
}

// A file cut anywhere in its last rows is refused, unless the cut is between two
// rows, where nothing can tell it from a shorter response.
func TestCutAnywhere(t *testing.T) {
	for _, name := range damaged {
		if name == "extra-columns.txt" {
			continue // a cut inside an ignored column leaves the row whole
		}
		data := readFile(t, filepath.Join(vectors, "good", name))
		whole, _, err := ReadText(name, data)
		if err != nil {
			t.Fatal(err)
		}
		ends := strings.Count(string(data[tableStart(t, data):]), "\n") + strings.Count(string(data), "\r")
		if ends < 40 {
			t.Fatalf("%s has only %d rows", name, ends)
		}
		for cut := len(data) * 4 / 5; cut < len(data); cut++ {
			got, _, err := ReadText(name, data[:cut])
			line := data[bytes.LastIndexAny(data[:cut], "\r\n")+1 : cut]
			between := strings.TrimSpace(string(line)) == "" || data[cut] == '\n' || data[cut] == '\r'
			if between != (err == nil) {
				t.Errorf("%s cut at %d, before %q: %v", name, cut, data[cut:min(cut+3, len(data))], err)
			}
			if err != nil {
				continue
			}
			n := len(got.Hz)
			from := 0
			if name == "falling.csv" {
				from = len(whole.Hz) - n
			}
			if !slices.Equal(got.Hz, whole.Hz[from:from+n]) || !slices.Equal(got.DB, whole.DB[from:from+n]) {
				t.Errorf("%s cut at %d has other rows", name, cut)
			}
		}
	}
}
