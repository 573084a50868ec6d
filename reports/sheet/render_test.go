//go:build render

package sheet

import (
	"bytes"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"testing"

	"alike/reports/reporttest"
)

// pdfPage matches the object of one page; the tree that holds them is /Pages.
var pdfPage = regexp.MustCompile(`/Type\s*/Page\b[^s]`)

// TestRender prints reports with LibreOffice, as a reader would, and counts the
// pages. It needs soffice on the path and is run with -tags render.
func TestRender(t *testing.T) {
	office, err := exec.LookPath("soffice")
	if err != nil {
		t.Fatal("soffice is not on the path: install LibreOffice Calc or leave out the tag render")
	}
	for _, paper := range []struct {
		name, box string
	}{{"A4", `/MediaBox\s*\[\s*0 0 595`}, {"Letter", `/MediaBox\s*\[\s*0 0 612`}} {
		// Pages: Summary, Findings, Signals, Parts, Capability, Sampling, Rig, Method and Data have one each, and every
		// control chart has one; what may shift by a page are the long tables.
		for _, c := range []struct{ units, channels, least, most int }{{0, 2, 14, 15}, {1, 1, 14, 18}, {40, 2, 17, 21}, {300, 2, 35, 45}} {
			t.Run(fmt.Sprint(paper.name, c.units), func(t *testing.T) {
				o := made
				o.Paper = paper.name
				dir := t.TempDir()
				file := filepath.Join(dir, "lot.xlsx")
				if err := os.WriteFile(file, write(t, reporttest.Lot(c.units, c.channels), o), 0o600); err != nil {
					t.Fatal(err)
				}
				cmd := exec.Command(office, "--headless", "-env:UserInstallation=file://"+filepath.Join(dir, "profile"),
					"--convert-to", "pdf", "--outdir", dir, file)
				if out, err := cmd.CombinedOutput(); err != nil {
					t.Fatalf("%v: %s", err, out)
				}
				pdf, err := os.ReadFile(filepath.Join(dir, "lot.pdf"))
				if err != nil {
					t.Fatal(err)
				}
				if !bytes.HasPrefix(pdf, []byte("%PDF-")) {
					t.Fatal("what came out is no PDF")
				}
				if n := len(pdfPage.FindAll(pdf, -1)); n < c.least || n > c.most {
					t.Errorf("%d pages, want %d to %d", n, c.least, c.most)
				}
				if !regexp.MustCompile(paper.box).Match(pdf) {
					t.Errorf("no page is %s", paper.name)
				}
			})
		}
	}
}

// TestRenderDrivers prints the books about drivers.
func TestRenderDrivers(t *testing.T) {
	office, err := exec.LookPath("soffice")
	if err != nil {
		t.Fatal("soffice is not on the path: install LibreOffice Calc or leave out the tag render")
	}
	for _, paper := range []struct{ name, box string }{{"A4", `/MediaBox\s*\[\s*0 0 595`}, {"Letter", `/MediaBox\s*\[\s*0 0 612`}} {
		o := made
		o.Paper = paper.name
		for name, c := range map[string]struct {
			file        []byte
			least, most int
		}{
			"study": {writeStudy(t, reporttest.Study(3, 40), o), 10, 16},
			// 45 pairs: labels of 20 pairs to a page.
			"picks": {writePicks(t, reporttest.Picks(45), o), 7, 9},
		} {
			t.Run(paper.name+name, func(t *testing.T) {
				dir := t.TempDir()
				if err := os.WriteFile(filepath.Join(dir, "book.xlsx"), c.file, 0o600); err != nil {
					t.Fatal(err)
				}
				cmd := exec.Command(office, "--headless", "-env:UserInstallation=file://"+filepath.Join(dir, "profile"),
					"--convert-to", "pdf", "--outdir", dir, filepath.Join(dir, "book.xlsx"))
				if out, err := cmd.CombinedOutput(); err != nil {
					t.Fatalf("%v: %s", err, out)
				}
				pdf, err := os.ReadFile(filepath.Join(dir, "book.pdf"))
				if err != nil {
					t.Fatal(err)
				}
				if n := len(pdfPage.FindAll(pdf, -1)); n < c.least || n > c.most {
					t.Errorf("%d pages, want %d to %d", n, c.least, c.most)
				}
				if !regexp.MustCompile(paper.box).Match(pdf) {
					t.Errorf("no page is %s", paper.name)
				}
			})
		}
	}
}
