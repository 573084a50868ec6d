package api

import (
	"bytes"
	"compress/gzip"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"math"
	"net/http"
	"strconv"
	"strings"
	"time"

	"alike/internal/line"

	"github.com/labstack/echo/v4"
)

// driftKind names the form of the drift map's data: driftMagic, the length of the head
// as a 32-bit little-endian number, the head (a DriftHead in JSON), then per stream a
// signed byte for every unit (tenths of a sigma, −128 for none), then a bit for every
// cell in the same order, lowest bit first, set where a rule fired, then a byte per set
// bit that says which (bit k for the k-th of the head's rules).
const (
	driftKind  = "application/vnd.alike.drift"
	driftMagic = "drift/1\n"
	driftMost  = 20_000
)

// A DriftHead is the part of the drift map that is not one number per cell. Where
// units are named by an index, it counts from 0 in the order of production.
type DriftHead struct {
	Product  string         `json:"product"`
	Streams  []DriftStream  `json:"streams"`
	Serials  []string       `json:"serials"`
	Places   []int64        `json:"places"`
	Verdicts string         `json:"verdicts"` // a letter per unit: p f d h r
	Lots     []DriftLot     `json:"lots"`
	Sections []DriftSection `json:"sections"`
	Parts    []DriftPart    `json:"parts"`
	Rules    []string       `json:"rules"`   // keys, by bit
	Earlier  bool           `json:"earlier"` // there are units before the first
}

// A DriftStream is one row of the map, Group the block it stands in.
type DriftStream struct {
	Key   string  `json:"key"`
	Title string  `json:"title"`
	Unit  string  `json:"unit"`
	Group string  `json:"group"`
	Hz    float64 `json:"hz"` // nominal mid-band frequency, 0 for a scalar
}

// A DriftLot is a run of units of one lot.
type DriftLot struct {
	First int    `json:"first"`
	Lot   string `json:"lot"`
}

// A DriftSection is a run of units held against the same limits; version 0 stands for
// the units' own median and spread.
type DriftSection struct {
	First   int               `json:"first"`
	Version int               `json:"version"`
	Starts  bool              `json:"starts"` // the limits came into force at First
	Reason  string            `json:"reason"`
	At      *time.Time        `json:"at"`
	Learnt  int               `json:"learnt"` // under version 0: units that the charts had learnt; -1 without charts
	Width   number            `json:"width"`  // of the limits, sigmas
	Sigma   []number          `json:"sigma"`  // per stream, in its unit
	Texts   map[string]string `json:"texts"`  // what each rule saw, in a sentence
}

// A DriftPart is the first unit of another batch of a component.
type DriftPart struct {
	Index   int    `json:"index"`
	Kind    string `json:"kind"`
	Channel string `json:"channel"`
	Batch   string `json:"batch"`
	Before  string `json:"before"`
}

func (s *server) getDrift(c echo.Context) error {
	limit, err := count(c, "limit", driftMost, driftMost)
	if err != nil {
		return err
	}
	upTo, err := placeParam(c, "up_to")
	if err != nil {
		return err
	}
	d, err := s.Line.Drift(c.Request().Context(), c.QueryParam("product"), upTo, limit)
	if err != nil {
		return err
	}
	body, err := encodeDrift(d)
	if err != nil {
		return err
	}
	return answerCompact(c, driftKind, body)
}

func encodeDrift(d line.Drift) ([]byte, error) {
	head, err := json.Marshal(driftHead(d))
	if err != nil {
		return nil, err
	}
	bits := make([]byte, (len(d.Fired)+7)/8)
	var which []byte
	for i, f := range d.Fired {
		if f != 0 {
			bits[i/8] |= 1 << (i % 8)
			which = append(which, f)
		}
	}
	var out bytes.Buffer
	out.Grow(len(driftMagic) + 4 + len(head) + len(d.Scores) + len(bits) + len(which))
	out.WriteString(driftMagic)
	out.Write(binary.LittleEndian.AppendUint32(nil, uint32(len(head))))
	out.Write(head)
	for _, z := range d.Scores {
		out.WriteByte(byte(z))
	}
	out.Write(bits)
	out.Write(which)
	return out.Bytes(), nil
}

func driftHead(d line.Drift) DriftHead {
	h := DriftHead{
		Product: d.Product, Earlier: d.Earlier, Streams: []DriftStream{}, Serials: []string{}, Places: []int64{},
		Lots: []DriftLot{}, Sections: []DriftSection{}, Parts: []DriftPart{},
	}
	for _, st := range d.Streams {
		h.Streams = append(h.Streams, DriftStream{st.Key, st.Title, st.Unit, st.Group(), st.Hz})
	}
	var verdicts strings.Builder
	for i, u := range d.Units {
		h.Serials, h.Places = append(h.Serials, u.Serial), append(h.Places, u.Place)
		verdicts.WriteByte(u.Verdict[0])
		if i == 0 || u.Lot != d.Units[i-1].Lot {
			h.Lots = append(h.Lots, DriftLot{i, u.Lot})
		}
	}
	h.Verdicts = verdicts.String()
	for _, sec := range d.Sections {
		out := DriftSection{First: sec.First, Version: sec.Version, Starts: sec.Starts, Reason: sec.Reason, Width: number(sec.Width), Sigma: numbers(sec.Sigma), Texts: sec.Texts(), Learnt: sec.Learnt}
		if sec.Version > 0 {
			out.At = &sec.At
		}
		h.Sections = append(h.Sections, out)
	}
	for _, p := range d.Parts {
		h.Parts = append(h.Parts, DriftPart{p.Index, p.Kind, p.Channel, p.Batch, p.Before})
	}
	for _, k := range line.RuleKeys {
		h.Rules = append(h.Rules, string(k))
	}
	return h
}

// answerCompact sends a body, compressed where the client takes it.
func answerCompact(c echo.Context, kind string, body []byte) error {
	h := c.Response().Header()
	h.Set(echo.HeaderVary, echo.HeaderAcceptEncoding)
	h.Set(echo.HeaderCacheControl, "no-store")
	if !strings.Contains(c.Request().Header.Get(echo.HeaderAcceptEncoding), "gzip") {
		return c.Blob(http.StatusOK, kind, body)
	}
	h.Set(echo.HeaderContentEncoding, "gzip")
	h.Set(echo.HeaderContentType, kind)
	// The fastest level: a better one saves a twentieth and takes three times as long.
	z, err := gzip.NewWriterLevel(c.Response(), gzip.BestSpeed)
	if err != nil {
		return err
	}
	if _, err := z.Write(body); err != nil {
		return err
	}
	return z.Close()
}

// count reads a number of units from the query.
func count(c echo.Context, name string, usual, most int) (int, error) {
	q := c.QueryParam(name)
	if q == "" {
		return usual, nil
	}
	n, err := strconv.Atoi(q)
	if err != nil || n < 1 || n > most {
		p := newProblem(http.StatusUnprocessableEntity, fmt.Sprintf("%s %q is not a count", name, q), fmt.Sprintf("use 1 to %d", most))
		p.Field = name
		return 0, p
	}
	return n, nil
}

// placeParam reads a place in the order of production from the query, the last one
// when there is none.
func placeParam(c echo.Context, name string) (int64, error) {
	q := c.QueryParam(name)
	if q == "" {
		return math.MaxInt64, nil
	}
	n, err := strconv.ParseInt(q, 10, 64)
	if err != nil || n < 1 {
		p := newProblem(http.StatusUnprocessableEntity, fmt.Sprintf("%s %q is not a place in the order of production", name, q), "use a number from 1 on")
		p.Field = name
		return 0, p
	}
	return n, nil
}
