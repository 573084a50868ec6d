package main

import (
	"fmt"
	"reflect"
	"slices"
	"strings"

	"github.com/alecthomas/kong"
)

// given holds the flags that stand on the command line, by name. A default is not
// given.
type given map[string]reflect.Value

func givenFlags(k *kong.Context) given {
	g := given{}
	for _, p := range k.Path {
		if p.Flag != nil && !p.Resolved {
			g[p.Flag.Name] = p.Flag.Target
		}
	}
	return g
}

// forgotten finds a flag of text that took the next flag for its value. Values may
// begin with a hyphen, because numbers do; a text that looks like a flag has to be
// tied to its own with =.
func (g given) forgotten(args []string) error {
	for _, name := range g.names() {
		if v := g[name]; v.Kind() == reflect.String && v.Len() == 0 && args[len(args)-1] == "--"+name {
			return fmt.Errorf("--%s: expected a value but got the end of the line", name)
		}
		for _, v := range texts(g[name]) {
			if !strings.HasPrefix(v, "--") && v != "-h" || slices.ContainsFunc(args, func(a string) bool { return strings.HasPrefix(a, "--"+name+"=") }) {
				continue
			}
			return fmt.Errorf("--%s: expected a value but got the flag %q; if it is the value, write --%s=%s", name, v, name, v)
		}
	}
	return nil
}

func (g given) names() []string {
	var names []string
	for n := range g {
		names = append(names, n)
	}
	slices.Sort(names)
	return names
}

func texts(v reflect.Value) []string {
	switch {
	case v.Kind() == reflect.String:
		return []string{v.String()}
	case v.Type() == reflect.TypeFor[[]string]():
		return v.Interface().([]string)
	}
	return nil
}

// notZero refuses a given zero where zero would mean the default.
func (g given) notZero(names ...string) error {
	for _, n := range names {
		v, ok := g[n]
		if ok && v.Kind() == reflect.Pointer {
			v = v.Elem()
		}
		if ok && v.IsZero() {
			return fmt.Errorf("--%s: 0 is not above 0; %s", n, zeroRemedy[n])
		}
	}
	return nil
}

var zeroRemedy = map[string]string{
	"alpha":      "give a chance such as 0.0027, or leave it out",
	"baseline":   "give how many of the first points set the limits, or leave it out for all",
	"confidence": "give a fraction such as 0.95, or leave it out",
	"limit":      "give a number above 0, or leave it out for the one that is computed",
	"lot":        "give the units in the lot, or leave it out for a long run of lots",
	"n":          "give how many units were measured, or leave it out",
	"tolerance":  "give the upper minus the lower limit, or leave it out",
	"width":      "give a number of sigmas, or leave it out for 3",
}

// only refuses given flags that do not apply. Reads says what a flag applies to; a
// flag that it does not name applies to everything.
func (g given) only(what string, reads map[string]string) error {
	for _, n := range g.names() {
		to, ok := reads[n]
		if ok && !slices.Contains(strings.Fields(to), what) {
			return fmt.Errorf("--%s does not apply to %s, but to %s: leave it out", n, what, strings.Join(strings.Fields(to), ", "))
		}
	}
	return nil
}
