package curve

// tails keeps how numbers in one column or row are written. When all have as many
// decimals and the last one of the file, which has no line end, has fewer, the
// file stops inside that number.
type tails struct {
	shape  [2]int // decimals, digits of the exponent
	seen   int
	varies bool
}

// alikeNumbers is how many numbers have to agree. An exporter that drops zeros at
// the end of numbers writes 25 of equal length one time in fourteen, and then a
// shorter last one one time in ten; the remedy helps those who meet it.
const alikeNumbers = 25

func (t *tails) add(n number) {
	shape := [2]int{n.decimals, n.exponent}
	t.varies = t.varies || t.seen > 0 && shape != t.shape
	t.shape = shape
	t.seen++
}

func (t *tails) shorter(n number) bool {
	return !t.varies && t.seen >= alikeNumbers && (n.decimals < t.shape[0] || n.exponent < t.shape[1])
}

func halfNumber(file string, line int) *Refusal {
	r := half(file, line, "", "its last row has fewer digits than all others and no line end")
	r.Remedy += "; if it is complete, end its last line with a line break"
	return r
}
