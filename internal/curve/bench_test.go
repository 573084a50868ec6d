package curve

import (
	"bytes"
	"fmt"
	"math"
	"testing"

	"alike/spc/band"
)

func BenchmarkReadText(b *testing.B) {
	for _, n := range []int{480, 20000} {
		var c band.Curve
		for i := range n {
			c.Hz = append(c.Hz, 20*math.Pow(1000, float64(i)/float64(n-1)))
			c.DB = append(c.DB, 90+5*math.Sin(float64(i)/17))
			c.Phase = append(c.Phase, 90*math.Cos(float64(i)/11))
		}
		for name, s := range map[string]Style{
			"comma":         {HzDigits: 4, DBDigits: 3, Phase: true},
			"decimal-comma": {Delimiter: ';', Decimal: ',', HzDigits: 4, DBDigits: 3, Phase: true},
			"utf16":         {Delimiter: '\t', Encoding: UTF16LE, HzDigits: 4, DBDigits: 3, Phase: true},
		} {
			var text bytes.Buffer
			if err := WriteText(&text, c, s); err != nil {
				b.Fatal(err)
			}
			b.Run(fmt.Sprintf("%d/%s", n, name), func(b *testing.B) {
				b.SetBytes(int64(text.Len()))
				b.ReportAllocs()
				for b.Loop() {
					if _, _, err := ReadText("x", text.Bytes()); err != nil {
						b.Fatal(err)
					}
				}
			})
		}
	}
}
