package api_test

import (
	"bytes"
	"fmt"
	"math"
	"math/rand/v2"
	"net/http"
	"strings"
	"testing"

	"alike/api"
	"alike/internal/line"
	"alike/spc/envelope"

	"github.com/xuri/excelize/v2"
)

// driverTake is one driver's curve over the octaves of product d1.
func driverTake(rng *rand.Rand, serial, batch string, offset float64) api.Take {
	level := offset + 0.15*rng.NormFloat64()
	t := api.Take{Product: "d1", Serial: serial, Channel: "mono", Lot: batch}
	for hz := 20.0; hz < 20000; hz *= 1.2 {
		t.Frequencies = append(t.Frequencies, hz)
		t.Levels = append(t.Levels, 90+level+0.1*rng.NormFloat64())
		t.Phases = append(t.Phases, 10*math.Log(hz))
	}
	return t
}

func TestDriversFromCurveToPickList(t *testing.T) {
	t.Parallel()
	c, l, db := serve(t, "")
	high := 150.0
	_, err := l.AddProduct(t.Context(), line.By{Actor: "tester"}, line.Product{
		Code: "d1", Name: "Driver", Stage: line.StageDriver, Of: "p1", Channels: []string{"mono"}, Fraction: 1, Bands: line.Span{From: 63, To: 8000},
		Anchor: line.Span{From: 1000, To: 1000}, Seatings: 1, MaxAttempts: 3, FirstPassYield: 0.9, FalseAlarms: 500,
		Metrics:  []line.Metric{{Key: "resonance", Name: "resonance frequency", Unit: "Hz", Upper: &high, Margin: 5}},
		Incoming: &line.Incoming{Margin: 0.5, Good: 0.02, ProducerRisk: 0.05, Bad: 0.15, ConsumerRisk: 0.10, PairTolerance: 0.4},
		Envelope: &envelope.Envelope{Around: []envelope.Range{{From: 63, To: 8000, Minus: 3, Plus: 3}}},
	})
	if err != nil {
		t.Fatal(err)
	}
	a := c.do("POST", "/api/v1/parts/batches", map[string]any{"batches": []api.ComponentBatch{
		{Kind: "driver", Batch: "NV1", Supplier: "Norvane", Received: "2026-09-01", Pieces: 60, Certificate: []api.CertifiedRow{{"moving mass", 0.08, "g"}}},
		{Kind: "driver", Batch: "OS1", Supplier: "Ostrel"}}})
	if a.status != http.StatusCreated || !strings.Contains(string(a.body), `"new":2`) {
		t.Fatalf("%d %s", a.status, a.body)
	}
	rng := rand.New(rand.NewPCG(3, 3))
	var all []api.Take
	var values []api.ValueSet
	for i := range 12 {
		for k, batch := range []string{"NV1", "OS1"} {
			serial := fmt.Sprintf("%s-%02d", batch, i+1)
			all = append(all, driverTake(rng, serial, batch, float64(k)*1.2))
			values = append(values, api.ValueSet{Serial: serial, Values: map[string]float64{"resonance": 120 + rng.NormFloat64()}})
		}
	}
	if a := c.do("POST", "/api/v1/takes", takes{all}); a.status != http.StatusCreated {
		t.Fatalf("%d %s", a.status, a.body)
	}
	post := func(v []api.ValueSet) answer {
		return c.do("POST", "/api/v1/drivers/values", map[string]any{"values": v})
	}
	if a := post(values); a.status != http.StatusCreated {
		t.Fatalf("%d %s", a.status, a.body)
	}
	if a := post(values); a.status != http.StatusOK {
		t.Errorf("again: %d %s", a.status, a.body)
	}
	bad := post([]api.ValueSet{{Serial: "NV1-01", Values: map[string]float64{"resonance": 99}}, {Serial: "a/b", Values: map[string]float64{"resonance": 1}}})
	if bad.status != http.StatusMultiStatus || !strings.Contains(string(bad.body), "is stored already") || !strings.Contains(string(bad.body), `"field":"serial"`) {
		t.Errorf("%d %s", bad.status, bad.body)
	}
	if rows, err := db.Site("main").Refused(t.Context(), ""); err != nil || len(rows) != 2 {
		t.Errorf("%d in quarantine, %v", len(rows), err)
	}
	var listed struct{ Drivers []api.Driver }
	c.do("GET", "/api/v1/drivers?batch=NV1", nil).into(t, &listed)
	if len(listed.Drivers) != 12 || listed.Drivers[0].State != "good" || listed.Drivers[0].Polarity != 1 || listed.Drivers[0].Supplier != "Norvane" {
		t.Fatalf("%+v", listed.Drivers)
	}
	var st api.DriverStudy
	c.do("GET", "/api/v1/drivers/study?batch=NV1&batch=OS1", nil).into(t, &st)
	if len(st.Groups) != 2 || float64(st.P) > 0.01 || len(st.Bands) != 8 || st.Bands[0].Pairs[0].Word != "differs" || st.Groups[0].Pairs == nil {
		t.Errorf("%+v", st)
	}
	for path, sheet := range map[string]string{"/api/v1/drivers/study.xlsx?supplier=Norvane&supplier=Ostrel&paper=Letter": "Answer"} {
		a := c.do("GET", path, nil)
		f, err := excelize.OpenReader(bytes.NewReader(a.body))
		if err != nil || f.GetSheetName(0) != sheet {
			t.Errorf("%s: %v", path, err)
		}
	}
	var list, kept api.PickList
	c.do("POST", "/api/v1/drivers/pairings", map[string]any{"batches": []string{"NV1"}}).into(t, &list)
	a = c.do("POST", "/api/v1/drivers/pairings", map[string]any{"batches": []string{"NV1"}, "keep": true, "excluded": []string{"NV1-12"}})
	a.into(t, &kept)
	if list.Pairing != 0 || len(list.Pairs) < 4 || a.status != http.StatusCreated || kept.Pairing != 1 || kept.Book == "" {
		t.Fatalf("%+v\n%d %+v", list, a.status, kept)
	}
	p := kept.Pairs[0]
	parts := map[string]any{"parts": []api.PartEntry{{Kind: "driver", Channel: "left", Piece: p.Left, First: "U1", Last: "U1"}, {Kind: "driver", Channel: "right", Piece: p.Right, First: "U1", Last: "U1"}}}
	if a := c.do("POST", "/api/v1/parts", parts); a.status != http.StatusCreated {
		t.Fatalf("%d %s", a.status, a.body)
	}
	if a := c.do("POST", "/api/v1/parts", parts); a.status != http.StatusOK {
		t.Errorf("again: %d %s", a.status, a.body)
	}
	c.do("POST", "/api/v1/takes", takes{[]api.Take{take("U1", "left", 0.1), take("U1", "right", 0.2)}})
	var now api.PickList
	c.do("GET", "/api/v1/drivers/pairings/1", nil).into(t, &now)
	if now.Pairs[0].Unit != "U1" || math.Abs(float64(now.Pairs[0].Built)+0.1) > 0.01 {
		t.Errorf("%+v", now.Pairs[0])
	}
	if a := c.do("GET", kept.Book, nil); a.status != http.StatusOK || !strings.Contains(a.header.Get("Content-Disposition"), "pairing-1.xlsx") {
		t.Errorf("%d %v", a.status, a.header)
	}
	var ledger struct{ Parts []api.PartEntry }
	c.do("GET", "/api/v1/parts", nil).into(t, &ledger)
	if len(ledger.Parts) != 2 || ledger.Parts[0].Batch != "NV1" || ledger.Parts[0].Supplier != "Norvane" {
		t.Fatalf("%+v", ledger)
	}
	fix := "/api/v1/parts/" + ledger.Parts[0].ID + "/correct"
	if a := c.do("POST", fix, map[string]any{"reason": ""}); a.status != http.StatusUnprocessableEntity {
		t.Errorf("%d %s", a.status, a.body)
	}
	if a := c.do("POST", fix, map[string]any{"reason": "other side", "instead": api.PartEntry{Kind: "driver", Channel: "left", Piece: p.Left, First: "U2", Last: "U2"}}); a.status != http.StatusOK {
		t.Errorf("%d %s", a.status, a.body)
	}
	c.do("GET", "/api/v1/parts", nil).into(t, &ledger)
	if w := ledger.Parts[0].Withdrawn; w == nil || w.Why != "other side" || w.Replaced != ledger.Parts[2].ID {
		t.Errorf("%+v", ledger.Parts)
	}
	if a := c.do("GET", "/api/v1/drivers/purchase?batch=NV1&batch=OS1&pairs=3&tolerance=1", nil); a.status != http.StatusOK || !strings.Contains(string(a.body), `"pairs":3`) {
		t.Errorf("%d %s", a.status, a.body)
	}
	if a := c.do("POST", "/api/v1/drivers/pairings/1/withdraw", map[string]any{"reason": "trial"}); a.status != http.StatusOK {
		t.Errorf("%d %s", a.status, a.body)
	}
	for _, path := range []string{"/api/v1/drivers/pairings", "/api/v1/drivers/batches", "/api/v1/parts/batches?kind=driver"} {
		if a := c.do("GET", path, nil); a.status != http.StatusOK {
			t.Errorf("%s: %d %s", path, a.status, a.body)
		}
	}
	for _, tt := range []struct {
		method, path string
		body         any
		status       int
	}{
		{"GET", "/api/v1/drivers/study", nil, http.StatusUnprocessableEntity},
		{"GET", "/api/v1/drivers/study?batch=XX&batch=NV1", nil, http.StatusNotFound},
		{"GET", "/api/v1/drivers/study?batch=NV1&margin=wide", nil, http.StatusUnprocessableEntity},
		{"GET", "/api/v1/drivers/study.xlsx?batch=NV1&paper=A5", nil, http.StatusUnprocessableEntity},
		{"GET", "/api/v1/drivers/pairings/9", nil, http.StatusNotFound},
		{"GET", "/api/v1/drivers/pairings/x", nil, http.StatusNotFound},
		{"POST", "/api/v1/drivers/pairings", map[string]any{"tolerance": -1}, http.StatusUnprocessableEntity},
		{"POST", "/api/v1/drivers/pairings", map[string]any{"wheels": 4}, http.StatusBadRequest},
		{"POST", "/api/v1/drivers/pairings/1/withdraw", map[string]any{"reason": "again"}, http.StatusNotFound},
		{"POST", "/api/v1/drivers/values", map[string]any{"values": []api.ValueSet{}}, http.StatusUnprocessableEntity},
		{"POST", "/api/v1/parts/none/correct", map[string]any{"reason": "x"}, http.StatusNotFound},
		{"POST", "/api/v1/parts", map[string]any{"parts": []api.PartEntry{{Kind: "foam", Batch: "F", First: "U2", Last: "U1"}}}, http.StatusUnprocessableEntity},
		{"POST", "/api/v1/parts/batches", map[string]any{"batches": []api.ComponentBatch{{Kind: "foam", Batch: "F", Received: "May"}}}, http.StatusUnprocessableEntity},
	} {
		if a := c.do(tt.method, tt.path, tt.body); a.status != tt.status {
			t.Errorf("%s %s: %d %s, want %d", tt.method, tt.path, a.status, a.body, tt.status)
		}
	}
}
