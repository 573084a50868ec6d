package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"os/user"
	"path/filepath"
	"runtime"
	"strings"
	"time"

	"alike/internal/line"
	"alike/internal/pg"
	"alike/internal/store"
)

// A workplace is an open database with the line on it.
type workplace struct {
	line    *line.Line
	db      *store.DB
	by      line.By
	url     string
	cluster *pg.Cluster // nil when the database is somebody else's
}

// openAs connects to the database of the command line, or to our own, which it starts or
// finds running under another of our programs; without beside the data folder must be
// free. The caller closes the workplace.
func (d database) openAs(c *console, beside bool) (*workplace, error) {
	w := &workplace{by: line.By{Actor: d.actor(), Origin: "command line"}, url: d.Database}
	if w.url == "" {
		dir, err := d.folder("alike")
		if err != nil {
			return nil, err
		}
		// Ctrl-C ends the command's context; the transaction under way still needs
		// the server, so that the server is stopped by close and not by the context.
		w.cluster, err = pg.Start(c.ctx, pg.Options{Dir: dir, MayInstall: d.Install, KeepOnCancel: true, Log: c.note})
		var busy *pg.InUseError
		switch {
		case beside && errors.As(err, &busy) && busy.URL != "":
			w.url = busy.URL
		case err != nil:
			return nil, err
		default:
			w.url = w.cluster.URL()
		}
	}
	if err := w.connect(c, d); err != nil {
		w.close()
		return nil, err
	}
	return w, nil
}

func (w *workplace) connect(c *console, d database) error {
	var err error
	if w.db, err = store.Open(c.ctx, w.url); err != nil {
		return err
	}
	site, err := d.site(c.ctx, w.db)
	if err != nil {
		return err
	}
	w.line = line.New(w.db, site, time.Now)
	name := d.SiteName
	if name == "" {
		name = "Workshop " + site
	}
	return w.line.Open(c.ctx, w.by, name, d.Zone)
}

// firstSite is the code of a new database's workshop when none is given.
const firstSite = "main"

// site returns the workshop to work in. A slip of the pen must not read as an empty
// workshop: where there are others, a new one is opened only with its name.
func (d database) site(ctx context.Context, db *store.DB) (string, error) {
	sites, err := db.Sites(ctx)
	if err != nil {
		return "", err
	}
	var there, own []string
	for _, s := range sites {
		if !simulated(s.Site) {
			own = append(own, s.Site)
		}
		if s.Site == d.Site {
			return d.Site, nil
		}
		there = append(there, s.Site+" ("+s.Name+")")
	}
	switch {
	case len(sites) == 0 && d.Site == "":
		return firstSite, nil
	case len(sites) == 0, d.Site != "" && d.SiteName != "":
		return d.Site, nil
	case d.Site == "" && len(sites) == 1:
		return sites[0].Site, nil
	case d.Site == "" && len(own) > 0 && (len(own) == 1 || d.anySite): // the others were simulated beside it
		return own[0], nil
	case d.Site == "":
		return "", fmt.Errorf("the database holds %d workshops: say which with --site CODE; there are %s", len(sites), strings.Join(there, ", "))
	}
	return "", fmt.Errorf("there is no workshop %q; there is %s (to open a new one give --site-name NAME as well)", d.Site, strings.Join(there, ", "))
}

// close gives everything back, also after Ctrl-C.
func (w *workplace) close() error {
	if w.db != nil {
		w.db.Close()
	}
	if w.cluster == nil {
		return nil
	}
	ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
	defer cancel()
	return w.cluster.Stop(ctx)
}

// with runs do on the open database and closes it.
func (d database) with(c *console, do func(*workplace) error) error {
	return d.withAs(c, true, do)
}

func (d database) withAs(c *console, beside bool, do func(*workplace) error) error {
	w, err := d.openAs(c, beside)
	if err != nil {
		return err
	}
	err = do(w)
	if e := w.close(); err == nil {
		err = e
	}
	return err
}

func (d database) actor() string {
	if d.As != "" {
		return d.As
	}
	if u, err := user.Current(); err == nil && u.Username != "" {
		return u.Username
	}
	return "unknown"
}

// folder returns the data folder: the one given, or the usual place of a user's
// data on this system.
func (d database) folder(name string) (string, error) {
	if d.Data != "" {
		return d.Data, nil
	}
	home, err := os.UserHomeDir()
	if err != nil {
		return "", fmt.Errorf("there is no home folder for the data: give --data DIR (%w)", err)
	}
	switch {
	case os.Getenv("XDG_DATA_HOME") != "":
		return filepath.Join(os.Getenv("XDG_DATA_HOME"), name), nil
	case runtime.GOOS == "darwin":
		return filepath.Join(home, "Library", "Application Support", name), nil
	case runtime.GOOS == "windows":
		base, err := os.UserCacheDir() // %LocalAppData%
		return filepath.Join(base, name), err
	}
	return filepath.Join(home, ".local", "share", name), nil
}

// note prints a line of progress to the error stream.
func (c *console) note(text string) {
	fmt.Fprintln(c.err, text)
}

func isTerminal(w io.Writer) bool {
	f, ok := w.(*os.File)
	if !ok {
		return false
	}
	info, err := f.Stat()
	return err == nil && info.Mode()&os.ModeCharDevice != 0
}

// A meter shows how far long work has come: one line rewritten on a terminal, a line
// every few seconds elsewhere.
type meter struct {
	c     *console
	what  string
	shown time.Time
	used  bool
	wide  int

	percent bool // show the share that is done, not a count
}

// newMeter returns a meter that keeps still for the first moments: short work needs
// none.
func newMeter(c *console, what string) *meter { return &meter{c: c, what: what, shown: time.Now()} }

func (m *meter) show(done, of int, more string) {
	every := 5 * time.Second
	if m.c.progressOnLine {
		every = 100 * time.Millisecond
	}
	due := time.Since(m.shown) >= every
	if !due && !(done == of && m.used) {
		return
	}
	m.shown, m.used = time.Now(), true
	text := fmt.Sprintf("%s: %d of %d%s", m.what, done, of, more)
	if m.percent {
		text = fmt.Sprintf("%s: %d %%%s", m.what, 100*done/max(1, of), more)
	}
	if !m.c.progressOnLine {
		fmt.Fprintln(m.c.err, text)
		return
	}
	pad := max(0, m.wide-len(text))
	m.wide = len(text)
	fmt.Fprintf(m.c.err, "\r%s%*s", text, pad, "")
}

// end leaves the meter's line.
func (m *meter) end() {
	if m.c.progressOnLine && m.wide > 0 {
		fmt.Fprintln(m.c.err)
	}
}
