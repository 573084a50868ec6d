package sim

import (
	"math"
	"time"
)

// A Part is one row of the parts ledger: a batch of a component, or a container
// of glue, and the units it went into. A batch that was used twice has two rows.
type Part struct {
	Kind        string // driver, foam, pad, mesh, plate, shell, glue
	Channel     string // left, right or both
	Batch       string
	Supplier    string
	First, Last string    // serials, both included
	Received    time.Time // date only
	Note        string
}

// A delivery is a batch in the script. Its effect multiplies parts by a little
// less or more than one: batches differ, but inside what incoming inspection
// lets through.
type delivery struct {
	kind     string
	channel  int // -1 for both
	batch    string
	supplier string
	from, to mark // to is not included
	day      int  // received, days after the first Monday
	note     string
	effect   func(Params) Params
}

var end = mark{Weeks, 0}

var deliveries = []delivery{
	{"driver", -1, "NV-2431", "Norvane", mark{0, 0}, mark{1, 0.5}, -18, "", nil},
	{"driver", -1, "OS-118", "Ostrel", mark{1, 0.5}, mark{2, 0.25}, -4, "second supplier, first batch; incoming test within limits", ostrel},
	{"driver", -1, "NV-2431", "Norvane", mark{2, 0.25}, mark{3, 0.7}, -18, "", nil},
	{"driver", -1, "NV-2440", "Norvane", mark{3, 0.7}, mark{5, 0.5}, 21, "", norvane2},
	{"driver", -1, "OS-118", "Ostrel", mark{5, 0.5}, end, -4, "", ostrel},

	{"foam", -1, "FS-07", "Lathmoor Foam", mark{0, 0}, mark{1, 0}, -21, "", nil},
	{"foam", -1, "FS-08", "Lathmoor Foam", mark{1, 0}, mark{4, 0}, 3, "", resist(1.01)},
	{"foam", -1, "FS-09", "Lathmoor Foam", mark{denseIn, 0}, mark{denseIn + 1, 0}, 24, "", Params.FoamDense},
	{"foam", -1, "FS-10", "Lathmoor Foam", mark{5, 0}, end, 32, "replaces FS-09", resist(0.993)},

	{"pad", -1, "PD-31", "Wexcombe Pads", mark{0, 0}, mark{2, 0.6}, -25, "", nil},
	{"pad", -1, "PD-32", "Wexcombe Pads", mark{2, 0.6}, end, 10, "", tighter},

	{"mesh", -1, "MS-5", "Corrin Mesh", mark{0, 0}, mark{3, 0.2}, -31, "", nil},
	{"mesh", -1, "MS-6", "Corrin Mesh", mark{3, 0.2}, end, 16, "", finer},

	{"plate", -1, "PL-3", "own print", mark{0, 0}, end, -12, "", nil},

	{"shell", -1, "PR-12", "own print", mark{0, 0}, mark{2, 0}, -10, "", nil},
	{"shell", -1, "PR-13", "own print", mark{2, 0}, mark{4, 0.5}, 11, "", shell(1.005, 0.999)},
	{"shell", -1, "PR-14", "own print", mark{4, 0.5}, end, 25, "", shell(0.995, 1.001)},

	{"glue", left, "GL-61", "Harrowfix", mark{0, 0}, gapFrom, -10, "left gun", nil},
	{"glue", left, "GL-62", "Harrowfix", gapFrom, mark{4, 0}, 17, "left gun", nil},
	{"glue", left, "GL-63", "Harrowfix", mark{4, 0}, end, 17, "left gun; worn nozzle replaced, seam laid twice", nil},
	{"glue", right, "GL-60", "Harrowfix", mark{0, 0}, mark{3, 0}, -10, "right gun", nil},
	{"glue", right, "GL-64", "Harrowfix", mark{3, 0}, end, 17, "right gun", nil},
}

// Small differences between good batches.
func ostrel(p Params) Params   { return p.ScaleBl(dB(-0.08)).ScaleFs(1.02) }
func norvane2(p Params) Params { return p.ScaleBl(dB(0.03)).ScaleFs(0.99) }
func tighter(p Params) Params  { p.Rl *= 1.02; return p }
func finer(p Params) Params    { p.Rm *= 1.01; return p }

func resist(factor float64) func(Params) Params {
	return func(p Params) Params { p.Rf *= factor; return p }
}

func shell(port, volume float64) func(Params) Params {
	return func(p Params) Params { p.Mp *= port; p.V3 *= volume; return p }
}

// dB returns the ratio of amplitudes for a level.
func dB(level float64) float64 { return math.Pow(10, level/20) }

// ledger returns the parts of all lots, kind by kind, each in order of use.
func (s *Story) ledger() []Part {
	var out []Part
	for _, d := range deliveries {
		p := Part{
			Kind: d.kind, Channel: "both", Batch: d.batch, Supplier: d.supplier, Note: d.note,
			First: s.serial[s.number(d.from)], Last: s.serial[s.number(d.to)-1],
			Received: s.monday.AddDate(0, 0, d.day),
		}
		if d.channel >= 0 {
			p.Channel = Channels[d.channel]
		}
		out = append(out, p)
	}
	return out
}

// batches returns what the batches did to unit n.
func (s *Story) batches(n int) []Change {
	var out []Change
	for _, d := range deliveries {
		if d.effect != nil && n >= s.number(d.from) && n < s.number(d.to) {
			out = append(out, on(d.channel, d.effect))
		}
	}
	return out
}
