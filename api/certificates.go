package api

import (
	"bytes"
	"fmt"
	"net/http"
	"net/url"

	"alike/api/pages"
	"alike/reports"
	"alike/reports/certificate"
	"alike/reports/plot"

	"github.com/labstack/echo/v4"
)

// certificateRoutes lists the addresses of certificates.
func (s *server) certificateRoutes(e *echo.Echo) {
	e.GET("/lots/:lot/certificates", s.certificatesPage, s.authorized)
	e.GET("/units/:serial/certificate", s.certificatePage, s.authorized)
	e.GET("/api/v1/lots/:lot/certificates.pdf", s.getCertificates, s.authorized)
	e.GET("/api/v1/lots/:lot/certificates.json", s.getCertificatesTwin, s.authorized)
	e.GET("/api/v1/units/:serial/certificate.pdf", s.getCertificate, s.authorized)
}

func (s *server) lotCertificates(c echo.Context) (reports.Certificates, error) {
	lot, err := param(c, "lot")
	if err != nil {
		return reports.Certificates{}, err
	}
	return s.Line.Certificates(c.Request().Context(), lot, "", s.Version)
}

func (s *server) unitCertificate(c echo.Context) (reports.Certificates, error) {
	serial, err := param(c, "serial")
	if err != nil {
		return reports.Certificates{}, err
	}
	return s.Line.CertificateOf(c.Request().Context(), serial, s.Version)
}

func (s *server) getCertificates(c echo.Context) error {
	all, err := s.lotCertificates(c)
	if err != nil {
		return err
	}
	return s.pdf(c, all, "certificates-"+all.Lot)
}

func (s *server) getCertificate(c echo.Context) error {
	all, err := s.unitCertificate(c)
	if err != nil {
		return err
	}
	return s.pdf(c, all, "certificate-"+all.Good[0].Serial)
}

func (s *server) pdf(c echo.Context, all reports.Certificates, name string) error {
	if len(all.Good) == 0 {
		return newProblem(http.StatusConflict, "no unit of lot "+all.Lot+" passed: there is no certificate", "see the lot's page")
	}
	var file bytes.Buffer
	if err := certificate.Write(&file, all); err != nil {
		return err
	}
	c.Response().Header().Set(echo.HeaderContentDisposition, fmt.Sprintf("attachment; filename*=UTF-8''%s.pdf", url.PathEscape(name)))
	return c.Blob(http.StatusOK, "application/pdf", file.Bytes())
}

func (s *server) getCertificatesTwin(c echo.Context) error {
	all, err := s.lotCertificates(c)
	if err != nil {
		return err
	}
	twin, err := all.Twin()
	if err != nil {
		return err
	}
	return c.JSONBlob(http.StatusOK, twin)
}

type certificatesBody struct {
	reports.Certificates
	Cards []card
	PDF   string
}

type card struct {
	reports.Certificate
	Picture *picture
	Levels  []channelLevel
}

type channelLevel struct {
	Name  string
	Level float64
}

func (s *server) certificatesPage(c echo.Context) error {
	all, err := s.lotCertificates(c)
	if err != nil {
		return err
	}
	return s.showCertificates(c, all, "Certificates of lot "+all.Lot, "/api/v1"+pages.LotPath(all.Lot)+"/certificates.pdf")
}

func (s *server) certificatePage(c echo.Context) error {
	all, err := s.unitCertificate(c)
	if err != nil {
		return err
	}
	serial := all.Good[0].Serial
	return s.showCertificates(c, all, "Certificate of "+serial, "/api/v1"+pages.UnitPath(serial)+"/certificate.pdf")
}

// showCertificates shows certificates as a browser prints them, one to a sheet of A5.
func (s *server) showCertificates(c echo.Context, all reports.Certificates, title, pdf string) error {
	b := certificatesBody{Certificates: all, PDF: pdf}
	for _, one := range all.Good {
		k := card{Certificate: one}
		p := plot.EnvelopePlot{
			Title: "Deviation from the target", Axis: one.Axis, Lower: one.Limits.Lower, Upper: one.Limits.Upper,
			WorkingLower: one.Limits.WorkingLower, WorkingUpper: one.Limits.WorkingUpper, StrongLead: "-",
			Description: "Deviation of unit " + one.Serial + " in its envelope, in dB over frequency in Hz on a logarithmic axis.",
		}
		for i, curve := range one.Curves {
			p.Strong = append(p.Strong, plot.Curve(curve))
			if i < len(one.Sensitivity) {
				k.Levels = append(k.Levels, channelLevel{curve.Name, one.Sensitivity[i]})
			}
		}
		pic, err := draw(p)
		if err != nil {
			return err
		}
		k.Picture = &pic
		b.Cards = append(b.Cards, k)
	}
	return s.show(c, http.StatusOK, "certificates", pages.View{Title: title, Here: "/lots", Style: "certificate.css", Body: b})
}
