package curve_test

import (
	"strings"
	"testing"
	"time"

	"alike/internal/curve"
)

func TestReadFiles(t *testing.T) {
	const text = "20\t90.5\n1000\t94.1\n20000\t80.2\n"
	pattern, err := curve.ParsePattern("{serial}_{channel}")
	if err != nil {
		t.Fatal(err)
	}
	lot := curve.Identity{Lot: "W1"}
	for _, tt := range []struct {
		name    string
		o       curve.Options
		files   []curve.File
		takes   []string // serial and channel
		refused []string // part of each message
	}{
		{"by pattern", curve.Options{Pattern: pattern, Defaults: lot}, []curve.File{
			{"A1_left.txt", []byte(text)}, {"A1_r.txt", []byte(text)}, {"notes.txt", []byte(text)}, {"A2_left.txt", []byte("x")},
		}, []string{"A1 left", "A1 right"}, []string{"notes.txt", "A2_left.txt"}},
		{"by defaults alone", curve.Options{Defaults: curve.Identity{Lot: "W1", Serial: "A1", Channel: "left"}}, []curve.File{{"x.txt", []byte(text)}},
			[]string{"A1 left"}, nil},
		{"without a word of what it is", curve.Options{}, []curve.File{{"x.txt", []byte(text)}}, nil, []string{"x.txt: serial"}},
		{"two of one identity", curve.Options{Pattern: pattern}, []curve.File{{"A1_left.txt", []byte(text)}, {"b/A1_l.txt", []byte(text)}},
			[]string{"A1 left"}, []string{"same take as \"A1_left.txt\""}},
		{"by manifest", curve.Options{Defaults: lot}, []curve.File{
			{"manifest.csv", []byte("file,serial,channel\na.txt,A1,left\nlost.txt,A2,left\n")}, {"a.txt", []byte(text)}, {"b.txt", []byte(text)},
		}, []string{"A1 left"}, []string{"b.txt: is not in the manifest", "lists \"lost.txt\""}},
		{"a bad manifest reads nothing", curve.Options{}, []curve.File{
			{"manifest.csv", []byte("file,serial\na.txt,A1\n")}, {"a.txt", []byte(text)},
		}, nil, []string{"manifest.csv:1"}},
		{"wide", curve.Options{Defaults: lot}, []curve.File{{"w.csv", []byte("serial,channel,20,1k,20k\nA1,left,90,94,80\nA1,right,90,,80\n")}},
			[]string{"A1 left"}, []string{"w.csv:3"}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			tt.o.Zone = time.UTC
			takes, refused := curve.ReadFiles(tt.files, tt.o)
			var got []string
			for _, k := range takes {
				got = append(got, k.Serial+" "+k.Channel)
				if k.Lot != tt.o.Defaults.Lot || len(k.Curve.Hz) != 3 {
					t.Errorf("%+v", k)
				}
			}
			if strings.Join(got, ", ") != strings.Join(tt.takes, ", ") {
				t.Errorf("takes %v, want %v", got, tt.takes)
			}
			if len(refused) != len(tt.refused) {
				t.Fatalf("refused %v", refused)
			}
			for i, want := range tt.refused {
				if !strings.Contains(refused[i].Error(), want) {
					t.Errorf("%q lacks %q", refused[i].Error(), want)
				}
			}
		})
	}
}
