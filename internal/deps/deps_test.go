// Package deps holds the project's import rule, as a test.
package deps

import (
	"encoding/json"
	"errors"
	"io"
	"os/exec"
	"slices"
	"strings"
	"testing"
)

// allowed says which packages of ours each package may import. A trailing /... stands
// for everything below. What is not listed may import none of ours. The command wires
// everything and is not listed.
var allowed = map[string][]string{
	"alike/api":                      {"alike/api/pages", "alike/internal/access", "alike/internal/line", "alike/internal/store", "alike/internal/curve", "alike/reports/...", "alike/spc/..."},
	"alike/api/pages":                {"alike/reports/plot", "alike/spc/..."},
	"alike/reports":                  {"alike/spc/..."},
	"alike/reports/sheet":            {"alike/reports", "alike/reports/plot", "alike/spc/..."},
	"alike/reports/plot":             {"alike/reports", "alike/spc/..."},
	"alike/reports/certificate":      {"alike/reports", "alike/reports/plot", "alike/spc/..."},
	"alike/reports/reporttest":       {"alike/reports", "alike/spc/..."},
	"alike/internal/line":            {"alike/internal/access", "alike/internal/store", "alike/internal/curve", "alike/reports", "alike/spc/..."},
	"alike/internal/store":           {"alike/migrations"},
	"alike/internal/store/storetest": {"alike/internal/store", "alike/internal/pg/..."},
	"alike/internal/curve":           {"alike/spc/band"},
	"alike/internal/backup":          {"alike/internal/store", "alike/internal/curve", "alike/spc/band"},
	"alike/internal/pg/pgtest":       {"alike/internal/pg"},
	"alike/internal/station":         {"alike/internal/curve"},
	"alike/internal/sim":             {"alike/internal/curve", "alike/spc/..."},
	// The budget of a board is about the rules of its charts, and of all streams together.
	"alike/spc/budget": {"alike/spc/chart", "alike/spc/multi"},
	// Coincidences are several tests at once, adjusted as comparisons are.
	"alike/spc/cause": {"alike/spc/compare"},
	// Run lengths are those of the charts' own rules.
	"alike/spc/runlength": {"alike/spc/chart"},
	// T² and MEWMA give charts, and MEWMA takes its limit from its run length.
	"alike/spc/multi": {"alike/spc/chart", "alike/spc/runlength"},
}

// leaves are the packages of spc that all others there may use: any further import
// between two families needs a line, and its reason, in the table above.
var leaves = []string{"alike/spc/sample", "alike/spc/dist", "alike/spc/band"}

// pure are the only modules that spc may use beside the standard library.
var pure = []string{"gonum.org/v1/gonum/"}

// impure are packages of the standard library that have no place in spc: no files, no
// clock, no network, no logging.
var impure = []string{"os", "io/fs", "net", "net/http", "log", "log/slog", "time", "database/sql", "os/exec"}

type goPackage struct {
	ImportPath string
	Imports    []string
}

func packages(t *testing.T) []goPackage {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), "go", "list", "-json=ImportPath,Imports", "alike/...")
	out, err := cmd.Output()
	if err != nil {
		var exit *exec.ExitError
		if errors.As(err, &exit) {
			t.Fatalf("%v: %s", err, exit.Stderr)
		}
		t.Fatal(err)
	}
	var all []goPackage
	for d := json.NewDecoder(strings.NewReader(string(out))); ; {
		var p goPackage
		if err := d.Decode(&p); err == io.EOF {
			return all
		} else if err != nil {
			t.Fatal(err)
		}
		all = append(all, p)
	}
}

func matches(rules []string, path string) bool {
	return slices.ContainsFunc(rules, func(r string) bool {
		below, wild := strings.CutSuffix(r, "/...")
		return path == r || wild && (path == below || strings.HasPrefix(path, below+"/"))
	})
}

// TestImportRule holds every package against the table above: nothing imports
// upwards, and spc stays usable by a stranger.
func TestImportRule(t *testing.T) {
	all := packages(t)
	if len(all) < 15 {
		t.Fatalf("only %d packages were listed", len(all))
	}
	for _, p := range all {
		if strings.HasPrefix(p.ImportPath, "alike/cmd/") || p.ImportPath == "alike/internal/deps" {
			continue
		}
		for _, i := range p.Imports {
			if strings.HasPrefix(i, "alike/") && !matches(allowed[p.ImportPath], i) && !(strings.HasPrefix(p.ImportPath, "alike/spc/") && slices.Contains(leaves, i)) {
				t.Errorf("%s imports %s", p.ImportPath, i)
			}
			if strings.HasPrefix(p.ImportPath, "alike/spc") && !fitsSPC(i) {
				t.Errorf("%s imports %s: spc is pure", p.ImportPath, i)
			}
		}
	}
}

func fitsSPC(path string) bool {
	if strings.HasPrefix(path, "alike/spc/") {
		return true
	}
	if first, _, _ := strings.Cut(path, "/"); strings.Contains(first, ".") {
		return slices.ContainsFunc(pure, func(m string) bool { return strings.HasPrefix(path, m) })
	}
	return !slices.Contains(impure, path)
}

// TestRuleBites makes sure that the rule can fail.
func TestRuleBites(t *testing.T) {
	for _, bad := range []string{"os", "time", "github.com/jackc/pgx/v5"} {
		if fitsSPC(bad) {
			t.Errorf("spc may import %s", bad)
		}
	}
	if !fitsSPC("math") || !fitsSPC("gonum.org/v1/gonum/mat") {
		t.Error("spc may not import math or gonum")
	}
	if matches(allowed["alike/internal/curve"], "alike/internal/store") || !matches(allowed["alike/api"], "alike/spc/chart") {
		t.Error("the table is read wrongly")
	}
}
