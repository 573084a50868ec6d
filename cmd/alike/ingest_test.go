package main

import (
	"bytes"
	"fmt"
	"strings"
	"testing"

	"alike/internal/curve"
)

// A folder refused for one reason is told once in full and then counted; another reason
// among it is not lost.
func TestManyRefusalsForOneReason(t *testing.T) {
	var refused []curve.Refusal
	for i := range 100 {
		refused = append(refused, curve.Refusal{File: fmt.Sprintf("%d.txt", i), Field: "product", Reason: "there is no product p9", Remedy: "add it"})
	}
	refused[50].Reason = "there is no product q7"
	var errs bytes.Buffer
	(&console{err: &errs}).tellRefused(refused)
	told := errs.String()
	if n := strings.Count(told, "\n"); n != alikeRefused+2 {
		t.Errorf("%d lines:\n%s", n, told)
	}
	contains(t, "the error stream", told, "50.txt: product: there is no product q7; add it")
	contains(t, "the error stream", told, "79 more for the same reason, all kept in quarantine: there is no product p9; add it")
}
