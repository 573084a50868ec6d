package curve

import (
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"syscall"
	"testing"
	"testing/fstest"
	"time"
)

const twoPoints = "20 90\n25 91\n"

// tree writes files below a new folder; a name that ends in a slash is a folder.
func tree(t *testing.T, files map[string]string) string {
	t.Helper()
	top := t.TempDir()
	for name, text := range files {
		full := filepath.Join(top, filepath.FromSlash(name))
		if err := os.MkdirAll(filepath.Dir(full), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(full, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	return top
}

// told shortens entries and refusals to lines for comparison, paths below top.
func told(top string, entries []Entry, refused []*Refusal) (es, rs []string) {
	for _, e := range entries {
		rel, _ := filepath.Rel(top, e.File)
		what := e.Serial + " " + e.Channel
		if e.Wide {
			what = "wide"
		}
		es = append(es, rel+": "+what)
	}
	for _, r := range refused {
		es := strings.ReplaceAll(r.Error(), top+string(filepath.Separator), "")
		rs = append(rs, es)
	}
	return es, rs
}

func checkPlan(t *testing.T, top string, paths []string, o Options, entries []string, refused ...string) []Entry {
	t.Helper()
	es, rs, err := Plan(paths, o)
	if err != nil {
		t.Fatal(err)
	}
	gotE, gotR := told(top, es, rs)
	if !slices.Equal(gotE, entries) {
		t.Errorf("entries are\n%s\nwant\n%s", strings.Join(gotE, "\n"), strings.Join(entries, "\n"))
	}
	slices.Sort(gotR)
	slices.Sort(refused)
	if !slices.EqualFunc(gotR, refused, strings.HasPrefix) {
		t.Errorf("refusals are\n%s\nwant\n%s", strings.Join(gotR, "\n"), strings.Join(refused, "\n"))
	}
	for _, r := range rs {
		if r.File == "" || r.Reason == "" || r.Remedy == "" {
			t.Errorf("incomplete refusal %+v", r)
		}
	}
	return es
}

func TestPlanByPattern(t *testing.T) {
	top := tree(t, map[string]string{
		"A10_L.txt": twoPoints, "A9_L.txt": twoPoints, "a9_R.TXT": twoPoints, "sub/A1_m.dat": twoPoints,
		"all.csv":     "# week 9\nSerial;Channel;20;25\nB1;L;90;91\nB2;L;90;\n",
		"nothing.txt": twoPoints, "B_left.wav": "RIFF", "c_L.csv": "20,90\n25,91\n", "w_L.txt": "serial;channel;20;25\nB1;L;90;91\n", "x.tsv": "serial\tchannel\t20\t25\nB1\tL\t90\t91\n",
		".hidden_L.txt": twoPoints, ".git/A1_L.txt": twoPoints, "Thumbs.db": "x", "notes.md": "x", "lot.xlsx": "x", "~$lot.txt": "x", "A1_L.txt.tmp": "x", ".DS_Store": "x",
	})
	es := checkPlan(t, top, []string{top}, Options{Pattern: mustPattern(t, "{serial}_{channel}")},
		[]string{"A9_L.txt: A9 left", "a9_R.TXT: a9 right", "A10_L.txt: A10 left", "all.csv: wide", "c_L.csv: c left", "sub/A1_m.dat: A1 mono", "w_L.txt: w left", "x.tsv: wide"},
		"nothing.txt: its name does not fit the pattern", "B_left.wav: has not the ending of a text file")
	takes, refused := es[0].Takes()
	if len(takes) != 1 || len(refused) != 0 || takes[0].Serial != "A9" || takes[0].Curve.DB[1] != 91 || takes[0].Source != (Source{es[0].File, 0}) {
		t.Errorf("read %+v, %v", takes, Refusals(refused))
	}
	takes, refused = es[3].Takes()
	if len(takes) != 1 || len(refused) != 1 || takes[0].Serial != "B1" || takes[0].Source.Line != 3 || refused[0].Line != 4 {
		t.Errorf("wide: %+v, %v", takes, Refusals(refused))
	}
}

func TestPlanByManifest(t *testing.T) {
	top := tree(t, map[string]string{
		"lot/manifest.csv": "file,serial,channel,measured_at\nb.txt,A1,left,2024-03-04 10:21\nsub/a.txt,A1,right,\nlost.txt,A2,left,\nsub,A3,left,\nb.txt/x.txt,A4,left,\n",
		"lot/b.txt":        twoPoints, "lot/sub/a.txt": twoPoints, "lot/c.txt": twoPoints, "lot/sub/manifest.csv": "x", "lot/sub/read.md": "x",
		"zone_L.txt": twoPoints,
	})
	o := Options{Pattern: mustPattern(t, "{serial}_{channel}.txt"), Zone: berlin(t), Defaults: Identity{Lot: "L7", Serial: "never"}}
	refused := []string{
		`lot/manifest.csv:4: file: "lost.txt" is missing`,
		`lot/manifest.csv:5: file: "sub" is no ordinary file`,
		`lot/manifest.csv:6: file: "b.txt/x.txt" cannot be read`,
		"lot/c.txt: is not in manifest",
		"lot/sub/manifest.csv: is not in manifest",
	}
	es := checkPlan(t, top, []string{top}, o, []string{"lot/b.txt: A1 left", "lot/sub/a.txt: A1 right", "zone_L.txt: zone left"}, refused...)
	if e := es[0]; e.Lot != "L7" || !e.MeasuredAt.Equal(noon(21, 0)) {
		t.Errorf("entry is %+v", e)
	}
	checkPlan(t, top, []string{top + "/lot/manifest.csv", top + "/lot", top + "/lot/"}, o, []string{"lot/b.txt: A1 left", "lot/sub/a.txt: A1 right"}, refused...)
}

func TestPlanBrokenManifest(t *testing.T) {
	top := tree(t, map[string]string{"manifest.csv": "file,serial,channel\n../a.txt,A1,left\nb.txt,,left\n", "b.txt": twoPoints})
	checkPlan(t, top, []string{top}, Options{}, nil, "manifest.csv:2: file: ", "manifest.csv:3: serial: ")
}

// A symbolic link must not lead out of a manifest's folder, neither as the file
// nor as a folder on the way, nor when it is put there after planning.
func TestPlanLinks(t *testing.T) {
	top := tree(t, map[string]string{
		"secret/s.txt": twoPoints, "lot/real.txt": twoPoints, "lot/late.txt": twoPoints,
		"lot/manifest.csv": "file,serial,channel\nin.txt,A1,left\nout.txt,A2,left\ndir/s.txt,A3,left\nlate.txt,A4,left\nreal.txt,A5,left\n",
	})
	for link, to := range map[string]string{"lot/in.txt": "real.txt", "lot/out.txt": "../secret/s.txt", "lot/dir": "../secret"} {
		if err := os.Symlink(to, filepath.Join(top, link)); err != nil {
			t.Fatal(err)
		}
	}
	es := checkPlan(t, top, []string{top + "/lot"}, Options{}, []string{"lot/in.txt: A1 left", "lot/late.txt: A4 left"},
		`lot/manifest.csv:3: file: "out.txt" leads out of the folder`, `lot/manifest.csv:4: file: "dir/s.txt" leads out of the folder`,
		"lot/dir: is not in manifest", `lot/manifest.csv:6: file: "real.txt" was given before as serial "A1", channel left`)
	late := filepath.Join(top, "lot", "late.txt")
	if err := os.Remove(late); err != nil {
		t.Fatal(err)
	}
	if err := os.Symlink("../secret/s.txt", late); err != nil {
		t.Fatal(err)
	}
	if takes, refused := es[1].Takes(); len(takes) != 0 || len(refused) != 1 || !strings.Contains(refused[0].Reason, "leads out") {
		t.Errorf("a late link: %v, %v", takes, Refusals(refused))
	}
}

func TestPlanOddPaths(t *testing.T) {
	top := tree(t, map[string]string{"A1_L.txt": twoPoints, "A2.frq": twoPoints, "A3_L.txt/x_L.txt": twoPoints})
	pipe := filepath.Join(top, "P_L.txt")
	if err := syscall.Mkfifo(pipe, 0o644); err != nil {
		t.Fatal(err)
	}
	link := filepath.Join(top, "Z_L.txt")
	if err := os.Symlink("A1_L.txt", link); err != nil {
		t.Fatal(err)
	}
	a1 := filepath.Join(top, "A1_L.txt")
	o := Options{Pattern: mustPattern(t, "{serial}_{channel}.txt")}
	checkPlan(t, top, []string{a1, top}, o, []string{"A1_L.txt: A1 left", "A3_L.txt/x_L.txt: x left"},
		"A2.frq: has not the ending", "P_L.txt: is no ordinary file", "Z_L.txt: is a symbolic link")
	checkPlan(t, top, []string{link, filepath.Join(top, "gone"), pipe}, o, []string{"Z_L.txt: Z left"},
		"gone: cannot be found", "P_L.txt: is no ordinary file")
	checkPlan(t, top, []string{filepath.Join(top, "A2.frq")}, Options{Pattern: mustPattern(t, "{serial}.frq"), Defaults: Identity{Channel: "M"}}, []string{"A2.frq: A2 mono"})
	checkPlan(t, top, []string{filepath.Join(top, "A2.frq")}, Options{Pattern: mustPattern(t, "{serial}.frq")}, nil, "A2.frq: channel: is empty")
	checkPlan(t, top, []string{a1}, Options{}, nil, "A1_L.txt: nothing says which take it is")
	t.Chdir(top)
	checkPlan(t, "", []string{"A1_L.txt", a1, "./A1_L.txt"}, o, []string{"A1_L.txt: A1 left"})
	if _, _, err := Plan(nil, o); err == nil {
		t.Error("no paths are taken")
	}
}

// growing is a file that an exporter changes while it is read.
type growing struct {
	fs.File
	size  int64
	stats int
	touch bool
}

type info struct {
	fs.FileInfo
	size int64
	at   time.Time
}

func (i info) Size() int64        { return i.size }
func (i info) ModTime() time.Time { return i.at }

func (g *growing) Stat() (fs.FileInfo, error) {
	i, err := g.File.Stat()
	g.stats++
	out := info{i, i.Size(), i.ModTime()}
	if g.stats > 1 {
		out.size += g.size
		if g.touch {
			out.at = out.at.Add(time.Millisecond)
		}
	}
	return out, err
}

func TestStillWritten(t *testing.T) {
	files := fstest.MapFS{"a.txt": {Data: []byte(twoPoints)}}
	for name, g := range map[string]*growing{"": {}, "grown": {size: 7}, "touched": {touch: true}} {
		f, err := files.Open("a.txt")
		if err != nil {
			t.Fatal(err)
		}
		g.File = f
		data, r := readSteady("a.txt", g)
		if name == "" && (r != nil || string(data) != twoPoints) || name != "" && (r == nil || data != nil || r.Reason != "is still being written") {
			t.Errorf("%s: %q, %v", name, data, r)
		}
	}
}

func TestTooLargeIsNotRead(t *testing.T) {
	top := t.TempDir()
	name := filepath.Join(top, "A1_L.txt")
	if err := os.WriteFile(name, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Truncate(name, MaxBytes+1); err != nil {
		t.Fatal(err)
	}
	es := checkPlan(t, top, []string{name}, Options{Pattern: mustPattern(t, "{serial}_{channel}")}, []string{"A1_L.txt: A1 left"})
	if _, refused := es[0].Takes(); len(refused) != 1 || !strings.Contains(refused[0].Reason, "64 MiB") {
		t.Errorf("refused %v", Refusals(refused))
	}
}

func TestNaturalOrder(t *testing.T) {
	got := []string{"ä", "b", "a10b", "a10", "a02", "a2", "A2", "a1"}
	slices.SortFunc(got, natural)
	// A2, a02 and a2 are the same number: their bytes decide.
	if !slices.Equal(got, []string{"a1", "A2", "a02", "a2", "a10", "a10b", "b", "ä"}) {
		t.Errorf("got %q", got)
	}
}
