// Package api is the HTTP server of alike: JSON under /api/v1, health, readiness
// and metrics, and the pages that people work with. Handlers read a request, call
// one function of the line, and answer.
package api

import (
	"context"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"net/netip"
	"net/url"
	"regexp"
	"slices"
	"strings"
	"time"

	"alike/internal/line"
	"alike/internal/store"

	"github.com/labstack/echo/v4"
	"github.com/labstack/echo/v4/middleware"
)

// Limits of a request. A unit of two channels, five seatings and 20 000 points
// is about 6 MB of JSON.
const (
	bodyLimit      = "64M"
	requestTimeout = 60 * time.Second
	headerTimeout  = 10 * time.Second
	idleTimeout    = 120 * time.Second
	stopTimeout    = 20 * time.Second
	mostHeader     = 64 << 10
)

// Options configure a server.
type Options struct {
	Line    *line.Line
	DB      *store.DB
	Demand  bool   // everybody has to say who they are, also on loopback with nobody registered
	Listen  string // address the server will listen on: one that other machines reach demands sign-in
	Version string
	Log     *slog.Logger
	Demo    Demo // nil when there is no simulated workshop to offer
}

type server struct {
	Options
	log       *slog.Logger
	metrics   *metrics
	openapi   []byte
	hub       *hub
	shelf     *shelf
	freezings *freezings
	walks     *walks
	demand    *demand
	demos     demos
}

// New returns the server's handler.
func New(o Options) (http.Handler, error) { return build(o) }

// Routes lists what the server answers, as "GET /path", in the form the description
// of the interface has it.
func Routes(o Options) ([]string, error) {
	e, err := build(o)
	if err != nil {
		return nil, err
	}
	var out []string
	for _, r := range e.Routes() {
		if r.Method == echo.RouteNotFound {
			continue
		}
		out = append(out, r.Method+" "+parameter.ReplaceAllString(r.Path, "{$1}"))
	}
	return out, nil
}

// IsPage reports whether a route, as Routes has it, answers people and not programs.
func IsPage(route string) bool {
	_, path, _ := strings.Cut(route, " ")
	return forPeople(&http.Request{URL: &url.URL{Path: path}})
}

var parameter = regexp.MustCompile(`:(\w+)`)

func build(o Options) (*echo.Echo, error) {
	doc, err := document()
	if err != nil {
		return nil, err
	}
	s := &server{Options: o, log: o.Log, metrics: newMetrics(), openapi: doc, hub: newHub(o), shelf: newShelf(), freezings: newFreezings(), walks: new(walks), demand: &demand{}}
	e := echo.New()
	e.HideBanner, e.HidePort = true, true
	e.IPExtractor = echo.ExtractIPDirect() // a header anyone can write does not go into the journal
	e.HTTPErrorHandler = s.answerProblem
	e.Use(keepWhole, middleware.RequestID(), s.metrics.watch, middleware.Recover(), headers, s.sameHost, plainAddress, ownPages, middleware.BodyLimit(bodyLimit),
		middleware.ContextTimeoutWithConfig(middleware.ContextTimeoutConfig{Timeout: requestTimeout, Skipper: endless}))
	s.routes(e)
	s.pageRoutes(e)
	s.plotRoutes(e)
	s.certificateRoutes(e)
	return e, nil
}

// routes lists every address the server answers.
func (s *server) routes(e *echo.Echo) {
	e.GET("/healthz", s.health)
	e.GET("/readyz", s.ready)
	e.GET("/metrics", s.metricsPage, s.authorized)
	// The guard stands at each route: on a group it would answer 404 where a route
	// exists with another method.
	e.POST("/api/v1/takes", s.postTakes, s.authorized)
	e.POST("/api/v1/refusals", s.postRefusal, s.authorized)
	e.GET("/api/v1/units/:serial", s.getUnit, s.authorized)
	e.GET("/api/v1/lots", s.getLots, s.authorized)
	e.GET("/api/v1/lots/:lot", s.getLot, s.authorized)
	e.GET("/api/v1/lots/:lot/report.xlsx", s.getReport, s.authorized)
	e.GET("/api/v1/lots/:lot/report.json", s.getTwin, s.authorized)
	e.GET("/api/v1/lots/:lot/standing", s.getStanding, s.authorized)
	e.GET("/api/v1/weeks.xlsx", s.getWeeks, s.authorized)
	e.GET("/api/v1/weeks.json", s.getWeeksTwin, s.authorized)
	e.POST("/api/v1/lots/:lot/steps", s.postStep, s.authorized)
	e.POST("/api/v1/lots/:lot/draws", s.postDraw, s.authorized)
	e.POST("/api/v1/units/:serial/overrides", s.postOverride, s.authorized)
	e.GET("/api/v1/journal", s.getJournal, s.authorized)
	e.GET("/api/v1/journal/verification", s.getVerification, s.authorized)
	e.GET("/api/v1/charts", s.getChart, s.authorized)
	e.GET("/api/v1/streams", s.getStreams, s.authorized)
	e.GET("/api/v1/events", s.getEvents, s.authorized)
	e.GET("/api/v1/findings", s.getFindings, s.authorized)
	e.GET("/api/v1/findings/:finding", s.getFinding, s.authorized)
	e.POST("/api/v1/findings/:finding/events", s.postDeed, s.authorized)
	e.GET("/api/v1/parts", s.getParts, s.authorized)
	e.POST("/api/v1/parts", s.postParts, s.authorized)
	e.GET("/api/v1/parts/batches", s.getBatches, s.authorized)
	e.POST("/api/v1/parts/batches", s.postBatches, s.authorized)
	e.POST("/api/v1/parts/:entry/correct", s.postCorrection, s.authorized)
	e.GET("/api/v1/drivers", s.getDrivers, s.authorized)
	e.GET("/api/v1/drivers/batches", s.getDriverBatches, s.authorized)
	e.POST("/api/v1/drivers/values", s.postValues, s.authorized)
	e.GET("/api/v1/drivers/study", s.getDriverStudy, s.authorized)
	e.GET("/api/v1/drivers/study.xlsx", s.getStudyBook, s.authorized)
	e.GET("/api/v1/drivers/purchase", s.getPurchase, s.authorized)
	e.GET("/api/v1/drivers/pairings", s.getPairings, s.authorized)
	e.POST("/api/v1/drivers/pairings", s.postPairing, s.authorized)
	e.GET("/api/v1/drivers/pairings/:pairing", s.getPairing, s.authorized)
	e.GET("/api/v1/drivers/pairings/:pairing/picks.xlsx", s.getPicks, s.authorized)
	e.POST("/api/v1/drivers/pairings/:pairing/withdraw", s.postWithdrawal, s.authorized)
	e.GET("/api/v1/rigs", s.getRigs, s.authorized)
	e.POST("/api/v1/rigs/policy", s.postPolicy, s.authorized)
	e.GET("/api/v1/rigs/transfers", s.getTransfers, s.authorized)
	e.POST("/api/v1/rigs/transfers", s.postTransfer, s.authorized)
	e.POST("/api/v1/rigs/transfers/withdraw", s.postTransferWithdrawal, s.authorized)
	e.GET("/api/v1/rigs/entries", s.getRigEntries, s.authorized)
	e.POST("/api/v1/rigs/entries", s.postRigEntry, s.authorized)
	e.POST("/api/v1/rigs/release", s.postRelease, s.authorized)
	e.POST("/api/v1/references", s.postReference, s.authorized)
	e.GET("/api/v1/references/:serial", s.getReference, s.authorized)
	e.GET("/api/v1/references/:serial/chart.svg", s.getReferenceChart, s.authorized)
	e.POST("/api/v1/references/:serial/state", s.postReferenceState, s.authorized)
	e.POST("/api/v1/references/:serial/baseline", s.postBaseline, s.authorized)
	e.GET("/api/v1/faults", s.getFaults, s.authorized)
	e.POST("/api/v1/faults/withdraw", s.postFaultWithdraw, s.authorized)
	e.POST("/api/v1/faults/studies", s.postFaultStudy, s.authorized)
	e.GET("/api/v1/faults/studies/:study", s.getFaultStudy, s.authorized)
	e.POST("/api/v1/faults/studies/:study/learn", s.postFaultLearn, s.authorized)
	e.GET("/api/v1/studies", s.getStudies, s.authorized)
	e.POST("/api/v1/studies", s.postStudy, s.authorized)
	e.GET("/api/v1/studies/:study", s.getStudy, s.authorized)
	e.GET("/api/v1/studies/:study/sheet.xlsx", s.getStudySheet, s.authorized)
	e.GET("/api/v1/studies/:study/picture.svg", s.getStudyPicture, s.authorized)
	e.GET("/api/v1/studies/:study/transfer", s.getTransfer, s.authorized)
	e.POST("/api/v1/studies/:study/guard", s.postGuard, s.authorized)
	e.POST("/api/v1/studies/:study/seating", s.postSeating, s.authorized)
	e.GET("/api/v1/openapi.json", s.getOpenAPI)
}

// Loopback reports whether an address is one that only this machine can reach.
func Loopback(listen string) bool {
	host, _, err := net.SplitHostPort(listen)
	if err != nil {
		return false
	}
	if host == "localhost" {
		return true
	}
	ip, err := netip.ParseAddr(host)
	return err == nil && ip.IsLoopback()
}

// headers sets what every answer carries: nothing here is to be framed, sniffed or
// to load anything from elsewhere.
func headers(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		h := c.Response().Header()
		h.Set("Content-Security-Policy", "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self'; connect-src 'self'; base-uri 'none'; form-action 'self'; frame-ancestors 'none'")
		h.Set("X-Content-Type-Options", "nosniff")
		h.Set("Referrer-Policy", "no-referrer")
		h.Set("Cross-Origin-Resource-Policy", "same-origin")
		h.Set("Cross-Origin-Opener-Policy", "same-origin")
		h.Set("Permissions-Policy", "camera=(), geolocation=(), microphone=(), payment=(), usb=()")
		h.Set("Cache-Control", "no-store") // it is about this moment, and for who asked
		if c.IsTLS() {
			h.Set("Strict-Transport-Security", "max-age=31536000")
		}
		return next(c)
	}
}

// sameHost refuses requests under a foreign host name while nobody has to sign in: a web
// page elsewhere could point its own name at this machine.
func (s *server) sameHost(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		if demanded, err := s.demandsSignIn(c.Request().Context()); err != nil || !demanded {
			host := c.Request().Host
			if _, _, err := net.SplitHostPort(host); err != nil {
				host = net.JoinHostPort(host, "80")
			}
			if !Loopback(host) {
				return newProblem(http.StatusMisdirectedRequest, fmt.Sprintf("this server does not answer as %q", c.Request().Host), "use 127.0.0.1 or localhost, or register people, who then sign in")
			}
		}
		return next(c)
	}
}

type stoppingKey struct{}

// stopping returns the channel that is closed when the server that runs a request is
// told to stop.
func stopping(ctx context.Context) <-chan struct{} {
	done, _ := ctx.Value(stoppingKey{}).(<-chan struct{})
	return done
}

// plainAddress refuses addresses with bytes that no name in the database can have.
func plainAddress(next echo.HandlerFunc) echo.HandlerFunc {
	return func(c echo.Context) error {
		ok := storable(c.Request().URL.Path)
		for name, values := range c.QueryParams() {
			ok = ok && storable(name) && !slices.ContainsFunc(values, func(v string) bool { return !storable(v) })
		}
		if !ok {
			return newProblem(http.StatusBadRequest, "the address holds bytes that are no text in UTF-8, or U+0000", "escape the UTF-8 form of the text")
		}
		return next(c)
	}
}

// param returns an element of the path, unescaped. The router keeps the escaped form
// when the path holds escapes that it would lose, such as %2F; unescaping the plain form
// again would spoil a serial with a % in it.
func param(c echo.Context, name string) (string, error) {
	if c.Request().URL.RawPath == "" {
		return c.Param(name), nil
	}
	text, err := url.PathUnescape(c.Param(name))
	if err != nil {
		return "", newProblem(http.StatusBadRequest, "the "+name+" in the address cannot be read", "escape it as in a URL")
	}
	return text, nil
}

// Serve answers requests on a listener until ctx ends, then lets running ones
// finish; those that would go on for ever end at once.
func Serve(ctx context.Context, l net.Listener, h http.Handler) error {
	return serve(ctx, l, &http.Server{
		Handler: h, ReadHeaderTimeout: headerTimeout, ReadTimeout: requestTimeout, WriteTimeout: 2 * requestTimeout,
		IdleTimeout: idleTimeout, MaxHeaderBytes: mostHeader,
		BaseContext: func(net.Listener) context.Context {
			return context.WithValue(context.WithoutCancel(ctx), stoppingKey{}, ctx.Done())
		},
	})
}

func serve(ctx context.Context, l net.Listener, srv *http.Server) error {
	failed := make(chan error, 1)
	go func() { failed <- srv.Serve(l) }()
	select {
	case err := <-failed:
		return err
	case <-ctx.Done():
	}
	stop, cancel := context.WithTimeout(context.WithoutCancel(ctx), stopTimeout)
	defer cancel()
	if err := srv.Shutdown(stop); err != nil {
		return fmt.Errorf("some requests did not finish within %v: %w", stopTimeout, err)
	}
	return nil
}
