package pg

import (
	"crypto/rand"
	"errors"
	"fmt"
	"net/url"
	"os"
	"strconv"
	"strings"
)

// role is the database role, and the database, that the product uses.
const role = "alike"

// access is how one reaches the running server.
type access struct {
	socket   string // folder of the Unix socket; empty if by network
	password string // by network only
	port     int
}

// socketPort gives the socket file its name; no network port is opened.
const socketPort = 5432

// url names a database on the server in a form that pgx and libpq read. Every
// setting that the environment (PGHOST, PGSSLMODE, ...) might change is given.
func (a access) url(database string) string {
	u := url.URL{Scheme: "postgres", Path: "/" + database, User: url.User(role)}
	query := "sslmode=disable"
	if a.socket != "" {
		// libpq does not read + as a space.
		host := strings.ReplaceAll(url.QueryEscape(a.socket), "+", "%20")
		query = "host=" + host + "&port=" + strconv.Itoa(a.port) + "&" + query
	} else {
		u.User = url.UserPassword(role, a.password)
		u.Host = "127.0.0.1:" + strconv.Itoa(a.port)
	}
	u.RawQuery = query
	return u.String()
}

// writeAccess writes who may connect. The files lie beside the cluster, not in
// it: see the package comment about root. The server reads them, so they are for
// everybody to read; they hold no secret.
func writeAccess(p place, a access) error {
	rule := "local all " + role + " peer map=" + role
	if a.socket == "" {
		rule = "host all " + role + " 127.0.0.1/32 scram-sha-256"
	}
	head := "# written by alike at each start\n"
	users := role + " " + quoteName(p.who.name) + " " + role + "\n"
	if p.who.self != p.who.name {
		users += role + " " + quoteName(p.who.self) + " " + role + "\n"
	}
	return errors.Join(
		writeFile(p.base, p.file("hba"), head+rule+"\n", 0o644),
		writeFile(p.base, p.file("ident"), head+users, 0o644),
	)
}

func quoteName(name string) string { return `"` + strings.ReplaceAll(name, `"`, `""`) + `"` }

// password returns the password of the data folder, made at the first call.
func password(p place) (string, error) {
	name := p.file("password")
	text, err := os.ReadFile(name)
	if err == nil {
		return strings.TrimSpace(string(text)), nil
	}
	if !errors.Is(err, os.ErrNotExist) {
		return "", err
	}
	if _, err := os.Stat(p.data()); err == nil {
		return "", fmt.Errorf("%s is missing, without which nobody gets into the database in %s: restore it from a backup of the data folder", name, p.data())
	}
	secret := rand.Text()
	return secret, writeFile(p.base, name, secret+"\n", 0o600)
}
