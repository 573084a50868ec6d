package curve

import (
	"bytes"
	"errors"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"alike/spc/band"
)

// seeds adds every vector file.
func seeds(f *testing.F) {
	for _, folder := range []string{"good", "bad"} {
		for _, name := range filesIn(f, folder) {
			f.Add(readFile(f, filepath.Join(vectors, folder, name)))
		}
	}
}

func checkRefusal(t *testing.T, r *Refusal) {
	t.Helper()
	if r == nil || r.File == "" || r.Reason == "" || r.Remedy == "" || r.Line < 0 {
		t.Fatalf("incomplete refusal %+v", r)
	}
}

func checkIdentity(t *testing.T, id Identity) {
	t.Helper()
	again, err := id.Normal()
	if err != nil || !again.same(id) {
		t.Fatalf("identity %+v is not normal: %v", id, err)
	}
}

func sameCurve(a, b band.Curve) bool {
	return equalWithin(a.Hz, b.Hz, 0) && equalWithin(a.DB, b.DB, 0) && equalWithin(a.Phase, b.Phase, 0)
}

func FuzzText(f *testing.F) {
	seeds(f)
	f.Fuzz(func(t *testing.T, data []byte) {
		c, notes, err := ReadText("x", data)
		if err != nil {
			var r *Refusal
			if !errors.As(err, &r) || c.Hz != nil || c.DB != nil || c.Phase != nil || notes != nil {
				t.Fatalf("%v beside %v, %q", err, c, notes)
			}
			checkRefusal(t, r)
			return
		}
		if err := c.Check(); err != nil {
			t.Fatal(err)
		}
		var b bytes.Buffer
		if err := WriteText(&b, c, Style{Phase: true}); err != nil {
			t.Fatal(err)
		}
		if again, _, err := ReadText("x", b.Bytes()); err != nil || !sameCurve(again, c) {
			t.Fatalf("%v: %v, want %v", err, again, c)
		}
	})
}

func FuzzWide(f *testing.F) {
	seeds(f)
	f.Fuzz(func(t *testing.T, data []byte) {
		takes, refused := ReadWide("x", data, time.UTC)
		if len(takes)+len(refused) == 0 {
			t.Fatal("neither takes nor refusals")
		}
		for _, r := range refused {
			checkRefusal(t, r)
		}
		for _, take := range takes {
			checkIdentity(t, take.Identity)
			if err := take.Curve.Check(); err != nil {
				t.Fatal(err)
			}
		}
		var b bytes.Buffer
		if err := WriteWide(&b, takes, Style{}); err != nil {
			if len(takes) > 0 && !strings.Contains(err.Error(), "between thousands") {
				t.Fatal(err)
			}
			return
		}
		again, refused := ReadWide("x", b.Bytes(), time.UTC)
		if len(refused) > 0 || len(again) != len(takes) {
			t.Fatalf("%v\n%s", Refusals(refused), b.String())
		}
		for i, take := range again {
			if !take.Identity.same(takes[i].Identity) || !sameCurve(take.Curve, takes[i].Curve) {
				t.Fatalf("got %+v, want %+v", take, takes[i])
			}
		}
	})
}

func FuzzManifest(f *testing.F) {
	seeds(f)
	f.Fuzz(func(t *testing.T, data []byte) {
		m, err := ReadManifest("x", data, time.UTC)
		if err != nil {
			var rs Refusals
			if !errors.As(err, &rs) || len(rs) == 0 || m.Rows != nil || m.Notes != nil {
				t.Fatalf("%v beside %v", err, m)
			}
			for _, r := range rs {
				checkRefusal(t, r)
			}
			return
		}
		for _, r := range m.Rows {
			checkIdentity(t, r.Identity)
			if !filepath.IsLocal(r.File) {
				t.Fatalf("%q leaves the folder", r.File)
			}
		}
		var b bytes.Buffer
		if err := WriteManifest(&b, m.Rows); err != nil {
			t.Fatal(err)
		}
		again, err := ReadManifest("x", b.Bytes(), nil)
		if err != nil || len(again.Rows) != len(m.Rows) {
			t.Fatalf("%v\n%s", err, b.String())
		}
		for i, r := range again.Rows {
			if !r.Identity.same(m.Rows[i].Identity) || r.File != m.Rows[i].File {
				t.Fatalf("got %+v, want %+v", r, m.Rows[i])
			}
		}
	})
}

func FuzzPattern(f *testing.F) {
	for _, s := range [][2]string{
		{"{serial}_{channel}_{seating}.txt", "A_7_L_2.txt"}, {"{lot}/{serial}-{channel}-{date}", "L7/A-1-r-20240304T102105.dat"},
		{"{date}{serial}", "x"}, {"{any}_{serial}", "a_b"}, {"{serial", ""}, {"{operator}Ä{attempt}.{channel}", "oÄ3.m"},
	} {
		f.Add(s[0], s[1])
	}
	for _, folder := range []string{"good", "bad"} {
		for _, name := range filesIn(f, folder) {
			f.Add("{product}-{serial}", folder+"/"+name)
		}
	}
	f.Fuzz(func(t *testing.T, text, name string) {
		p, err := ParsePattern(text)
		if err != nil {
			var e *PatternError
			if !errors.As(err, &e) || e.Reason == "" || e.Remedy == "" || e.At < 0 || e.At > len(text) || p.parts != nil {
				t.Fatalf("%v beside %v", err, p)
			}
			return
		}
		id, err := p.Match(name)
		if err != nil {
			var r *Refusal
			if !errors.As(err, &r) || id != (Identity{}) {
				t.Fatalf("%v beside %v", err, id)
			}
			checkRefusal(t, r)
			return
		}
		if err := id.tidy(false); err != nil {
			t.Fatal(err)
		}
		if said, err := p.Name(id); err == nil {
			if again, err := p.Match(said); err != nil || !again.same(id) {
				t.Fatalf("%s says %q, which is %+v, %v; want %+v", p, said, again, err, id)
			}
		}
	})
}
