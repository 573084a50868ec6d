package api_test

import (
	"net/http"
	"slices"
	"strings"
	"testing"

	"alike/api"
	"alike/internal/access"
	"alike/internal/line"
)

var tester = line.By{Actor: "tester", Origin: "test"}

// inAddress puts names in the place of what a route leaves open.
var inAddress = strings.NewReplacer("{serial}", "U1", "{lot}", "L", "{product}", "p1", "{stream}", "s", "{finding}", "1", "{entry}", "x", "{batch}", "x", "{pairing}", "1", "{study}", "x", "{link}", "x", "{file}", "x", "*", "x")

// Every route is tried by every role and by nobody, and answers as the tables say: 401 to
// nobody, 403 to who may not, and neither to who may. A route that is in no table fails.
func TestEveryRouteByEveryRole(t *testing.T) {
	t.Parallel()
	b, l, db := open(t, everybody)
	addProduct(t, l)
	routes, err := api.Routes(api.Options{Line: l, DB: db, Listen: "127.0.0.1:0"})
	if err != nil {
		t.Fatal(err)
	}
	type user struct {
		role   access.Role
		header [2]string
	}
	users := []user{{"", [2]string{}}}
	for _, role := range access.PeopleRoles {
		name := "The " + string(role)
		if err := l.AddPerson(t.Context(), tester, name, string(role)); err != nil {
			t.Fatal(err)
		}
		link, _, err := l.Invite(t.Context(), tester, name)
		if err != nil {
			t.Fatal(err)
		}
		session, err := l.Accept(t.Context(), "test", link, "", goodPassword)
		if err != nil {
			t.Fatal(err)
		}
		users = append(users, user{role, [2]string{"Cookie", "alike-session=" + session.Secret}})
	}
	for _, role := range access.TokenRoles {
		token, err := l.AddToken(t.Context(), tester, "The "+string(role), string(role))
		if err != nil {
			t.Fatal(err)
		}
		users = append(users, user{role, [2]string{"Authorization", "Bearer " + token}})
	}
	b.client.CheckRedirect = func(*http.Request, []*http.Request) error { return http.ErrUseLastResponse }
	b.client.Jar = nil
	tried := map[access.Deed]int{}
	for _, r := range routes {
		deed, known := api.DeedOf(r)
		if !known {
			t.Errorf("%s is in no table of deeds (api/access.go): nobody could use it", r)
			continue
		}
		if strings.HasPrefix(strings.TrimPrefix(r, "POST "), "/account/sign-out") || r == "GET /api/v1/events" {
			continue // the one would end what the next routes need, the other never ends; see their own tests
		}
		method, path, _ := strings.Cut(r, " ")
		for _, u := range users {
			req, err := http.NewRequestWithContext(t.Context(), method, b.address+inAddress.Replace(path), nil)
			if err != nil {
				t.Fatal(err)
			}
			if u.role != "" {
				req.Header.Set(u.header[0], u.header[1])
			}
			p := b.send(req)
			tried[deed]++
			want := "neither 401 nor 403"
			ok := p.status != 401 && p.status != 403 && (p.status < 500 || p.status == 503)
			switch {
			case deed == access.Open:
				ok = ok || r == "POST /sign-in" && p.status == 401
			case u.role == "":
				want, ok = "401", p.status == 401 && !strings.Contains(textOf(p.root), "Test workshop")
				if api.IsPage(r) {
					p.number(`form[action="/sign-in"] input[type=password]`, 1)
				}
			case !u.role.May(deed):
				want, ok = "403", p.status == 403
			}
			if !ok {
				t.Errorf("%s by %q: %d, want %s: %.300s", r, u.role, p.status, want, textOf(p.root))
			}
		}
	}
	for _, deed := range access.Deeds() {
		if tried[deed] == 0 {
			t.Errorf("no route is of the deed %s", deed)
		}
	}
	t.Logf("tried by deed: %v", tried)
	// The table names no route that is not there.
	for _, r := range api.DeedRoutes() {
		if !slices.Contains(routes, r) {
			t.Errorf("the table of deeds names %s, which is no route", r)
		}
	}
}
