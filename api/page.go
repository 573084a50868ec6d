package api

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"net/url"
	"strings"
	"time"

	"alike/api/pages"
	"alike/internal/access"
	"alike/internal/store"

	"github.com/labstack/echo/v4"
)

// pageRoutes lists every address that answers people. Who has to sign in gets a form for
// it in the place of the page.
func (s *server) pageRoutes(e *echo.Echo) {
	e.GET(pages.AssetRoot+":file", s.asset)
	e.GET("/sign-in", s.signInPage)
	e.POST("/sign-in", s.signIn, s.slowGuessing(), small())
	links := s.slowGuessing()
	e.GET("/welcome/:link", s.welcomePage, links)
	e.POST("/welcome/:link", s.accept, links, small())
	e.GET("/account", s.accountPage, s.authorized)
	e.POST("/account/password", s.changePassword, s.slowGuessing(), s.authorized)
	e.POST("/account/sign-out", s.signOut, s.authorized)
	e.POST("/account/sign-out-everywhere", s.signOutEverywhere, s.authorized)
	e.GET("/people", s.peoplePage, s.authorized)
	e.POST("/people", s.addPerson, s.authorized)
	e.POST("/people/change", s.changePerson, s.authorized)
	e.POST("/people/link", s.newLink, s.authorized)
	e.POST("/tokens", s.addToken, s.authorized)
	e.POST("/tokens/revoke", s.revokeToken, s.authorized)
	e.GET("/", s.nowPage, s.authorized)
	e.GET("/units", s.unitsPage, s.authorized)
	e.GET("/units/:serial", s.unitPage, s.authorized)
	e.GET("/lots", s.lotsPage, s.authorized)
	e.GET("/weeks", s.weeksPage, s.authorized)
	e.GET("/lots/:lot", s.lotPage, s.authorized)
	e.POST("/sample", s.startSample, s.authorized)
	e.POST("/lots/:lot", s.stepLot, s.authorized)
	e.POST("/units/:serial", s.overrideUnit, s.authorized)
	e.GET("/journal", s.journalPage, s.authorized)
	e.GET("/findings", s.findingsPage, s.authorized)
	e.GET("/findings/:finding", s.findingPage, s.authorized)
	e.POST("/findings/:finding", s.actOnFinding, s.authorized)
	e.GET("/rig", s.rigPage, s.authorized)
	e.POST("/rig/entries", s.enterRig, s.authorized)
	e.POST("/rig/release", s.releaseRig, s.authorized)
	e.GET("/rig/references/:serial", s.referencePage, s.authorized)
	e.POST("/rig/transfers", s.withdrawTransfer, s.authorized)
	e.POST("/rig/studies", s.planStudy, s.authorized)
	e.GET("/rig/studies/:study", s.rigStudyPage, s.authorized)
	e.POST("/rig/studies/:study", s.useStudy, s.authorized)
	e.GET("/compare", s.comparePage, s.authorized)
	e.GET("/try", s.tryPage, s.authorized)
	e.POST("/try", s.try, s.authorized)
	e.GET("/add", s.addPage, s.authorized)
	e.POST("/add", s.add, s.authorized)
	e.GET("/refused", s.refusedPage, s.authorized)
	e.GET("/products", s.productsPage, s.authorized)
	e.GET("/products/:product", s.productPage, s.authorized)
	e.GET("/products/:product/envelope", s.envelopePage, s.authorized)
	e.POST("/products/:product/envelope", s.saveEnvelope, s.authorized)
	e.POST("/products/:product/envelope/look", s.envelopeLookPage, s.authorized)
	e.GET("/products/:product/limits", s.limitsPage, s.authorized)
	e.POST("/products/:product/limits", s.freeze, s.authorized)
	e.GET("/products/:product/limits/progress", s.progressPage, s.authorized)
	e.POST("/products/:product/limits/stop", s.stopFreezing, s.authorized)
	e.GET("/products/:product/faults", s.faultsPage, s.authorized)
	e.POST("/products/:product/faults", s.planFault, s.authorized)
	e.POST("/products/:product/faults/withdraw", s.withdrawFault, s.authorized)
	e.GET("/products/:product/faults/studies/:study", s.faultStudyPage, s.authorized)
	e.POST("/products/:product/faults/studies/:study", s.useFaultStudy, s.authorized)
	e.GET("/products/:product/plan", s.planPage, s.authorized)
	e.POST("/products/:product/plan", s.editPlan, s.authorized)
	e.GET("/parts", s.partsPage, s.authorized)
	e.POST("/parts/scan", s.scanParts, s.authorized)
	e.POST("/parts/entries", s.enterPart, s.authorized)
	e.GET("/parts/batch", s.batchPage, s.authorized)
	e.POST("/parts/batch", s.enterBatch, s.authorized)
	e.GET("/parts/entries/:entry", s.partPage, s.authorized)
	e.POST("/parts/entries/:entry", s.correctPart, s.authorized)
	e.GET("/drivers", s.driversPage, s.authorized)
	e.GET("/drivers/batches/:batch", s.driverBatchPage, s.authorized)
	e.GET("/drivers/compare", s.studyPage, s.authorized)
	e.GET("/drivers/pair", s.proposalPage, s.authorized)
	e.GET("/drivers/buy", s.buyPage, s.authorized)
	e.POST("/drivers/pairings", s.keepPairs, s.authorized)
	e.GET("/drivers/pairings/:pairing", s.pairingPage, s.authorized)
	e.GET("/drivers/pairings/:pairing/labels", s.labelsPage, s.authorized)
	e.POST("/drivers/pairings/:pairing/withdraw", s.withdrawPairs, s.authorized)
	e.GET("/start", s.startPage, s.authorized)
	e.POST("/start", s.start, s.authorized)
	e.GET("/start/demo", s.demoPage, s.authorized)
	e.POST("/start/demo", s.beginDemo, s.authorized)
	e.POST("/start/demo/stop", s.stopDemo, s.authorized)
	e.GET("/start/product", s.newProductPage, s.authorized)
	e.POST("/start/product", s.newProduct, s.authorized)
}

// forPeople reports whether an answer goes to a person: whatever is not below /api and
// not asked for by a machine that watches the server.
func forPeople(r *http.Request) bool {
	switch p := r.URL.Path; {
	case strings.HasPrefix(p, "/api/"), p == "/healthz", p == "/readyz", p == "/metrics":
		return false
	}
	return true
}

// ownPages refuses what a page of another site makes a browser send here: a browser
// says where a request comes from, and programs do not say anything.
func ownPages(next echo.HandlerFunc) echo.HandlerFunc {
	var guard http.CrossOriginProtection
	return func(c echo.Context) error {
		if guard.Check(c.Request()) != nil {
			return newProblem(http.StatusForbidden, "the request comes from a page of another site", "use the pages of this server")
		}
		return next(c)
	}
}

// show answers with a page, filled with what all of them have.
func (s *server) show(c echo.Context, status int, name string, v pages.View) error {
	site, err := s.site(c.Request().Context())
	if err != nil {
		return err
	}
	v.Site = site.Name
	return s.write(c, status, name, v)
}

func (s *server) write(c echo.Context, status int, name string, v pages.View) error {
	k := callerOf(c)
	v.Version, v.Person, v.Role = s.Version, k.session.Person, string(k.role)
	v.Refused = refusals(k)
	v.Anybody = k.actor == "" && !v.Bare && !s.Demand && Loopback(s.Listen) && !s.demand.registered.Load()
	var b strings.Builder
	if err := pages.Render(&b, name, v); err != nil {
		return err
	}
	return c.HTML(status, b.String())
}

// refusals says of every deed that the caller may not do whose task it is. Nobody is
// refused anything while nobody has to sign in.
func refusals(k caller) map[string]string {
	if k.actor == "" {
		return nil
	}
	out := map[string]string{}
	for _, d := range access.Deeds() {
		if k.role.May(d) {
			continue
		}
		var whose []string
		for _, r := range access.PeopleRoles {
			if r.May(d) {
				whose = append(whose, string(r))
			}
		}
		out[string(d)] = fmt.Sprintf("To do this takes the role %s; yours is %s.", strings.Join(whose, " or "), k.role)
	}
	return out
}

// problemPage answers a person with what went wrong and what to do. It asks the
// database nothing, which may be what went wrong.
func (s *server) problemPage(c echo.Context, p *Problem) {
	if p.Status == http.StatusUnauthorized {
		f := signInForm{Next: "/"}
		if c.Request().Method == http.MethodGet {
			f.Next = c.Request().URL.RequestURI()
		}
		if err := s.askToSignIn(c, p.Status, f); err != nil {
			s.log.Error("the page of sign-in failed", "error", err)
		}
		return
	}
	body := struct {
		*Problem
		Request, Back string
	}{p, "", "/"}
	if p.Status >= 500 {
		body.Request = requestID(c)
	}
	// The browser's own way back keeps what was typed; without it the line is the
	// place to go.
	if from, err := url.Parse(c.Request().Referer()); err == nil && from.Host == c.Request().Host && from.Path != "" {
		body.Back = from.RequestURI()
	}
	title := map[int]string{
		http.StatusNotFound: "Not here", http.StatusUnprocessableEntity: "This cannot be used", http.StatusConflict: "This contradicts what is stored",
		http.StatusServiceUnavailable: "Not now", http.StatusForbidden: "Refused", http.StatusRequestEntityTooLarge: "Too large",
	}[p.Status]
	if title == "" {
		title = "Something went wrong"
	}
	if err := s.write(c, p.Status, "problem", pages.View{Title: title, Body: body}); err != nil {
		s.log.Error("the page of a problem failed", "error", err)
	}
}

// site returns the workshop's row with its time zone; before it is opened, its code.
func (s *server) site(ctx context.Context) (store.SiteRow, error) {
	row, err := s.DB.Site(s.Line.Site()).Row(ctx)
	if errors.Is(err, store.ErrNotFound) {
		return store.SiteRow{Site: s.Line.Site(), Name: s.Line.Site(), Zone: "UTC"}, nil
	}
	return row, err
}

// zone returns the time zone of the workshop, in which pages show times.
func (s *server) zone(ctx context.Context) (*time.Location, error) {
	row, err := s.site(ctx)
	if err != nil {
		return nil, err
	}
	return time.LoadLocation(row.Zone)
}

func (s *server) asset(c echo.Context) error {
	a, ok := pages.AssetAt(c.Request().URL.Path)
	if !ok {
		return echo.ErrNotFound
	}
	c.Response().Header().Set("Cache-Control", "public, max-age=31536000, immutable")
	return c.Blob(http.StatusOK, a.Type, a.Content)
}
