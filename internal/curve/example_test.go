package curve_test

import (
	"fmt"
	"time"

	"alike/internal/curve"
)

func ExampleReadText() {
	c, notes, err := curve.ReadText("A102_left_1.txt", []byte("* rig 2\nFrequenz [Hz];Pegel [dB]\n20,5;91,2\n1000;94,0\n"))
	fmt.Println(c.Hz, c.DB, err)
	fmt.Println(notes)

	_, _, err = curve.ReadText("A102_left_2.txt", []byte("Frequency (Hz),Level (dB)\n20,91.2\n25,\n31.5,90\n"))
	fmt.Println(err)
	// Output:
	// [20.5 1000] [91.2 94] <nil>
	// [Numbers are written with a decimal comma.]
	// A102_left_2.txt:3: level: is empty; fill the cell or leave the row out of the export
}

func ExampleReadWide() {
	takes, refused := curve.ReadWide("week.csv", []byte(
		"serial;channel;seating;20;31,5;1k;1,25 kHz;20000 Hz\n"+
			"A102;left;1;90,1;92,4;94,0;94,2;81,7\n"+
			"A103;left;1;90,3;92,2;;94,1;81,5\n"), nil)
	for _, t := range takes {
		fmt.Println(t.Serial, t.Channel, t.Seating, t.Curve.Hz, t.Curve.DB)
	}
	for _, r := range refused {
		fmt.Println(r)
	}
	// Output:
	// A102 left 1 [20 31.5 1000 1250 20000] [90.1 92.4 94 94.2 81.7]
	// week.csv:3: 1k: is empty; fill the cell or leave the row out of the export
}

func ExampleReadManifest() {
	m, err := curve.ReadManifest("manifest.csv", []byte(
		"file,serial,channel,seating,measured_at\nmonday/0001.txt,A102,left,1,2024-03-04T10:21:00+01:00\n"), time.UTC)
	fmt.Println(m.Rows[0].File, m.Rows[0].Serial, m.Rows[0].MeasuredAt.UTC(), err)
	// Output: monday/0001.txt A102 2024-03-04 09:21:00 +0000 UTC <nil>
}

func ExampleParsePattern() {
	p, err := curve.ParsePattern("{serial}_{channel}_{seating}.txt")
	if err != nil {
		fmt.Println(err)
	}
	id, err := p.Match("monday/A_7_L_2.txt")
	fmt.Println(id.Serial, id.Channel, id.Seating, err)

	_, err = curve.ParsePattern("{serial}{channel}.txt")
	fmt.Println(err)
	// Output:
	// A_7 left 2 <nil>
	// pattern "{serial}{channel}.txt" at character 9: {channel} follows {serial} at once, so nothing says where one ends; put a sign such as _ between them
}
