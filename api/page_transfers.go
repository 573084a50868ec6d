package api

import (
	"context"
	"net/http"
	"strings"
	"time"

	"alike/api/pages"
	"alike/internal/line"
	"alike/internal/store"

	"github.com/labstack/echo/v4"
)

// A transferLine is one version of reading a rig as another, on the rig's page.
type transferLine struct {
	store.TransferRow
	Words string
	When  time.Time
	Last  bool // the newest of its rig
}

// transfersOf lists which rigs are and were read as another, newest first.
func (s *server) transfersOf(ctx context.Context, b *rigBody, zone *time.Location) error {
	rows, err := s.Line.Transfers(ctx, b.Product)
	if err != nil {
		return err
	}
	for i, r := range rows {
		x := transferLine{r, pages.Upper(line.TransferWords(r, zone)), r.CreatedAt.In(zone), i+1 == len(rows) || rows[i+1].Rig != r.Rig}
		if x.Last && x.InForce {
			b.ReadRigs = append(b.ReadRigs, r.Rig)
		}
		b.Transfers = append(b.Transfers, x)
	}
	return nil
}

// withdrawTransfer reads a rig as it is again.
func (s *server) withdrawTransfer(c echo.Context) error {
	ctx := c.Request().Context()
	zone, err := s.zone(ctx)
	if err != nil {
		return err
	}
	from, wrong := momentField(c.FormValue("from"), "from", zone)
	if wrong != nil {
		return s.wrongRig(c, "withdraw", wrong)
	}
	if err := errNoName.orNone(c); err != nil {
		return s.wrongRig(c, "withdraw", err)
	}
	if _, err := s.Line.WithdrawTransfer(ctx, person(c), c.FormValue("product"), c.FormValue("rig"), from, strings.TrimSpace(c.FormValue("after")), strings.TrimSpace(c.FormValue("reason"))); err != nil {
		return s.wrongRig(c, "withdraw", err)
	}
	return c.Redirect(http.StatusSeeOther, rigAddress(c)+"#transfers")
}
