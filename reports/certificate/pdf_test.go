package certificate

import (
	"bytes"
	"errors"
	"math"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
	"time"

	"alike/reports"
)

var at = time.Date(2026, 10, 15, 8, 47, 0, 0, time.FixedZone("", 7200))

func good(serial string) reports.Certificate {
	nan := math.NaN()
	return reports.Certificate{
		Site: "Dílna Žofie", Product: "TB-40 rev C", Lot: "W42", Serial: serial, MeasuredAt: at, Attempt: 2, Verdict: "pass",
		Sentence: "all judged values lie inside", NotChecked: "no limit for 20 Hz", Envelope: 3, Rig: "reference unit REF passed",
		Axis: []float64{20, 200, 2000, 20000}, Sensitivity: []float64{100.1, 99.8}, Balance: 0.3,
		Limits:  reports.Limits{Lower: []float64{nan, -3, -3, nan}, Upper: []float64{nan, 3, 3, nan}},
		Curves:  []reports.Series{{Name: "left", Values: []float64{0.1, nan, 0.3, 9}}, {Name: "right", Values: []float64{0, 0.2, -0.3, 0.1}}},
		Outcome: "concession", DecidedBy: "Ilse K", DecidedAt: at.Add(30 * time.Hour), Reason: "heard", DataHash: strings.Repeat("5e", 32),
	}
}

func write(t *testing.T, all reports.Certificates) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := Write(&b, all); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// Each unit has an A5 page of its own (148 by 210 mm is 419.53 by 595.28 points), and the
// same certificates are the same bytes.
func TestOnePageEach(t *testing.T) {
	all := reports.Certificates{Lot: "W42", Good: []reports.Certificate{good("A-1"), good("A-2"), good("A-3")}}
	pdf := write(t, all)
	if n := len(regexp.MustCompile(`/Type /Page\b[^s]`).FindAll(pdf, -1)); n != 3 {
		t.Errorf("%d pages, want 3", n)
	}
	if !regexp.MustCompile(`/MediaBox \[0 0 419\.5\d 595\.2\d\]`).Match(pdf) {
		t.Error("the pages are not A5")
	}
	if !bytes.Equal(pdf, write(t, all)) {
		t.Error("the same certificates give other bytes")
	}
	all.Good[0].Serial = "A-9"
	if bytes.Equal(pdf, write(t, all)) {
		t.Error("another serial gives the same bytes")
	}
}

// What a reader sees, by a program that reads PDF; without one on the path there is
// nothing to read with, and the pictures of the page are looked at by people.
func TestWhatThePageSays(t *testing.T) {
	reader, err := exec.LookPath("pdftotext")
	if err != nil {
		t.Log("pdftotext is not on the path: the text of the page was not read")
		return
	}
	c := good("A-1")
	c.Override = "Ilse set fail to pass: " + strings.Repeat("a long story ", 60)
	c.Reason = "odd \x01 letters 🎧 in it"
	name := filepath.Join(t.TempDir(), "c.pdf")
	if err := os.WriteFile(name, write(t, reports.Certificates{Lot: "W42", Good: []reports.Certificate{c}}), 0o600); err != nil {
		t.Fatal(err)
	}
	out, err := exec.CommandContext(t.Context(), reader, "-layout", name, "-").Output()
	if err != nil {
		t.Fatal(err)
	}
	text := strings.ReplaceAll(string(out), "\u2011", "-")
	for _, want := range []string{"Dílna Žofie", "A-1", "pass", "2026-10-15 08:47 +02:00, at attempt 2", "all judged values lie inside", "left 100.1 dB SPL, right 99.8 dB SPL, left minus right +0.3 dB",
		"version 3", "reference unit REF passed", "no limit for 20 Hz", "W42, decided: concession, by Ilse K on 2026-10-16", "5e5e5e"} {
		if !strings.Contains(text, want) {
			t.Errorf("the page lacks %q: %s", want, text)
		}
	}
}

func TestRefuses(t *testing.T) {
	if err := Write(&bytes.Buffer{}, reports.Certificates{Lot: "W1"}); err == nil || !strings.Contains(err.Error(), "none passed") {
		t.Errorf("no certificate: %v", err)
	}
	c := good("A-1")
	c.Curves[0].Values = c.Curves[0].Values[1:]
	if err := Write(&bytes.Buffer{}, reports.Certificates{Good: []reports.Certificate{c}}); err == nil || !strings.Contains(err.Error(), "3 values for 4 bands") {
		t.Errorf("a curve too short: %v", err)
	}
	if err := Write(broken{}, reports.Certificates{Good: []reports.Certificate{good("A-1")}}); !errors.Is(err, errBroken) {
		t.Errorf("broken writer: %v", err)
	}
}

var errBroken = errors.New("disk full")

type broken struct{}

func (broken) Write([]byte) (int, error) { return 0, errBroken }
