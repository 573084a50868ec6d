package api

import "alike/internal/access"

// ServeWith lets tests serve with limits of their own.
var ServeWith = serve

// DeedOf returns what a route is, in the form in which Routes has it.
func DeedOf(route string) (access.Deed, bool) {
	for r, deed := range deedOf {
		if parameter.ReplaceAllString(r, "{$1}") == route {
			return deed, true
		}
	}
	return "", false
}

// DeedRoutes lists the routes that the table of deeds names, in that form.
func DeedRoutes() (out []string) {
	for r := range deedOf {
		out = append(out, parameter.ReplaceAllString(r, "{$1}"))
	}
	return out
}
