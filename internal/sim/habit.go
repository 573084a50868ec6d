package sim

import (
	"fmt"
	"strings"

	"alike/internal/curve"
)

// A habit is how one measuring program of the workshop exports. All are invented.
type habit struct {
	style curve.Style
	wide  bool

	// Of a habit with a file per take: its name, and the lines above its head.
	name     func(curve.Identity) string
	comments func(curve.Identity) []string
}

// Decimals of all habits; Unit.Curve rounds to as many.
const (
	hzDigits = 2
	dbDigits = 3
)

var (
	tabs = habit{
		style: curve.Style{Delimiter: '\t', LineEnd: "\r\n", CommentSign: '*', HzDigits: hzDigits, DBDigits: dbDigits},
		name: func(id curve.Identity) string {
			return fmt.Sprintf("%s_%s_%d%s.txt", id.Serial, id.Channel, id.Seating, again(id, "_try"))
		},
		comments: func(id curve.Identity) []string {
			return []string{
				SiteName + ", " + id.Station,
				fmt.Sprintf("unit %s, %s, seating %d", id.Serial, id.Channel, id.Seating),
				fmt.Sprintf("drive %g V, level in dB SPL", Drive),
			}
		},
	}
	semicolons = habit{
		style: curve.Style{
			Delimiter: ';', Decimal: ',', LineEnd: "\r\n", Encoding: curve.Windows1252,
			Phase: true, HzDigits: hzDigits, DBDigits: dbDigits,
		},
		name: func(id curve.Identity) string {
			return fmt.Sprintf("%s %s%d%s.asc", id.Serial, initial(id), id.Seating, again(id, " no"))
		},
		comments: func(id curve.Identity) []string {
			return []string{"Room 22 °C ± 1 °C", "Operator " + id.Operator}
		},
	}
	days  = habit{style: curve.Style{Encoding: curve.UTF8Mark, HzDigits: hzDigits, DBDigits: dbDigits}, wide: true}
	wider = habit{
		style: curve.Style{
			Delimiter: '\t', LineEnd: "\r\n", Encoding: curve.UTF16LE,
			Phase: true, HzDigits: hzDigits, DBDigits: dbDigits,
		},
		name: func(id curve.Identity) string {
			return fmt.Sprintf("%s-%s-%d%s.txt", initial(id), id.Serial, id.Seating, again(id, "-"))
		},
		comments: func(curve.Identity) []string { return nil },
	}

	// habits by lot.
	habits = []habit{tabs, semicolons, days, tabs, semicolons, wider}
)

// again marks the file of an attempt after the first.
func again(id curve.Identity, sign string) string {
	if id.Attempt < 2 {
		return ""
	}
	return fmt.Sprint(sign, id.Attempt)
}

func initial(id curve.Identity) string { return strings.ToUpper(id.Channel[:1]) }
