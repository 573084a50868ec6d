package curve

import (
	"fmt"
	"path/filepath"
	"reflect"
	"slices"
	"strings"
	"testing"
	"time"

	"alike/spc/band"
)

func good(t *testing.T, name string) []byte { return readFile(t, filepath.Join(vectors, "good", name)) }

// noon returns 10:21 on the day of the wide vectors, in the offset they state.
func noon(minute, second int) time.Time {
	return time.Date(2024, 3, 4, 10, minute, second, 0, time.FixedZone("", 3600))
}

func TestGoodWide(t *testing.T) {
	six := []float64{20, 31.5, 50, 1000, 1250, 20000}
	for _, c := range []struct {
		file  string
		want  []Take
		notes int
	}{
		{"wide-semicolon.csv", []Take{
			{Identity: Identity{Serial: "A102", Channel: "left", Seating: 1}, Source: Source{Line: 2},
				Curve: band.Curve{Hz: six, DB: []float64{90.1, 92.4, 93, 94.25, -94.2, 81.7}}},
			{Identity: Identity{Serial: "A102", Channel: "right", Seating: 1}, Source: Source{Line: 3},
				Curve: band.Curve{Hz: six, DB: []float64{90.2, 92.5, 93, 94.5, -94.1, 81.6}}},
		}, 1},
		{"wide-comma.csv", []Take{
			{Identity: Identity{Serial: "A 7", Channel: "mono", MeasuredAt: noon(21, 0)}, Source: Source{Line: 3},
				Curve: band.Curve{Hz: []float64{20, 25}, DB: []float64{90.5, 91.25}}},
			{Identity: Identity{Serial: "A 8", Channel: "mono", MeasuredAt: noon(22, 0), Reason: "glue, redone"}, Source: Source{Line: 4},
				Curve: band.Curve{Hz: []float64{20, 25}, DB: []float64{90.5, -1}}},
		}, 0},
		{"wide-falling.tsv", []Take{
			{Identity: Identity{Lot: "L1", Serial: "A1", Channel: "left"}, Source: Source{Line: 2},
				Curve: band.Curve{Hz: []float64{20, 40}, DB: []float64{90, 91}}},
		}, 2},
	} {
		got, refused := ReadWide(c.file, good(t, c.file), berlin(t))
		if len(refused) > 0 || len(got) != len(c.want) {
			t.Errorf("%s: got %v, refused %v", c.file, got, Refusals(refused))
			continue
		}
		for i, take := range got {
			want := c.want[i]
			want.Source.File = c.file
			if !take.Identity.same(want.Identity) || take.Source != want.Source || !reflect.DeepEqual(take.Curve, want.Curve) || len(take.Notes) != c.notes {
				t.Errorf("%s: got %+v, want %+v", c.file, take, want)
			}
		}
	}
}

// The rows of wide-rows.csv that are not refused are read.
func TestWideGoesOn(t *testing.T) {
	takes, refused := ReadWide("wide-rows.csv", readFile(t, filepath.Join(vectors, "bad", "wide-rows.csv")), nil)
	var lines []int
	for _, take := range takes {
		lines = append(lines, take.Source.Line)
	}
	if !slices.Equal(lines, []int{2, 14, 15}) || len(refused) != 11 {
		t.Errorf("read lines %v, refused %d", lines, len(refused))
	}
}

func TestGoodManifest(t *testing.T) {
	for _, c := range []struct {
		file string
		want []ManifestRow
	}{
		{"manifest-full.csv", []ManifestRow{
			{Identity{"Open 1", "L7", "A102", "left", 1, 1, "rig 2", "three", noon(21, 0), ""}, "a/1.txt", 2},
			{Identity{"Open 1", "L7", "A102", "right", 1, 1, "rig 2", "three", noon(22, 5), "pad, reseated"}, "a/2.txt", 3},
		}},
		{"manifest-short.csv", []ManifestRow{{Identity{Serial: "7", Channel: "mono"}, "x.txt", 2}}},
	} {
		m, err := ReadManifest(c.file, good(t, c.file), berlin(t))
		if err != nil || len(m.Rows) != len(c.want) {
			t.Errorf("%s: %v, %v", c.file, m, err)
			continue
		}
		for i, got := range m.Rows {
			w := c.want[i]
			if !got.Identity.same(w.Identity) || got.File != w.File || got.Line != w.Line {
				t.Errorf("%s: got %+v, want %+v", c.file, got, w)
			}
		}
	}
}

// wideRow returns a wide CSV of n frequencies whose last line has no end.
func wideRow(n int, front, back, last string) string {
	head, row := "serial,channel", "A1,left"
	if front != "" {
		head, row = head+","+front, row+",L7"
	}
	for i := range n {
		head += fmt.Sprintf(",%d", 20+i)
		row += ",90.25"
	}
	if back != "" {
		head, row = head+","+back, row+",L7"
	}
	return head + "\n" + strings.TrimSuffix(row, ".25") + last
}

func TestWideEdges(t *testing.T) {
	for _, c := range []struct{ name, text, want string }{
		{"shorter at the end", wideRow(26, "", "", ".2"), "half written"},
		{"shorter at the end, ended", wideRow(26, "", "", ".2\n"), ""},
		{"too few to tell", wideRow(25, "", "", ".2"), ""},
		{"an identity at the end", wideRow(26, "", "lot", ""), ""},
		{"falling, shorter at the end", "serial,channel,45,44,43,42,41,40,39,38,37,36,35,34,33,32,31,30,29,28,27,26,25,24,23,22,21,20\n" +
			"A1,left" + strings.Repeat(",90.25", 25) + ",90.2", "half written"},
		{"a number without end", "serial,channel,20,25\nA1,left,90,9e", "half written"},
		{"1000 beside three decimals", "serial;channel;1.250;1000\nA1;left;90;91\n", ""},
		{"12.5 beside three decimals", "serial;channel;1.250;12.5\nA1;left;90;91\n", ""},
		{"three decimals below 1000", "serial;channel;1.250;999\nA1;left;90;91\n", "between thousands"},
		{"k and three decimals", "serial;channel;1.250k;2.500k\nA1;left;90;91\n", ""},
		{"one frequency", "serial;channel;0;20\nA1;left;90;91\n", "fewer than 2"},
		{"no frequency", "serial;channel\nA1;left\n", "fewer than 2"},
		{"negative frequency", "serial;channel;-20;20\nA1;left;90;91\n", "no frequency of a response"},
		{"beyond 1 MHz", "serial;channel;20;1001k\nA1;left;90;91\n", "no frequency of a response"},
		{"repeated frequency", "serial;channel;20;20 Hz\nA1;left;90;91\n", "neither rise nor fall"},
		{"level beyond 300 dB", "serial;channel;20;25\nA1;left;90;300.1\n", "beyond 300"},
		{"level of 300 dB", "serial;channel;20;25\nA1;left;-300;300\n", ""},
		{"column without name", "serial;channel;;20;25\nA1;left;;90;91\n", "no name for column 3"},
		{"no row", "serial;channel;20;25\n\n", "no rows"},
		{"one column", "serial\nA1\n", "1 column"},
		{"comments only", "# serial,channel\n", "is missing"},
		{"open quote in the head", "serial;\"channel;20;25\nA1;left;90;91\n", "not closed"},
		{"open quote in a row", "serial;channel;20;25\n\"A1;left;90;91\nA2;left;90;91\n", "not closed"},
		{"open quote in the last row", "serial;channel;20;25\n\"A1;left;90;91\n", "half written"},
		{"comment below the head", "serial;channel;20;25\n# paused\nA1;left;90;91\n;;;\n", ""},
		{"empty cells beyond the head", "serial;channel;20;25\nA1;left;90;91;;\n", ""},
		{"quoted serial with a sign", "serial;channel;20;25\n\"#A1\";left;90;91\n", ""},
		{"names in other words", " Serial ;CHANNEL;Measured At;20;25\nA1;left;;90;91\n", ""},
		{"comma in quoted levels", "serial,channel,20,\"31,5\"\nA1,left,\"90,1\",\"91,5\"\n", ""},
	} {
		takes, refused := ReadWide("w.csv", []byte(c.text), nil)
		if c.want == "" && (len(refused) > 0 || len(takes) == 0) || c.want != "" && (len(refused) != 1 || !strings.Contains(refused[0].Error(), c.want)) {
			t.Errorf("%s: %d takes, %v; want %q", c.name, len(takes), Refusals(refused), c.want)
		}
	}
}

func TestTimesNeedAZone(t *testing.T) {
	const text = "serial,channel,measured_at,20,25\nA1,left,2024-03-04 10:21,90,91\n"
	_, refused := ReadWide("a.csv", []byte(text), nil)
	if len(refused) != 1 || refused[0].Field != "measured_at" || !strings.Contains(refused[0].Remedy, "offset") {
		t.Errorf("without a zone: %v", refused)
	}
	takes, _ := ReadWide("a.csv", []byte(text), berlin(t))
	if len(takes) != 1 || !takes[0].MeasuredAt.Equal(noon(21, 0)) {
		t.Errorf("with a zone: %v", takes)
	}
}
