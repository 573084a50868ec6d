package sim

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/csv"
	"encoding/hex"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"alike/internal/curve"
)

func export(t *testing.T, s *Story) Folder {
	t.Helper()
	f, err := s.Write(t.Context(), filepath.Join(t.TempDir(), "story"), nil)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

// TestExportReadsBack reads all takes as the tool would, and finds every one with
// the same identity and the very same numbers.
func TestExportReadsBack(t *testing.T) {
	s := tell(t, Options{Units: 12, Seed: 7})
	f := export(t, s)
	entries, refused, err := curve.Plan([]string{f.Takes}, curve.Options{})
	if err != nil || len(refused) > 0 {
		t.Fatalf("error %v, refused %v", err, refused)
	}
	type place struct {
		serial, channel  string
		attempt, seating int
	}
	read := map[place]curve.Take{}
	for _, e := range entries {
		takes, refused := e.Takes()
		if len(refused) > 0 {
			t.Fatal(refused)
		}
		for _, take := range takes {
			read[place{take.Serial, take.Channel, take.Attempt, take.Seating}] = take
		}
	}
	if want := (6*12 + 1) * 6; f.Count != want || len(read) != want {
		t.Errorf("%d takes written, %d read, want %d", f.Count, len(read), want)
	}
	phases := map[string]bool{}
	for take := range s.Takes() {
		got := read[place{take.Serial, take.Channel, take.Attempt, take.Seating}]
		if !got.MeasuredAt.Equal(take.MeasuredAt) {
			t.Errorf("%s is measured at %v, was at %v", take.Serial, got.MeasuredAt, take.MeasuredAt)
		}
		got.MeasuredAt = take.MeasuredAt
		if got.Identity != take.Identity {
			t.Errorf("identity %+v, was %+v", got.Identity, take.Identity)
		}
		if !slices.Equal(got.Curve.Hz, take.Curve.Hz) || !slices.Equal(got.Curve.DB, take.Curve.DB) {
			t.Fatalf("%s reads back as another curve", got.Source.File)
		}
		phases[take.Lot] = got.Curve.Phase != nil
		if got.Curve.Phase != nil && !slices.Equal(got.Curve.Phase, take.Curve.Phase) {
			t.Fatalf("%s reads back with another phase", got.Source.File)
		}
	}
	for i, want := range []bool{false, true, false, false, true, true} {
		if phases[s.Lots[i].Code] != want {
			t.Errorf("lot %s with phase: %v", s.Lots[i].Code, !want)
		}
	}

	data, err := os.ReadFile(f.Target)
	if err != nil {
		t.Fatal(err)
	}
	c, _, err := curve.ReadText(f.Target, data)
	if err != nil || !slices.Equal(c.Hz, s.Product.Target.Curve.Hz) || !slices.Equal(c.DB, s.Product.Target.Curve.DB) {
		t.Errorf("the target reads back as another curve, error %v", err)
	}
}

// TestHabits looks at the bytes that make the lots' files differ.
func TestHabits(t *testing.T) {
	s := tell(t, Options{Units: 12})
	f := export(t, s)
	for lot, want := range []string{
		"* Tarnbeck Workshop, rig-1\r\n", "# Room 22 \xb0C", "\xef\xbb\xbfserial,channel,", "* Tarnbeck Workshop, rig-1\r\n", "# Room 22 \xb0C",
		"\xff\xfeF\x00r\x00e\x00q\x00",
	} {
		var texts []string
		manifest := false
		for _, e := range dir(t, f.Lots[lot]) {
			if e == curve.ManifestName {
				manifest = true
				continue
			}
			texts = append(texts, e)
		}
		if manifest == (lot == 2) {
			t.Errorf("lot %d has a manifest: %v", lot, manifest)
		}
		data, err := os.ReadFile(filepath.Join(f.Lots[lot], texts[0]))
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.HasPrefix(data, []byte(want)) {
			t.Errorf("%s of lot %d begins %q, want %q", texts[0], lot, data[:40], want)
		}
		if (lot == 1 || lot == 4) != bytes.Contains(data, []byte(";10")) || (lot == 0 || lot == 3) != bytes.Contains(data, []byte("\t10")) {
			t.Errorf("%s of lot %d has other delimiters: %q", texts[0], lot, data[:200])
		}
	}
	if got := len(dir(t, f.Lots[2])); got != 5 {
		t.Errorf("%d files of days", got)
	}
}

func dir(t *testing.T, name string) []string {
	t.Helper()
	entries, err := os.ReadDir(name)
	if err != nil {
		t.Fatal(err)
	}
	var names []string
	for _, e := range entries {
		names = append(names, e.Name())
	}
	return names
}

func TestPartsFile(t *testing.T) {
	s := tell(t, Options{})
	data, err := os.ReadFile(export(t, s).Parts)
	if err != nil {
		t.Fatal(err)
	}
	rows, err := csv.NewReader(bytes.NewReader(data)).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	if got := strings.Join(rows[0], ","); got != "kind,channel,batch,supplier,first,last,received,note" {
		t.Errorf("head %s", got)
	}
	if len(rows) != len(s.Parts)+1 {
		t.Errorf("%d rows for %d parts", len(rows), len(s.Parts))
	}
	for i, r := range rows[1:] {
		p := s.Parts[i]
		if want := []string{p.Kind, p.Channel, p.Batch, p.Supplier, p.First, p.Last, p.Received.Format("2006-01-02"), p.Note}; !slices.Equal(r, want) {
			t.Errorf("row %v, want %v", r, want)
		}
	}
}

// hash returns the SHA-256 of all files below a folder, with their names.
func hash(t *testing.T, folder string) string {
	t.Helper()
	h := sha256.New()
	err := filepath.WalkDir(folder, func(name string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		rel, _ := filepath.Rel(folder, name)
		data, err := os.ReadFile(name)
		h.Write([]byte(filepath.ToSlash(rel) + "\n"))
		h.Write(data)
		return err
	})
	if err != nil {
		t.Fatal(err)
	}
	return hex.EncodeToString(h.Sum(nil))
}

// TestSameSeedSameBytes: a story never changes by itself. The golden hash changes
// when the script, a part, a habit or a library's generator does; then look at
// what changed before writing the new one here.
func TestSameSeedSameBytes(t *testing.T) {
	const golden = "2ce59f9dbb0638d2e72d0b4d089c5fa42a1ff44532a9452989967101430e7412"
	a := hash(t, export(t, tell(t, Options{Units: 12, Seed: 7})).Dir)
	b := hash(t, export(t, tell(t, Options{Units: 12, Seed: 7})).Dir)
	if a != b {
		t.Errorf("the same seed gives %s and %s", a, b)
	}
	if a != golden {
		t.Errorf("the story has the hash %s, had %s", a, golden)
	}
	if other := hash(t, export(t, tell(t, Options{Units: 12, Seed: 8})).Dir); other == a {
		t.Error("another seed gives the same story")
	}
}

func TestProgressAndCancel(t *testing.T) {
	s := tell(t, Options{Units: 12})
	folder := filepath.Join(t.TempDir(), "story")
	last, calls := 0, 0
	f, err := s.Write(t.Context(), folder, func(done, total int) {
		calls++
		if done <= last || done > total || total != 438 {
			t.Errorf("progress %d of %d after %d", done, total, last)
		}
		last = done
	})
	if err != nil || last != f.Count || calls != 73 {
		t.Errorf("last progress %d of %d in %d calls, error %v", last, f.Count, calls, err)
	}
	// A second story does not fit into the same folder, and leaves the first alone.
	before := hash(t, folder)
	if _, err := s.Write(t.Context(), folder, nil); err == nil || !strings.Contains(err.Error(), "takes is already there") {
		t.Errorf("second story: error %v", err)
	}
	if hash(t, folder) != before {
		t.Error("the second story changed the first")
	}

	ctx, cancel := context.WithCancel(t.Context())
	folder = filepath.Join(t.TempDir(), "cut")
	_, err = s.Write(ctx, folder, func(done, total int) {
		if done > 100 {
			cancel()
		}
	})
	if !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: error %v", err)
	}
	if left := dir(t, folder); len(left) != 0 {
		t.Errorf("cancelled, but %v are left", left)
	}
}

func TestWriteNamesWhatItCannotMake(t *testing.T) {
	file := filepath.Join(t.TempDir(), "file")
	if err := os.WriteFile(file, nil, 0o644); err != nil {
		t.Fatal(err)
	}
	_, err := tell(t, Options{Units: 12}).Write(t.Context(), file, nil)
	if err == nil || !strings.Contains(err.Error(), "cannot make the story's folder") || !strings.Contains(err.Error(), file) {
		t.Errorf("error %v", err)
	}
}

func BenchmarkWrite(b *testing.B) {
	for b.Loop() {
		s, err := New(Options{})
		if err != nil {
			b.Fatal(err)
		}
		if _, err := s.Write(b.Context(), filepath.Join(b.TempDir(), "story"), nil); err != nil {
			b.Fatal(err)
		}
	}
}
