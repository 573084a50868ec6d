package plot

// The colours of Okabe and Ito, "Color Universal Design" (2008), which people
// with any of the common colour-vision deficiencies can tell apart; and greys.
const (
	Black      = "#000000"
	Orange     = "#E69F00"
	Sky        = "#56B4E9"
	Green      = "#009E73"
	Yellow     = "#F0E442"
	Blue       = "#0072B2"
	Vermillion = "#D55E00"
	Purple     = "#CC79A7"

	Text  = "#262626"
	Muted = "#5F6B73"
	Faint = "#A9B4BB" // single curves, older points
	Rule  = "#DDE2E5" // grid
)

// A Look is how a word is shown: a sign and a colour that go with it, never
// without it.
type Look struct {
	Sign   string
	Colour string // for lines and bars
	Tint   string // the same, pale, as ground for dark text
}

var looks = map[string]Look{
	"pass":         {"✓", Green, "#D9F0EA"},
	"accept":       {"✓", Green, "#D9F0EA"},
	"fail":         {"✗", Vermillion, "#F9E2D2"},
	"refuse":       {"✗", Vermillion, "#F9E2D2"},
	"doubtful":     {"≈", Orange, "#FBEFD2"},
	"reseat":       {"↔", Sky, "#E1F1FB"},
	"hold":         {"‖", Purple, "#F6E7EF"},
	"waiting":      {"…", Faint, "#EEF1F3"},
	"not complete": {"…", Faint, "#EEF1F3"},
}

// Words lists the verdict words that have a Look of their own, in the order in
// which a report counts them.
var Words = []string{"pass", "fail", "doubtful", "reseat", "hold", "waiting"}

// LookOf returns the look of a verdict or proposal word. An unknown word gets a
// neutral one.
func LookOf(word string) Look {
	if l, ok := looks[word]; ok {
		return l
	}
	return Look{"·", Muted, "#EEF1F3"}
}

// A Stroke tells a named curve from the other ones by colour and by dashes, so
// that a black-and-white print works too.
type Stroke struct {
	Colour string
	Dash   string // "", "dash", "dot", "dashdot"
}

var strokes = []Stroke{
	{Vermillion, ""}, {Blue, "dash"}, {Purple, "dashdot"}, {Green, "dot"},
	{Vermillion, "dash"}, {Blue, ""}, {Purple, "dot"}, {Green, "dashdot"},
}

// Named is how many curves of one picture can be named and still be told apart.
const Named = 8

// StrokeOf returns the stroke of the i-th named curve.
func StrokeOf(i int) Stroke { return strokes[i%len(strokes)] }

// shapes are drawn by the SVG writer and known to spreadsheets under the same
// names. The sign stands for the shape in running text.
var shapes = []struct{ Name, Sign string }{
	{"diamond", "◆"}, {"square", "■"}, {"triangle", "▲"}, {"star", "✶"},
	{"x", "✕"}, {"plus", "✚"}, {"dash", "▬"}, {"circle", "●"},
}
