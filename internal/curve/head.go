package curve

import (
	"fmt"
	"strings"
	"unicode"
)

// A layout says where the columns of a text file are and what they are in.
type layout struct {
	delim               byte
	freq, level, phase  int // columns from 0, phase -1 for none
	kilohertz, radians  bool
	line                int      // of the head, 0 for none
	names               []string // cells of the head
	fromComment, noUnit bool
}

// positional is the layout of a file without a head.
func positional(delim byte, width int) layout {
	t := layout{delim: delim, freq: 0, level: 1, phase: -1}
	if width > 2 {
		t.phase = 2
	}
	return t
}

// A quantity is what a column holds, as far as its head tells.
type quantity int

const (
	unknown quantity = iota
	frequency
	level
	phase
	other // a known quantity that is none of the three
)

// headWords are the words of column heads. Languages beside English are those
// whose words differ clearly.
var headWords = map[string]quantity{
	"frequency": frequency, "freq": frequency, "frequencies": frequency, "f": frequency, "frq": frequency,
	"frequenz": frequency, "fréquence": frequency, "frequence": frequency, "frecuencia": frequency,
	"frequenza": frequency, "frequentie": frequency, "frequência": frequency, "frekvens": frequency,
	"hz": frequency, "khz": frequency, "hertz": frequency,

	"level": level, "levels": level, "spl": level, "magnitude": level, "mag": level, "amplitude": level,
	"gain": level, "response": level, "pegel": level, "niveau": level, "nivel": level, "livello": level,
	"db": level, "dbspl": level, "decibel": level,

	"phase": phase, "phases": phase, "ph": phase, "fase": phase, "deg": phase, "degrees": phase,
	"degree": phase, "°": phase, "rad": phase, "radians": phase, "radian": phase,

	"time": other, "zeit": other, "delay": other, "distortion": other, "thd": other, "noise": other,
	"coherence": other, "impedance": other, "ohm": other, "ohms": other, "voltage": other, "current": other,
	"distance": other, "harmonic": other, "h2": other, "h3": other, "uncertainty": other, "deviation": other,
}

// unitWords are heads' words that name a unit only.
var unitWords = map[string]bool{
	"hz": true, "khz": true, "hertz": true, "db": true, "dbspl": true, "decibel": true,
	"deg": true, "degrees": true, "degree": true, "°": true, "rad": true, "radians": true, "radian": true,
	"spl": true, "re": true, "20": true, "upa": true, "µpa": true, "μpa": true, "20upa": true, "20µpa": true, "20μpa": true,
}

// wrongLevel are units a level must not be in: no offset is known that would
// make them dB SPL, or a power of ten lies between.
var wrongLevel = map[string]bool{
	"v": true, "mv": true, "uv": true, "µv": true, "μv": true, "volt": true, "volts": true, "vrms": true,
	"pa": true, "mpa": true, "pascal": true, "upa": true, "µpa": true, "μpa": true, "%": true, "percent": true,
	"lin": true, "linear": true, "ratio": true, "abs": true, "dbv": true, "dbu": true, "dbm": true, "dbfs": true,
	"dba": true, "dbc": true, "dbw": true, "re": true, "fs": true, "w": true,
}

var wrongFrequency = map[string]bool{
	"mhz": true, "ghz": true, "rad": true, "omega": true, "ω": true, "log": true, "log10": true, "lg": true, "ln": true,
	"oct": true, "octave": true, "octaves": true, "bark": true, "erb": true, "rpm": true, "s": true, "ms": true,
}

// needsUnit are names of levels that may as well be linear.
var needsUnit = map[string]bool{"magnitude": true, "mag": true, "amplitude": true, "gain": true}

// headTokens cuts a column head into lower-case words.
func headTokens(cell string) []string {
	return strings.FieldsFunc(strings.ToLower(cell), func(r rune) bool {
		return unicode.IsSpace(r) || strings.ContainsRune("()[]{}<>/_:,;.|\"'=-", r)
	})
}

// meaning tells the quantity of a column. "Frequency response (dB)" is a level,
// "Phase response" a phase, "Noise (dB)" none of the three.
func meaning(cell string) quantity {
	var found [other + 1]bool
	for _, w := range headTokens(cell) {
		q := headWords[w]
		if q == unknown && strings.HasPrefix(w, "db") && wrongLevel[w] {
			q = level
		}
		found[q] = true
	}
	for _, q := range []quantity{other, phase, level, frequency} {
		if found[q] && !(q == phase && found[frequency] && !found[level]) {
			return q
		}
	}
	if found[frequency] {
		return frequency
	}
	return unknown
}

// onlyUnits reports whether a line is the second line of a head, which gives the
// units of the columns named above it.
func onlyUnits(cells []string) bool {
	words := 0
	for _, c := range cells {
		for _, w := range headTokens(c) {
			if !unitWords[w] {
				return false
			}
			words++
		}
	}
	return words > 0
}

// understand fills the layout's columns from the cells of a head. It returns
// false when the cells name no frequency.
func (t *layout) understand(cells []string) (bool, *FieldError) {
	t.freq, t.level, t.phase, t.names = -1, -1, -1, cells
	var fault *FieldError
	var unknowns []int
	take := func(column *int, i int, what string) {
		if *column >= 0 && fault == nil {
			fault = twice(what, cells[*column], cells[i])
		}
		*column = i
	}
	for i, c := range cells {
		switch meaning(c) {
		case frequency:
			take(&t.freq, i, "frequency")
		case level:
			take(&t.level, i, "level")
		case phase:
			take(&t.phase, i, "phase")
		case unknown:
			unknowns = append(unknowns, i)
		}
	}
	if t.freq < 0 {
		return false, nil
	}
	if fault != nil {
		return true, fault
	}
	if t.level < 0 {
		if len(unknowns) != 1 || cells[unknowns[0]] == "" {
			return true, &FieldError{"head", "does not say which column is the level", `name one column "Level (dB)"`}
		}
		t.level, t.noUnit = unknowns[0], true
	}
	return true, t.units(cells)
}

func twice(what, a, b string) *FieldError {
	return &FieldError{"head", fmt.Sprintf("names two columns of %s, %s and %s", what, show(a), show(b)),
		"export one response per file, or a wide CSV with a row per take"}
}

// units reads the units of the three columns.
func (t *layout) units(cells []string) *FieldError {
	for _, w := range headTokens(cells[t.freq]) {
		if w == "khz" {
			t.kilohertz = true
		}
		if wrongFrequency[w] {
			return &FieldError{"frequency", show(cells[t.freq]) + " is neither in Hz nor in kHz", "export frequencies in Hz"}
		}
	}
	if e := levelUnit(cells[t.level]); e != nil {
		return e
	}
	if t.phase < 0 {
		return nil
	}
	for _, w := range headTokens(cells[t.phase]) {
		switch w {
		case "rad", "radian", "radians":
			t.radians = true
		case "s", "ms", "us", "cycles", "turns", "gon", "grad":
			return &FieldError{"phase", show(cells[t.phase]) + " is neither in degrees nor in radians", "export phase in degrees"}
		}
	}
	return nil
}

func levelUnit(cell string) *FieldError {
	const remedy = "export the level in dB or dB SPL, and name the unit in the head"
	words := headTokens(strings.Replace(cell, "%", " % ", 1))
	decibel, bare := false, false
	for i := 0; i < len(words); i++ {
		w := words[i]
		if n := pressureReference(words[i:]); n > 0 {
			i += n - 1
			continue
		}
		switch {
		case wrongLevel[w], decibel && (w == "a" || w == "c"):
			return &FieldError{"level", show(cell) + " is not in dB or dB SPL", remedy}
		case w == "db", w == "dbspl", w == "spl", w == "decibel":
			decibel = true
		case needsUnit[w]:
			bare = true
		}
	}
	if bare && !decibel {
		return &FieldError{"level", show(cell) + " may be linear or in dB", remedy}
	}
	return nil
}

// pressureReference returns the number of words that say "re 20 µPa".
func pressureReference(words []string) int {
	joined, n := "", 0
	for n < len(words) && n < 3 {
		joined += words[n]
		n++
		switch strings.TrimPrefix(joined, "re") {
		case "20upa", "20µpa", "20μpa":
			return n
		}
	}
	return 0
}
