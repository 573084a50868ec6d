package backup_test

import (
	"archive/tar"
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"fmt"
	"testing"

	"alike/internal/backup"
)

// archive puts names and contents, in turns, into a tar archive.
func archive(f *testing.F, members ...string) []byte {
	f.Helper()
	var b bytes.Buffer
	w := tar.NewWriter(&b)
	for i := 0; i < len(members); i += 2 {
		if err := w.WriteHeader(&tar.Header{Name: members[i], Size: int64(len(members[i+1]))}); err != nil {
			f.Fatal(err)
		}
		_, _ = w.Write([]byte(members[i+1]))
	}
	w.Close()
	return b.Bytes()
}

// FuzzCheck gives the reader archives whose members are changed behind gzip's back: it
// refuses them or finds what it counts, and never panics.
func FuzzCheck(f *testing.F) {
	sum := fmt.Sprintf(`{"tables":{"a":{"rows":1,"sum":"%x"}}}`, sha256.Sum256([]byte("x")))
	sound := archive(f, "backup.json", `{"format":1,"tables":[{"name":"a"}]}`, "tables/a/000001.copy", "x\n", "end.json", sum)
	check := func(t *testing.T, members []byte) (backup.End, error) {
		var b bytes.Buffer
		z, _ := gzip.NewWriterLevel(&b, gzip.NoCompression)
		_, _ = z.Write(members)
		z.Close()
		_, end, err := backup.Check(t.Context(), &b, quiet)
		return end, err
	}
	f.Add(sound)
	f.Add(sound[:len(sound)/2])
	f.Add(archive(f, "backup.json", `{"format":1}`, "end.json", `{}`))
	f.Add(archive(f, "backup.json", `{"format":1,"tables":[{"name":"a"},{"name":"a"},{"name":"../b"}]}`, "tables/a/000001.copy", "x", "end.json", `{"tables":{"a":{"rows":-1,"sum":""}}}`))
	f.Fuzz(func(t *testing.T, members []byte) {
		end, err := check(t, members)
		if bytes.Equal(members, sound) && (err != nil || end.Rows() != 1) {
			t.Errorf("a sound archive: %v", err)
		}
		if err == nil && end.Rows() < 0 {
			t.Error("fewer rows than none")
		}
	})
}
