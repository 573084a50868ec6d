// Package deps holds the project's import rule, as a test.
package deps

import (
	_ "github.com/alecthomas/kong"
	_ "github.com/getkin/kin-openapi/openapi3"
	_ "github.com/gofrs/flock"
	_ "github.com/google/go-cmp/cmp"
	_ "github.com/google/uuid"
	_ "github.com/jackc/pgx/v5/pgxpool"
	_ "github.com/labstack/echo/v4"
	_ "github.com/pressly/goose/v3"
	_ "github.com/prometheus/client_golang/prometheus"
	_ "github.com/rogpeppe/go-internal/testscript"
	_ "github.com/xuri/excelize/v2"
	_ "golang.org/x/sys/unix"
	_ "golang.org/x/text/encoding"
	_ "gonum.org/v1/gonum/mat"
	_ "pgregory.net/rapid"
)
