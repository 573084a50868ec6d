package main

import (
	"bytes"
	"os"
	"strings"
	"testing"
)

// What README.md shows behind "$ alike …" is what the command prints.
func TestReadmeExamples(t *testing.T) {
	t.Parallel()
	text, err := os.ReadFile("../../README.md")
	if err != nil {
		t.Fatal(err)
	}
	ran := 0
	blocks := strings.Split(string(text), "```")
	for i := 1; i < len(blocks); i += 2 {
		command, want, _ := strings.Cut(strings.TrimPrefix(blocks[i], "\n"), "\n")
		args, ok := strings.CutPrefix(command, "$ alike ")
		if !ok {
			continue
		}
		ran++
		var out, errs bytes.Buffer
		if code := run(t.Context(), strings.Fields(args), nil, &out, &errs); code != 0 {
			t.Errorf("%s: %d %s", command, code, errs.String())
		}
		if out.String() != want {
			t.Errorf("%s prints\n%s, README.md shows\n%s", command, out.String(), want)
		}
	}
	if ran == 0 {
		t.Error("README.md holds no example")
	}
}
