package api

import (
	"net/http"
	"time"

	"alike/internal/line"
	"alike/internal/store"

	"github.com/google/uuid"
	"github.com/labstack/echo/v4"
)

// A PartEntry is one entry of the parts ledger: which batch, or which single piece,
// went into which units.
type PartEntry struct {
	ID        string     `json:"id,omitempty"` // of a stored entry
	Kind      string     `json:"kind"`
	Channel   string     `json:"channel,omitempty"`
	Batch     string     `json:"batch,omitempty"`
	Supplier  string     `json:"supplier,omitempty"`
	First     string     `json:"first,omitempty"`
	Last      string     `json:"last,omitempty"`
	Lot       string     `json:"lot,omitempty"` // instead of first and last, in requests
	Piece     string     `json:"piece,omitempty"`
	Received  string     `json:"received,omitempty"` // 2006-01-02
	Note      string     `json:"note,omitempty"`
	Withdrawn *Withdrawn `json:"withdrawn,omitempty"`
}

// A Withdrawn says who withdrew something, when and why.
type Withdrawn struct {
	At       time.Time `json:"at"`
	By       string    `json:"by"`
	Why      string    `json:"why"`
	Replaced string    `json:"replaced_by,omitempty"`
}

// A ComponentBatch is a batch of a component with its certificate.
type ComponentBatch struct {
	Kind        string         `json:"kind"`
	Batch       string         `json:"batch"`
	Supplier    string         `json:"supplier,omitempty"`
	Received    string         `json:"received,omitempty"` // 2006-01-02
	Pieces      int            `json:"pieces,omitempty"`
	Note        string         `json:"note,omitempty"`
	Reason      string         `json:"reason,omitempty"` // of a correction
	Certificate []CertifiedRow `json:"certificate,omitempty"`
}

// A CertifiedRow is one number of a certificate.
type CertifiedRow struct {
	Name  string  `json:"name"`
	Value float64 `json:"value"`
	Unit  string  `json:"unit"`
}

func day(field, text string) (*time.Time, error) {
	if text == "" {
		return nil, nil
	}
	t, err := time.Parse(time.DateOnly, text)
	if err != nil {
		p := newProblem(http.StatusUnprocessableEntity, text+" is not a date", "write 2006-01-02")
		p.Field = field
		return nil, p
	}
	return &t, nil
}

func dayText(t *time.Time) string {
	if t == nil {
		return ""
	}
	return t.Format(time.DateOnly)
}

func (p PartEntry) use() (line.PartUse, error) {
	received, err := day("received", p.Received)
	return line.PartUse{Kind: p.Kind, Channel: p.Channel, Batch: p.Batch, Supplier: p.Supplier, First: p.First, Last: p.Last, Lot: p.Lot,
		Piece: p.Piece, Received: received, Note: p.Note}, err
}

func entryOf(r store.PartUse) PartEntry {
	p := PartEntry{ID: r.Use.String(), Kind: r.Kind, Channel: r.Channel, Batch: r.Batch, Supplier: r.Supplier, First: r.FirstSerial,
		Last: r.LastSerial, Piece: r.Piece, Received: dayText(r.ReceivedOn), Note: r.Note}
	if r.WithdrawnAt != nil {
		p.Withdrawn = &Withdrawn{At: *r.WithdrawnAt}
		for _, f := range []struct {
			to   *string
			from *string
		}{{&p.Withdrawn.By, r.WithdrawnBy}, {&p.Withdrawn.Why, r.WithdrawnWhy}} {
			if f.from != nil {
				*f.to = *f.from
			}
		}
		if r.ReplacedBy != nil {
			p.Withdrawn.Replaced = r.ReplacedBy.String()
		}
	}
	return p
}

func (s *server) getParts(c echo.Context) error {
	setup, err := s.Line.Setup(c.Request().Context(), c.QueryParam("product"))
	if err != nil {
		return err
	}
	rows, err := s.DB.Site(s.Line.Site()).Parts(c.Request().Context(), setup.Code)
	if err != nil {
		return err
	}
	out := struct {
		Product string      `json:"product"`
		Parts   []PartEntry `json:"parts"`
	}{setup.Code, []PartEntry{}}
	for _, r := range rows {
		out.Parts = append(out.Parts, entryOf(r))
	}
	return c.JSON(http.StatusOK, out)
}

func (s *server) postParts(c echo.Context) error {
	var in struct {
		Product string      `json:"product"`
		Parts   []PartEntry `json:"parts"`
	}
	if err := readBody(c, &in); err != nil {
		return err
	}
	var parts []line.PartUse
	for _, p := range in.Parts {
		u, err := p.use()
		if err != nil {
			return err
		}
		parts = append(parts, u)
	}
	n, err := s.Line.AddParts(c.Request().Context(), by(c), in.Product, parts)
	if err != nil {
		return err
	}
	return c.JSON(created(n > 0), map[string]int{"new": n, "known": len(parts) - min(n, len(parts))})
}

func created(is bool) int {
	if is {
		return http.StatusCreated
	}
	return http.StatusOK
}

func (s *server) postCorrection(c echo.Context) error {
	id, err := uuid.Parse(c.Param("entry"))
	if err != nil {
		return newProblem(http.StatusNotFound, "there is no entry "+c.Param("entry"), "see /api/v1/parts")
	}
	var in struct {
		Reason  string     `json:"reason"`
		Instead *PartEntry `json:"instead"`
	}
	if err := readBody(c, &in); err != nil {
		return err
	}
	var instead *line.PartUse
	if in.Instead != nil {
		u, err := in.Instead.use()
		if err != nil {
			return err
		}
		instead = &u
	}
	next, err := s.Line.CorrectPart(c.Request().Context(), by(c), id, instead, in.Reason)
	if err != nil {
		return err
	}
	out := map[string]string{"withdrawn": id.String()}
	if instead != nil {
		out["replaced_by"] = next.String()
	}
	return c.JSON(http.StatusOK, out)
}

func (s *server) getBatches(c echo.Context) error {
	site, kind := s.DB.Site(s.Line.Site()), c.QueryParam("kind")
	rows, err := site.Batches(c.Request().Context(), kind)
	if err != nil {
		return err
	}
	values, err := site.BatchValues(c.Request().Context(), kind)
	if err != nil {
		return err
	}
	out := struct {
		Batches []ComponentBatch `json:"batches"`
	}{[]ComponentBatch{}}
	for _, r := range rows {
		b := ComponentBatch{Kind: r.Kind, Batch: r.Batch, Supplier: r.Supplier, Received: dayText(r.ReceivedOn), Note: r.Note, Reason: r.Reason}
		if r.Pieces != nil {
			b.Pieces = *r.Pieces
		}
		for _, v := range values {
			if v.Kind == r.Kind && v.Batch == r.Batch && v.Version == r.Version {
				b.Certificate = append(b.Certificate, CertifiedRow{v.Name, v.Value, v.Unit})
			}
		}
		out.Batches = append(out.Batches, b)
	}
	return c.JSON(http.StatusOK, out)
}

func (s *server) postBatches(c echo.Context) error {
	var in struct {
		Product string           `json:"product"`
		Batches []ComponentBatch `json:"batches"`
	}
	if err := readBody(c, &in); err != nil {
		return err
	}
	var batches []line.Batch
	for _, b := range in.Batches {
		received, err := day("received", b.Received)
		if err != nil {
			return err
		}
		if b.Kind == "" || b.Batch == "" || b.Pieces < 0 {
			return newProblem(http.StatusUnprocessableEntity, "a batch lacks its kind or code, or counts below 0", "fill kind and batch in")
		}
		x := line.Batch{Kind: b.Kind, Code: b.Batch, Supplier: b.Supplier, Received: received, Pieces: b.Pieces, Note: b.Note, Reason: b.Reason}
		for _, v := range b.Certificate {
			x.Certificate = append(x.Certificate, line.BatchValue(v))
		}
		batches = append(batches, x)
	}
	a, err := s.Line.AddBatches(c.Request().Context(), by(c), in.Product, batches)
	if err != nil {
		return err
	}
	return c.JSON(created(a.New+a.Corrected > 0), map[string]int{"new": a.New, "corrected": a.Corrected, "known": a.Known})
}
