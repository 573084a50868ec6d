//go:build unix

package main

import (
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"alike/internal/curve"
)

// A fate is what should become of a take.
type fate int

const (
	good       fate = iota // stored
	contrary               // refused by the server: a channel that the product lacks, or a curve it has
	unreadable             // refused by the station
)

// A made is one take that the rig wrote.
type made struct {
	name string // serial_channel
	fate fate
	hash string
	text string
}

// A rig is a measuring program: it writes files, some in pieces, some bad.
type rig struct {
	t    *testing.T
	dir  string
	rng  *rand.Rand
	made []made
}

func newRig(t *testing.T, dir string) *rig {
	t.Helper()
	if err := os.Mkdir(dir, 0o755); err != nil {
		t.Fatal(err)
	}
	return &rig{t: t, dir: dir, rng: rand.New(rand.NewPCG(5, 6))}
}

// measure makes the takes of one round: 20 units of two channels, and some trouble.
func (r *rig) measure(round int) {
	before := len(r.made)
	for u := range 20 {
		for _, channel := range []string{"left", "right"} {
			r.write(r.take(fmt.Sprintf("F%03d%02d_%s", round, u, channel)))
		}
	}
	r.write(r.contrary(r.take(fmt.Sprintf("F%03d90_centre", round))))
	if before > 0 { // a curve that is stored since the last round
		twin := r.made[0]
		twin.name = fmt.Sprintf("F%03d91_left", round)
		r.write(r.contrary(twin))
	}
	if round%4 == 2 {
		m := r.take(fmt.Sprintf("F%03d92_left", round))
		m.text, m.fate = strings.Replace(m.text, "\t", "\tloud", 1), unreadable
		r.write(m)
	}
}

func (r *rig) contrary(m made) made {
	m.fate = contrary
	return m
}

func (r *rig) take(name string) made {
	var b strings.Builder
	level := 100 + r.rng.NormFloat64()/5
	for hz := 20.0; hz < 20000; hz *= 1.03 {
		fmt.Fprintf(&b, "%.2f\t%.3f\n", hz, level+r.rng.NormFloat64()/50)
	}
	c, _, err := curve.ReadText(name, []byte(b.String()))
	if err != nil {
		r.t.Error(err)
	}
	return made{name: name, hash: fmt.Sprintf("%x", curve.Hash(c)), text: b.String()}
}

// write writes a file as measuring programs do: most under another name first, some in
// pieces, each of which ends in the middle of a row.
func (r *rig) write(m made) {
	r.made = append(r.made, m)
	name := filepath.Join(r.dir, m.name+"_1.txt")
	if r.rng.IntN(4) > 0 || m.fate == unreadable {
		r.check(os.WriteFile(name+".part", []byte(m.text), 0o644))
		r.check(os.Rename(name+".part", name))
		return
	}
	f, err := os.Create(name)
	r.check(err)
	defer f.Close()
	rest := m.text
	for range 1 + r.rng.IntN(3) {
		at := strings.IndexByte(rest[len(rest)/3:], '\n') + len(rest)/3 + 3 // inside a frequency
		_, err := f.WriteString(rest[:at])
		r.check(err)
		rest = rest[at:]
		<-time.NewTimer(time.Duration(r.rng.IntN(40)) * time.Millisecond).C // a slow program, no wait for anything
	}
	_, err = f.WriteString(rest)
	r.check(err)
}

func (r *rig) check(err error) {
	if err != nil {
		r.t.Error(err)
	}
}
