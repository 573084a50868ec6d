package pg

import (
	"fmt"
	"strings"
)

// NotFoundError says that no usable PostgreSQL server is on the machine, and how
// to get one.
type NotFoundError struct {
	Major    int        // the only version that would do, 0 for any supported one
	Other    []Binaries // what was found but does not fit
	Broken   []string   // what was found but does not run
	Override string     // the folder ALIKE_PG_BIN names, if set
	Command  string     // installs the server on this system; empty if unknown
}

func (e *NotFoundError) Error() string {
	var b strings.Builder
	need := e.need()
	switch {
	case len(e.Other) > 0 && e.Override != "":
		fmt.Fprintf(&b, "%s has PostgreSQL %s, but %s is needed", EnvBin, list(e.Other), need)
	case len(e.Other) > 0:
		fmt.Fprintf(&b, "found PostgreSQL %s, but %s is needed", list(e.Other), need)
	case e.Override != "":
		fmt.Fprintf(&b, "%s is %s, which has no working initdb and postgres", EnvBin, e.Override)
	default:
		fmt.Fprintf(&b, "no PostgreSQL server found (%s is needed)", need)
	}
	if len(e.Broken) > 0 {
		fmt.Fprintf(&b, " (does not run: %s)", strings.Join(e.Broken, "; "))
	}
	b.WriteString(": " + e.remedy())
	return b.String()
}

func (e *NotFoundError) need() string {
	if e.Major != 0 {
		return fmt.Sprintf("version %d", e.Major)
	}
	return fmt.Sprintf("version %d to %d", OldestMajor, NewestMajor)
}

func (e *NotFoundError) remedy() string {
	switch {
	case e.Override != "":
		return fmt.Sprintf("point %s at a folder with the server of %s, or unset it to search the usual places", EnvBin, e.need())
	case e.Command != "":
		return fmt.Sprintf("install it with `%s`, or set %s to the folder that holds initdb and postgres", e.Command, EnvBin)
	}
	return fmt.Sprintf("install the server package of your system, or set %s to the folder that holds initdb and postgres", EnvBin)
}

func list(all []Binaries) string {
	text := make([]string, len(all))
	for i, b := range all {
		text[i] = b.String()
	}
	return strings.Join(text, ", ")
}
