//go:build unix

package main

import (
	"flag"
	"fmt"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"text/tabwriter"
	"time"
)

var (
	rounds     = flag.Int("rounds", 0, "rounds of TestFaults; 0 is for a short form of four")
	faultTable = flag.String("fault-table", "", "file that TestFaults writes its table to")
)

// A fault is what goes wrong in a round.
type fault struct {
	name string
	do   func(*shop)
}

var faults = []fault{
	{"server killed", func(s *shop) { s.server.kill() }},
	{"station killed", func(s *shop) { s.station.kill() }},
	{"PostgreSQL killed", func(s *shop) { s.killPostgres() }},
	{"answers lost", func(s *shop) { s.wire.loseAnswers(150 * time.Millisecond) }},
	{"server and PostgreSQL killed", func(s *shop) { s.server.kill(); s.killPostgres() }},
	{"disconnected", func(s *shop) { s.wire.cut(150 * time.Millisecond) }},
	{"station and server killed", func(s *shop) { s.station.kill(); s.server.kill() }},
	{"server hangs", func(s *shop) { s.server.hang(300 * time.Millisecond) }},
}

// Takes come from a rig under load while server, station and PostgreSQL are killed with
// kill -9 and connections break, at random moments. After each round every take is
// accounted for: stored once, or refused once with its reason kept. The full form is
//
//	go test ./cmd/alike -run TestFaults -rounds 50 -v -fault-table cmd/alike/testdata/faults.txt
func TestFaults(t *testing.T) {
	t.Parallel()
	n := *rounds
	if n == 0 {
		n = 4
	}
	s := openShop(t)
	rng := rand.New(rand.NewPCG(7, 11))
	var table strings.Builder
	w := tabwriter.NewWriter(&table, 0, 4, 2, ' ', tabwriter.AlignRight)
	fmt.Fprintln(w, "round\tfault\tafter ms\ttakes sent\tspooled then\tstored once\tquarantined\tlost\ttwice\tnot as sent\t")
	started := time.Now()
	for i := range n {
		f := faults[i%len(faults)]
		if i >= len(faults) {
			f = faults[rng.IntN(len(faults))]
		}
		row := s.round(i+1, f, time.Duration(rng.IntN(400))*time.Millisecond)
		fmt.Fprintln(w, row)
		t.Log(row)
		if t.Failed() {
			break
		}
	}
	w.Flush()
	s.end()
	text := fmt.Sprintf("%s\n%s\nThe journal has no gap, and every unit of two takes has one verdict.\n", table.String(), s.summary(n))
	t.Logf("in %v\n%s", time.Since(started).Round(time.Second), text)
	if *faultTable != "" && !t.Failed() {
		head := fmt.Sprintf("Counts run on from round to round; the takes spooled are those at the moment of the fault.\n\ngo test ./cmd/alike -run TestFaults -rounds %d -v -fault-table cmd/alike/testdata/faults.txt\n\n", *rounds)
		if err := os.WriteFile(filepath.Join("..", "..", *faultTable), []byte(head+text), 0o644); err != nil {
			t.Error(err)
		}
	}
}

// round lets a fault happen while takes come in, repairs, waits until all is dealt
// with, and returns the row of the table.
func (s *shop) round(n int, f fault, after time.Duration) string {
	s.t.Helper()
	s.repair()
	measured := make(chan struct{})
	go func() {
		defer close(measured)
		s.rig.measure(n)
	}()
	timer := time.NewTimer(after)
	<-timer.C
	spooled := s.spooled()
	f.do(s)
	s.repair()
	<-measured
	until(s.t, fmt.Sprintf("round %d, %s: folder and spool are empty", n, f.name), func() bool {
		s.repair()
		return s.spooled() == 0 && len(s.rig.waiting()) == 0
	})
	a := s.account()
	return fmt.Sprintf("%d\t%s\t%d\t%d\t%d\t%d\t%d\t%d\t%d\t%d\t", n, f.name, after.Milliseconds(), len(s.rig.made), spooled,
		a.stored, a.quarantined, len(a.lost), len(a.twice), len(a.changed))
}

func (s *shop) summary(n int) string {
	a := s.account()
	return fmt.Sprintf("%d rounds: %d takes sent = %d stored once + %d quarantined; %d lost, %d twice, %d not as sent",
		n, len(s.rig.made), a.stored, a.quarantined, len(a.lost), len(a.twice), len(a.changed))
}
