package api_test

import (
	"archive/zip"
	"bytes"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"alike/api"

	"github.com/xuri/excelize/v2"
)

// Texts that a spreadsheet could take for a formula, a command or markup stand in
// reports as texts. OWASP lists the signs that begin a formula: = + - @ tab, carriage
// return, and their full-width forms.
func TestFormulasStayTexts(t *testing.T) {
	t.Parallel()
	c, _, _ := serve(t, "")
	payloads := []string{`=1+1`, `=HYPERLINK("http://x.example","y")`, `+1+1`, `-1+1`, `@SUM(1)`, `=cmd|' C'!A0`, `＝1+1`, `＋1`, `－1`, `＠x`, `"=1+1`, `'=1+1`, `;=1+1`, `<f>1</f>`, `]]><f>`, `&lt;f&gt;`, `{=1}`, `=DDE("a";"b")`}
	for i, p := range payloads {
		for _, ch := range []string{"left", "right", "centre"} {
			k := take(p, ch, 0.1*float64(i+1)+0.01*float64(len(ch)))
			k.Station, k.Operator, k.Source, k.Lot = p, p, p, "=L+1"
			k.Serial = strings.NewReplacer("/", "", "\\", "").Replace(k.Serial)
			if a := c.do("POST", "/api/v1/takes", k); a.status != http.StatusCreated && ch != "centre" {
				t.Fatalf("%s: %d %s", p, a.status, a.body)
			}
			if ch == "left" { // a retest has its reason in the report
				c.do("POST", "/api/v1/takes", takes{[]api.Take{k}})
			}
		}
	}
	a := c.do("GET", "/api/v1/lots/"+url.PathEscape("=L+1")+"/report.xlsx", nil)
	if a.status != http.StatusOK {
		t.Fatalf("%d %s", a.status, a.body)
	}
	f, err := excelize.OpenReader(bytes.NewReader(a.body))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	shown := map[string]bool{}
	for _, sheet := range f.GetSheetList() {
		rows, err := f.GetRows(sheet)
		if err != nil {
			t.Fatal(err)
		}
		for r, row := range rows {
			for col, text := range row {
				shown[text] = true
				name, _ := excelize.CoordinatesToCellName(col+1, r+1)
				formula, err := f.GetCellFormula(sheet, name)
				if err != nil || formula != "" && !strings.HasPrefix(formula, "HYPERLINK(\"#") {
					t.Errorf("%s %s holds the formula %q (%v)", sheet, name, formula, err)
				}
			}
		}
	}
	for _, p := range payloads[:4] {
		if serial := strings.ReplaceAll(p, "/", ""); !shown[serial] {
			t.Errorf("serial %q is not in the report as it is", serial)
		}
	}
	links(t, a.body)
}

// links looks through all parts for addresses that lead out.
func links(t *testing.T, book []byte) {
	t.Helper()
	z, err := zip.NewReader(bytes.NewReader(book), int64(len(book)))
	if err != nil {
		t.Fatal(err)
	}
	for _, part := range z.File {
		r, err := part.Open()
		if err != nil {
			t.Fatal(err)
		}
		text, err := io.ReadAll(r)
		r.Close()
		if err != nil {
			t.Fatal(err)
		}
		for _, bad := range []string{`TargetMode="External"`, "ddeLink", "externalLink", "<f>cmd", "<f>1+1", "<f>DDE"} {
			if bytes.Contains(text, []byte(bad)) {
				t.Error(fmt.Sprintf("%s holds %s", part.Name, bad))
			}
		}
	}
}
