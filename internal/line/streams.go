package line

import (
	"math"

	"alike/spc/band"
	"alike/spc/envelope"
)

// A Stream is one number per unit that is charted.
type Stream struct {
	Key      string // "deviation/left/63": names the stream in the API and the database
	Title    string // "left 63 Hz deviation"
	Quantity envelope.Quantity
	Channel  string  // empty for balance
	Band     int     // index into the bands, -1 for a scalar
	Unit     string  // "dB" or "dB SPL"
	Hz       float64 // nominal mid-band frequency, 0 for a scalar
}

// Positive reports whether the stream's values cannot be negative.
func (st Stream) Positive() bool { return st.Quantity == envelope.Roughness }

// alike returns a number that a stream shares with the same one of the other channel,
// which is built in the same way, and 0 for their difference.
func (st Stream) alike() int {
	switch st.Quantity {
	case envelope.Balance:
		return 0
	case envelope.Sensitivity:
		return 1
	case envelope.Roughness:
		return 2
	}
	return 3 + st.Band
}

// Below sealed the level depends on how well the pad closes, which it does the less the
// farther it goes (common practice, no source).
const sealed = 200.0 // Hz

// leans reports whether the stream's nature is to reach farther to one side: a root mean
// square, and the bass that a seal holds.
func (st Stream) leans() bool {
	return st.Quantity == envelope.Roughness || st.Quantity == envelope.Deviation && st.Hz < sealed
}

// Group names the block of like streams that a stream belongs to: a channel, the
// balance per band, or the scalars.
func (st Stream) Group() string {
	switch {
	case st.Band < 0:
		return "scalars"
	case st.Channel != "":
		return st.Channel
	}
	return string(st.Quantity)
}

// streams lists a product's streams in the order in which readings hold them:
// deviation of each channel per band, balance per band, then per channel
// sensitivity and roughness, and the balance of the sensitivities. Balance is taken
// between the first two channels, left minus right, unanchored.
func (s *Setup) streams() []Stream {
	var out []Stream
	add := func(q envelope.Quantity, channel string, i int, unit string) {
		st := Stream{Key: string(q), Quantity: q, Channel: channel, Band: i, Unit: unit}
		if channel != "" {
			st.Key += "/" + channel
			st.Title = channel + " "
		}
		if i >= 0 {
			st.Key += "/" + s.Band[i].Label()
			st.Title += s.Band[i].Name() + " "
			st.Hz = s.Band[i].Nominal()
		} else if q == envelope.Balance {
			st.Key += "/sensitivity"
			st.Title += "sensitivity "
		}
		st.Title += string(q)
		out = append(out, st)
	}
	for _, c := range s.Channels {
		for i := range s.Band {
			add(envelope.Deviation, c, i, "dB")
		}
	}
	if s.pair() {
		for i := range s.Band {
			add(envelope.Balance, "", i, "dB")
		}
	}
	for _, c := range s.Channels {
		add(envelope.Sensitivity, c, -1, "dB SPL")
	}
	for _, c := range s.Channels {
		add(envelope.Roughness, c, -1, "dB")
	}
	if s.pair() {
		add(envelope.Balance, "", -1, "dB")
	}
	return out
}

// pair reports whether the product has a left and a right to compare.
func (s *Setup) pair() bool { return len(s.Channels) == 2 }

// values returns the streams of one unit, NaN where one is missing, as they are
// stored: 32-bit floats hold a level to 0.00001 dB, and everything downstream uses
// the stored value.
func (s *Setup) values(channels []envelope.Channel) []float32 {
	out := make([]float32, 0, len(s.StreamList))
	add := func(v float64) { out = append(out, float32(v)) }
	for _, c := range channels {
		for _, d := range c.Deviation {
			add(d)
		}
	}
	if s.pair() {
		for i := range s.Band {
			add(envelope.Unanchored(channels[0].Reading, i) - envelope.Unanchored(channels[1].Reading, i))
		}
	}
	for _, c := range channels {
		add(c.Sensitivity)
	}
	for _, c := range channels {
		add(c.Roughness)
	}
	if s.pair() {
		add(channels[0].Sensitivity - channels[1].Sensitivity)
	}
	return out
}

// position returns where a stream stands in the readings, -1 when there is none.
func (s *Setup) position(q envelope.Quantity, channel string, i int) int {
	for at, st := range s.StreamList {
		if st.Quantity == q && st.Channel == channel && st.Band == i {
			return at
		}
	}
	return -1
}

// read reduces one channel's seatings, in band levels, to its reading.
func (s *Setup) read(name string, seatings [][]float64) (envelope.Channel, error) {
	r, err := band.Read(s.Band, band.Average(seatings), s.Target, s.InAnchor)
	return envelope.Channel{Name: name, Reading: r}, err
}

// wide turns stored levels into computing ones.
func wide(xs []float32) []float64 {
	out := make([]float64, len(xs))
	for i, x := range xs {
		out[i] = float64(x)
	}
	return out
}

func isNaN(x float32) bool { return math.IsNaN(float64(x)) }
