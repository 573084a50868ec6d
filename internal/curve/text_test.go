package curve

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
)

// Cases too small for a file of their own. want is a part of the refusal, empty
// when the text is to be read.
func TestTextEdges(t *testing.T) {
	rows := func(n int, last string) string {
		var b strings.Builder
		for i := range n {
			fmt.Fprintf(&b, "%d,90.25\n", 20+i)
		}
		return b.String() + last
	}
	for _, c := range []struct{ name, text, want string }{
		{"head names as many columns", "f,L,Phase\n20,91,5\n25,92,1\n", ""},
		{"blank beside every comma", "20, 91, 5\n25, 92, 1\n", ""},
		{"a point somewhere", "20,91,5\n25,92.5,1\n", ""},
		{"commas in the frequency of some rows", "20,90\n20,5,91,2\n", "more than one way"},
		{"three decimals beside levels with a decimal", "1.000;90,5\n2.000;91,5\n", "other sign"},
		{"three decimals, same sign", "1.000;90.5\n2.000;91.5\n", ""},
		{"three decimals above a thousand", "20.000;90\n20000.000;91\n", ""},
		{"three decimals in kHz", "f [kHz];L\n1.000;90\n2.000;91\n", ""},
		{"blanks between thousands from the start", "1 000 91\n2 500 92\n", "blanks between thousands"},
		{"the same with a head", "f L ph\n1 200 91\n2 100 92\n", ""},
		{"a level of three digits, phase", "20.5 100 -9\n25 100 -9\n", ""},
		{"no-break blank as delimiter", "20\u00a090\n25\u00a091\n", ""},
		{"no-break blank between thousands", "800 90\n1\u00a0000 91\n", "blanks between thousands"},
		{"25 of equal length, one shorter at the end", rows(25, "45,90.2"), "half written"},
		{"24 of equal length prove too little", rows(24, "45,90.2"), ""},
		{"one shorter, with a line end", rows(25, "45,90.2\n"), ""},
		{"one shorter in the exponent", strings.ReplaceAll(rows(25, "45,90.25E+0"), ".25\n", ".25E+00\n"), "half written"},
		{"a number without end, line ended", rows(3, "45,9e\n"), "half written"},
		{"a number without end, inside", rows(3, "45,9e\n46,90.25\n"), "level"},
		{"an empty cell without line end", rows(3, "45,"), "half written"},
		{"an empty cell with line end", rows(3, "45,\n"), "is empty"},
		{"NaN at 0 Hz", "0,NaN\n20,90\n25,91\n", ""},
		{"a word at 0 Hz", "0,quiet\n20,90\n25,91\n", "not a number"},
		{"0 Hz at both ends", "0,1\n20,90\n25,91\n0,1\n", "0 Hz stands inside"},
		{"0 Hz and one point", "0,1\n20,90\n", "fewer than 2 points"},
		{"level 300", "20,300\n25,-300\n", ""},
		{"level above 300", "20,300.01\n25,1\n", "beyond 300"},
		{"1 MHz", "20,90\n1000000,1\n", ""},
		{"above 1 MHz", "20,90\n1000000.1,1\n", "beyond 1e+06"},
		{"comments between rows", "20;90\n# pause\n; pause; again\n* pause\n\"pause\"\n25;91\n", ""},
		{"a blank row of a spreadsheet", "20;90\n;;\n25;91\n", ""},
		{"a row behind a semicolon, among blanks", "20 90\n; 22 90\n25 91\n", ""},
		{"quoted word in a quoted row", "\"20\",\"90\"\n\"x\",\"91\"\n\"30\",\"92\"\n", "not a number"},
		{"words in the table", "20 90\nleft ear\n25 91\n", "not a number"},
		{"separator below the head", "Frequency Level\n--------- -----\n20 90\n25 91\n", ""},
		{"head cut by words", "Frequency (Hz) SPL (dB)\n20 90\n25 91\n", ""},
		{"head in another delimiter", "Frequency, Level\n20 90\n25 91\n", ""},
		{"level without unit or name", "Frequency;Left\n20;90\n25;91\n", ""},
		{"a voltage without a name", "Frequency;V\n20;90\n25;91\n", "not in dB"},
		{"time and level", "Time;Level\n20;90\n25;91\n", "no column of frequencies"},
		{"radians per second", "f (rad/s);Level\n20;90\n25;91\n", "neither in Hz"},
		{"noise beside the level", "Frequency;Noise (dB);SPL (dB)\n20;10;90\n25;11;91\n", ""},
		{"empty phase column", "f;L;Phase\n20;90;\n25;91;\n", ""},
		{"other white space", "\t20 \v90\f\n 25\u202f91 \n", ""},
		{"serial as a remark", "Serial;1002\nFrequency;Level\n20;90\n25;91\n", ""},
		{"no phase in the last row", "20,91.5,1\n25,92.5,2\n31,93.5,", "phase: the file seems half written"},
		{"no phase in an inner row", "20,91.5,1\n25,92.5,\n31,93.5,2\n", "x.txt:2: phase: is empty"},
		{"no phase in the first row", "20,91.5,\n25,92.5,2\n", "x.txt:1: phase: is empty"},
		{"last row shorter in an ignored column", "20,91.5,1,a\n25,92.5,2,b\n31,93.5,3\n", "half written"},
		{"zero bytes on two lines", "20 90\n\x00\n25\x00 91\n", "x.txt:2: the file seems half written"},
		{"NaN phase at 0 Hz", "0,-inf,NaN\n20,90.5,1\n25,91,2\n", ""},
		{"NaN phase above", "1,9.5,1\n20,90.5,NaN\n25,91,2\n", "phase: \"NaN\""},
		{"no number as phase at 0 Hz", "0,-inf,x\n20,90.5,1\n25,91,2\n", "phase: \"x\""},
		{"head cut by gaps", "Frequency in Hz     Level in dB\n20 90\n25 91\n", ""},
		{"head cut by gaps above semicolons", "Frequency   Level\n20;90\n25;91\n", ""},
		{"title above semicolons", "Left ear\n20;90\n25;91\n", ""},
		{"row without frequency in front", ";90,1\n20;90,1\n25;91\n", "x.txt:1: frequency: is empty"},
		{"comment with more cells", "; 1;2;3\n20;90\n;1;2;3\n25;91\n", ""},
		{"no-break blank between thousands at the end", "20 90\n25 1\u00a0000\n", "blanks between thousands"},
		{"thousands from the start, no zeros", "1 250 91\n2 240 92\n", "blanks between thousands"},
		{"levels of three digits", "20 100\n25 101\n", ""},
		{"hundreds with three decimals", "100.000;90\n200.000;91\n", "between thousands"},
		{"zeros dropped at the end of numbers", strings.Replace(rows(30, "50,90.2"), "90.25", "90.2", 1), ""},
		{"rows repeated with phase", "20,90.5,1\n20,90.5,1\n25,91,2\n", ""},
		{"rows repeated with another phase", "20,90.5,1\n20,90.5,2\n25,91,2\n", "is on line 1 too"},
		{"two frequencies", "f;L;Frequency\n20;90;20\n25;91;25\n", "two columns of frequency"},
		{"two levels, first and last", "Left dB;f;Right dB\n90;20;90\n91;25;91\n", "two columns of level"},
		{"blank line in front, CR", "\r20 90\r\r25 91\r", ""},
		{"empty quoted cell", "\"20\",\"90\"\n\"\",\"91\"\n\"30\",\"90\"\n", "x.txt:2: frequency: is empty"},
		{"a point and no digit", "20 .\n25 91\n", "level"},
		{"a dash as title", "--\n20 90\n25 91\n", ""},
		{"a comma as title", ", see below\n20 90\n25 91\n", ""},
		{"1000 beside three decimals", "1.250;90\n1000;91\n", ""},
		{"a thousand titles", strings.Repeat("words\n", mostTitles) + "20;90\n25;91\n", ""},
		{"more titles", strings.Repeat("words\n", mostTitles+1) + "20;90\n25;91\n", "no row of numbers"},
		{"an empty quoted word in a title", "A \"\" ear\n20;90\n25;91\n", ""},
		{"an empty quoted word above one cell", "A \"\"\n0", "1 column"},
		{"neither comma nor blank", "20|90\n25|91\n", "1 column"},
	} {
		t.Run(c.name, func(t *testing.T) {
			_, _, err := ReadText("x.txt", []byte(c.text))
			if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
				t.Errorf("%q gives %v, want %q", c.text, err, c.want)
			}
		})
	}
}

// The same two rows under delimiters and comments that could mislead.
func TestTextIsReadAs(t *testing.T) {
	for _, text := range []string{
		"20 ,91\n25 ,92\n", "20, 91\n25, 92\n", "20,0 91,0\n25,0 92,0\n", "20\t91\n25\t92\n", "20 \t 91\n25 \t 92\n", "20;91;\n25;92;\n",
		"# sweep frequency\n20 91\n25 92\n", "# Level Frequency response of the left ear\n20 91\n25 92\n", "# Phase Frequency\n20 91\n25 92\n",
		"\"20\" \"91\"\n\"25\" \"92\"\n", "SPL (dB)\tFrequency (Hz)\n91\t20\n92\t25\n", "* SPL(dB) Frequency(kHz)\n91 0.02\n92 0.025\n",
		"Serial;1002\nLevel;Frequency\n91;20\n92;25\n", "25;92\n20;91\n", "0;-inf\n20;91\n25;92\n",
	} {
		c, _, err := ReadText("x", []byte(text))
		if err != nil || !slices.Equal(c.Hz, []float64{20, 25}) || !slices.Equal(c.DB, []float64{91, 92}) || c.Phase != nil {
			t.Errorf("%q is %v, %v", text, c, err)
		}
	}
}

func TestWideHeadIsTold(t *testing.T) {
	for text, want := range map[string]bool{
		"serial,channel,20,25\n": true, "# a\n\nSerial;20;25\n": true, "\xef\xbb\xbfserial\tlot\t20\n": true,
		"": false, "# serial,channel\n": false, "Serial;1002\n": false, "20,90\n": false, "channel,20,25\n": false, "\x89PNGserial,channel": false,
	} {
		if got := isWideData([]byte(text)); got != want {
			t.Errorf("%q: %v, want %v", text, got, want)
		}
	}
}

func TestHeadWords(t *testing.T) {
	for cell, want := range map[string]quantity{
		"Frequency (Hz)": frequency, "freq.": frequency, "f/kHz": frequency, "Hz": frequency, "Fréquence": frequency,
		"Frequency response (dB)": level, "dBSPL": level, "SPL": level, "Pegel [dB]": level, "dBV": level,
		"Phase response (deg)": phase, "°": phase, "Noise (dB)": other, "Group delay (ms)": other, "Remark": unknown, "V": unknown,
	} {
		if got := meaning(cell); got != want {
			t.Errorf("%q is quantity %d, want %d", cell, got, want)
		}
	}
	for cell, good := range map[string]bool{
		"Level (dB)": true, "dB SPL": true, "dB re 20 µPa": true, "SPL [dB re 20uPa]": true, "dB(SPL)": true, "Level": true,
		"dB re 1 V": false, "dBFS": false, "dB(C)": false, "Level [%]": false, "SPL (mPa)": false, "Gain": false, "Gain dB": true,
	} {
		if e := levelUnit(cell); (e == nil) != good {
			t.Errorf("%q: %v", cell, e)
		}
	}
}

func TestLimits(t *testing.T) {
	var b strings.Builder
	for i := range MaxPoints {
		fmt.Fprintf(&b, "%.1f 9\n", 1+float64(i)/10)
	}
	c, _, err := ReadText("most", []byte(b.String()))
	if err != nil || len(c.Hz) != MaxPoints {
		t.Errorf("%d points: %v", MaxPoints, err)
	}
	b.WriteString("200000 9\n")
	var r *Refusal
	if _, _, err = ReadText("more", []byte(b.String())); !errors.As(err, &r) || r.Line != MaxPoints+1 || !strings.Contains(r.Reason, "1000000 rows") {
		t.Errorf("one point more: %v", err)
	}
	if _, _, err = ReadText("large", make([]byte, MaxBytes+1)); err == nil || !strings.Contains(err.Error(), "64 MiB") {
		t.Errorf("one byte too many: %v", err)
	}
	full := []byte(strings.Repeat(" ", MaxBytes-12) + "\n20 9\n25 90\n")
	if _, _, err = ReadText("full", full); err != nil || len(full) != MaxBytes {
		t.Errorf("%d bytes: %v", len(full), err)
	}
}

func TestRefusalText(t *testing.T) {
	for want, r := range map[string]*Refusal{
		"a.txt:3: level: is empty; fill it": {"a.txt", 3, "level", "is empty", "fill it"},
		"a.txt: is empty; fill it":          {"a.txt", 0, "", "is empty", "fill it"},
	} {
		if r.Error() != want {
			t.Errorf("got %q, want %q", r.Error(), want)
		}
	}
	_, err := ReadManifest("m.csv", []byte("file,serial,channel\n,1,l\na,,l\n"), nil)
	var first *Refusal
	if !errors.As(err, &first) || first.Line != 2 || err.Error() != "m.csv:2: file: is empty; name the file of every row\nm.csv:3: serial: is empty; give the serial of every take" {
		t.Errorf("a manifest with two faults: %v", err)
	}
	_, _, err = ReadText("", nil)
	if r := (*Refusal)(nil); !errors.As(err, &r) || r.File == "" {
		t.Errorf("without a name: %v", err)
	}
}
