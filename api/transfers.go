package api

import (
	"context"
	"net/http"
	"time"

	"alike/api/pages"
	"alike/internal/line"
	"alike/internal/store"

	"github.com/labstack/echo/v4"
)

// An AdoptedTransfer is one version of reading a rig as another.
type AdoptedTransfer struct {
	Rig         string    `json:"rig"` // whose readings are corrected
	Version     int       `json:"version"`
	As          string    `json:"as"` // as which they are read
	Study       string    `json:"study"`
	InForce     bool      `json:"in_force"` // false: from begins on the rig is read as it is
	Begins      time.Time `json:"begins"`
	Units       int       `json:"units"` // behind the curve
	Risk        float64   `json:"risk"`
	Curve       []number  `json:"curve"`       // dB, rig minus the other, channel after channel, band after band
	DeviationU  []number  `json:"deviation_u"` // dB per band, standard uncertainty of one unit's corrected value
	BalanceU    []number  `json:"balance_u"`
	Sensitivity number    `json:"sensitivity_u"`
	Roughness   number    `json:"roughness_u"`
	Words       string    `json:"words"`
	Reason      string    `json:"reason"`
	Author      string    `json:"author"`
	CreatedAt   time.Time `json:"created_at"`
}

func adoptedOf(r store.TransferRow, zone *time.Location) AdoptedTransfer {
	return AdoptedTransfer{
		r.Rig, r.Version, r.Reference, r.Study, r.InForce, r.Begins, r.Units, r.Risk, numbers(r.Curve), numbers(r.DeviationU), numbers(r.BalanceU),
		number(r.SensitivityU), number(r.RoughnessU), line.TransferWords(r, zone), r.Reason, r.Author, r.CreatedAt,
	}
}

func (s *server) getTransfers(c echo.Context) error {
	ctx := c.Request().Context()
	rows, err := s.Line.Transfers(ctx, c.QueryParam("product"))
	if err != nil {
		return err
	}
	zone, err := s.zone(ctx)
	if err != nil {
		return err
	}
	out := struct {
		Transfers []AdoptedTransfer `json:"transfers"`
	}{[]AdoptedTransfer{}}
	for _, r := range rows {
		out.Transfers = append(out.Transfers, adoptedOf(r, zone))
	}
	return c.JSON(http.StatusOK, out)
}

func (s *server) postTransfer(c echo.Context) error {
	var in struct {
		Study  string     `json:"study"`
		Rig    string     `json:"rig"`
		From   *time.Time `json:"from"`
		After  string     `json:"after"`
		Risk   float64    `json:"risk"`
		Reason string     `json:"reason"`
	}
	if err := readBody(c, &in); err != nil {
		return err
	}
	a := line.Adoption{Study: in.Study, Rig: in.Rig, After: in.After, Risk: in.Risk, Reason: in.Reason}
	if in.From != nil {
		a.From = *in.From
	}
	row, err := s.Line.AdoptTransfer(c.Request().Context(), by(c), a)
	return s.answerTransfer(c, row, err)
}

func (s *server) postTransferWithdrawal(c echo.Context) error {
	var in struct {
		Product string     `json:"product"`
		Rig     string     `json:"rig"`
		From    *time.Time `json:"from"`
		After   string     `json:"after"`
		Reason  string     `json:"reason"`
	}
	if err := readBody(c, &in); err != nil {
		return err
	}
	var from time.Time
	if in.From != nil {
		from = *in.From
	}
	row, err := s.Line.WithdrawTransfer(c.Request().Context(), by(c), in.Product, in.Rig, from, in.After, in.Reason)
	return s.answerTransfer(c, row, err)
}

func (s *server) answerTransfer(c echo.Context, row store.TransferRow, err error) error {
	if err != nil {
		return err
	}
	zone, err := s.zone(c.Request().Context())
	if err != nil {
		return err
	}
	return c.JSON(http.StatusCreated, adoptedOf(row, zone))
}

// readAs says, for a page that shows levels of many units, which rigs of the product are
// or were read as another.
func (s *server) readAs(ctx context.Context, product string) ([]string, error) {
	rows, err := s.Line.Transfers(ctx, product)
	if err != nil || len(rows) == 0 {
		return nil, err
	}
	zone, err := s.zone(ctx)
	if err != nil {
		return nil, err
	}
	out := []string{"Levels on this page are read, where a transfer is in force for the rig that measured, as another rig would have read them; takes are kept as measured."}
	for _, r := range rows {
		out = append(out, pages.Upper(line.TransferWords(r, zone))+".")
	}
	return out, nil
}
