package backup

import (
	"bytes"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"hash"
)

// A Tally counts rows and sums their hashes, in any order of rows.
type Tally struct {
	Rows int64
	sum  [4]uint64
	row  hash.Hash // of the row under way
	part bool      // a row is under way
}

// add takes rows in pieces of any size.
func (t *Tally) add(p []byte) {
	if t.row == nil {
		t.row = sha256.New()
	}
	for {
		i := bytes.IndexByte(p, '\n')
		if i < 0 {
			t.part = t.part || len(p) > 0
			t.row.Write(p)
			return
		}
		t.part = false
		t.row.Write(p[:i])
		var h [sha256.Size]byte
		t.row.Sum(h[:0])
		t.row.Reset()
		for k := range t.sum {
			t.sum[k] += binary.LittleEndian.Uint64(h[8*k:])
		}
		t.Rows++
		p = p[i+1:]
	}
}

// Write lets a Tally stand at the end of a pipe.
func (t *Tally) Write(p []byte) (int, error) {
	t.add(p)
	return len(p), nil
}

// Same reports whether two tables have the same rows.
func (t Tally) Same(other Tally) bool { return t.Rows == other.Rows && t.sum == other.sum }

type wireTally struct {
	Rows int64  `json:"rows"`
	Sum  string `json:"sum"`
}

func (t Tally) MarshalJSON() ([]byte, error) {
	var b []byte
	for _, x := range t.sum {
		b = binary.LittleEndian.AppendUint64(b, x)
	}
	return json.Marshal(wireTally{t.Rows, hex.EncodeToString(b)})
}

func (t *Tally) UnmarshalJSON(data []byte) error {
	var w wireTally
	if err := json.Unmarshal(data, &w); err != nil {
		return err
	}
	b, err := hex.DecodeString(w.Sum)
	if err != nil || len(b) != sha256.Size {
		return damage("the sum %q is none", w.Sum)
	}
	t.Rows = w.Rows
	for k := range t.sum {
		t.sum[k] = binary.LittleEndian.Uint64(b[8*k:])
	}
	return nil
}
