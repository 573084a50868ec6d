package api

import (
	"alike/internal/access"

	"github.com/labstack/echo/v4"
)

// deeds says what every route is, hence who may use it: internal/access has the table of
// roles. A route that is not here is refused to everybody who has to sign in, and a test
// fails.
var deeds = map[access.Deed][]string{
	access.Open: {
		"GET /healthz", "GET /readyz", "GET /api/v1/openapi.json", "GET /static/:file",
		"GET /sign-in", "POST /sign-in", "GET /welcome/:link", "POST /welcome/:link",
	},
	access.Own: {
		"GET /account", "POST /account/password", "POST /account/sign-out", "POST /account/sign-out-everywhere",
	},
	access.Unit: {"GET /api/v1/units/:serial"},
	access.Measure: {
		"POST /api/v1/takes", "POST /api/v1/refusals", "POST /add",
	},
	access.Look: {
		"GET /metrics", "GET /api/v1/lots", "GET /api/v1/lots/:lot", "GET /api/v1/lots/:lot/report.xlsx", "GET /api/v1/lots/:lot/report.json", "GET /api/v1/lots/:lot/standing",
		"GET /api/v1/journal", "GET /api/v1/journal/verification", "GET /api/v1/charts", "GET /api/v1/streams", "GET /api/v1/events",
		"GET /api/v1/findings", "GET /api/v1/findings/:finding", "GET /api/v1/parts", "GET /api/v1/parts/batches",
		"GET /api/v1/drivers", "GET /api/v1/drivers/batches", "GET /api/v1/drivers/study", "GET /api/v1/drivers/study.xlsx", "GET /api/v1/drivers/purchase",
		"GET /api/v1/drivers/pairings", "GET /api/v1/drivers/pairings/:pairing", "GET /api/v1/drivers/pairings/:pairing/picks.xlsx",
		"GET /api/v1/rigs", "GET /api/v1/rigs/transfers", "GET /api/v1/rigs/entries", "GET /api/v1/references/:serial", "GET /api/v1/references/:serial/chart.svg",
		"GET /api/v1/studies", "GET /api/v1/studies/:study", "GET /api/v1/studies/:study/sheet.xlsx", "GET /api/v1/studies/:study/picture.svg", "GET /api/v1/studies/:study/transfer",
		"GET /drift", "GET /api/v1/drift", "GET /streams", "GET /streams/:product/*",
		"GET /api/v1/stream", "GET /api/v1/stream/change", "GET /api/v1/stream.svg", "GET /api/v1/stream.csv",
		"GET /", "GET /units", "GET /units/:serial", "GET /lots", "GET /lots/:lot", "GET /findings", "GET /findings/:finding", "GET /compare",
		"GET /try", "POST /try", "GET /add", "GET /refused", // trying stores nothing
		"GET /products", "GET /products/:product", "GET /products/:product/envelope", "POST /products/:product/envelope/look",
		"GET /products/:product/limits", "GET /products/:product/limits/progress",
		"GET /api/v1/faults", "GET /api/v1/faults/studies/:study",
		"GET /products/:product/plan", "GET /products/:product/faults", "GET /products/:product/faults/studies/:study",
		"GET /parts", "GET /parts/entries/:entry", "GET /drivers", "GET /drivers/batches/:batch", "GET /drivers/compare", "GET /drivers/pair", "GET /drivers/pairings/:pairing",
		"GET /weeks", "GET /start", "GET /start/product", "GET /start/demo", "GET /api/v1/weeks.xlsx", "GET /api/v1/weeks.json",
		"GET /api/v1/lots/:lot/certificates.json", "GET /api/v1/lots/:lot/certificates.pdf", "GET /lots/:lot/certificates",
		"GET /api/v1/units/:serial/certificate.pdf", "GET /units/:serial/certificate", "GET /journal",
		"GET /rig", "GET /rig/references/:serial", "GET /rig/studies/:study",
		"GET /parts/batch", "GET /drivers/buy", "GET /drivers/pairings/:pairing/labels",
	},
	access.Keep: {
		"POST /api/v1/findings/:finding/events", "POST /findings/:finding", "POST /api/v1/parts", "POST /api/v1/parts/batches", "POST /api/v1/parts/:entry/correct",
		"POST /api/v1/drivers/values", "POST /api/v1/drivers/pairings", "POST /api/v1/drivers/pairings/:pairing/withdraw",
		"POST /api/v1/rigs/entries", "POST /api/v1/references", "POST /api/v1/studies",
		"POST /parts/scan", "POST /parts/entries/:entry", "POST /drivers/pairings", "POST /drivers/pairings/:pairing/withdraw",
		"POST /start", "POST /start/product", "POST /start/demo", "POST /start/demo/stop", "POST /parts/batch", "POST /parts/entries", "POST /rig/entries", "POST /rig/studies",
		"POST /products/:product/plan", "POST /products/:product/faults", "POST /api/v1/faults/studies",
	},
	access.Judge: {
		"POST /api/v1/lots/:lot/steps", "POST /api/v1/lots/:lot/draws", "POST /api/v1/units/:serial/overrides",
		"POST /api/v1/rigs/policy", "POST /api/v1/rigs/transfers", "POST /api/v1/rigs/transfers/withdraw", "POST /api/v1/rigs/release", "POST /api/v1/references/:serial/state", "POST /api/v1/references/:serial/baseline",
		"POST /api/v1/studies/:study/guard", "POST /api/v1/studies/:study/seating",
		"POST /products/:product/envelope", "POST /products/:product/limits", "POST /products/:product/limits/stop",
		"POST /api/v1/faults/withdraw", "POST /api/v1/faults/studies/:study/learn",
		"POST /products/:product/faults/withdraw", "POST /products/:product/faults/studies/:study",
		"POST /rig/release", "POST /rig/transfers", "POST /rig/studies/:study", "POST /sample", "POST /lots/:lot", "POST /units/:serial",
	},
	access.Admit: {
		"GET /people", "POST /people", "POST /people/change", "POST /people/link", "POST /tokens", "POST /tokens/revoke",
	},
}

var deedOf = func() map[string]access.Deed {
	out := map[string]access.Deed{}
	for deed, routes := range deeds {
		for _, r := range routes {
			if _, double := out[r]; double {
				panic("api: the route " + r + " has two deeds")
			}
			out[r] = deed
		}
	}
	return out
}()

// routeDeed returns what the route of a request is.
func routeDeed(c echo.Context) (access.Deed, bool) {
	d, ok := deedOf[c.Request().Method+" "+c.Path()]
	return d, ok
}
