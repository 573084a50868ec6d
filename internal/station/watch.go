package station

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io/fs"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"alike/internal/curve"

	"github.com/fsnotify/fsnotify"
)

// A sighting is what is known of a file that is not in the spool yet.
type sighting struct {
	mark
	since time.Time // when it was first seen in this state
	tried bool      // read in this state, and not found good
	again bool      // but what stands elsewhere may make it good
	stuck bool      // waits for a better manifest
}

// A watcher looks at the folder again and again.
type watcher struct {
	*station
	seen  map[string]*sighting
	signs *fsnotify.Watcher // nil where the system gives no signs
	told  map[string]bool   // folders that give signs
	fault string            // of a manifest, told once
}

// burst is a little above zero, so that a burst of signs makes one look.
const burst = 20 * time.Millisecond

// watch looks at the folder until ctx ends: at the system's signs, and at intervals,
// for shared folders and some systems give none.
func (s *station) watch(ctx context.Context) {
	w := &watcher{station: s, seen: map[string]*sighting{}, told: map[string]bool{}}
	if signs, err := fsnotify.NewWatcher(); err == nil && !s.deaf {
		w.signs = signs
		defer signs.Close()
	}
	for {
		pause, err := w.look(ctx)
		if err != nil { // a share that is away comes back
			s.disk(fmt.Errorf("the folder cannot be read: %w", err))
		} else if s.Once && w.through() {
			return
		}
		if !w.wait(ctx, pause) {
			return
		}
	}
}

// through reports whether nothing is left to do for a station that runs once.
func (w *watcher) through() bool {
	for _, g := range w.seen {
		if !g.stuck || time.Since(g.since) < w.Patience {
			return false
		}
	}
	return w.spool.len() == 0
}

// wait waits for a sign or the pause; it reports false at the end of ctx.
func (w *watcher) wait(ctx context.Context, pause time.Duration) bool {
	var events chan fsnotify.Event
	var failures chan error
	if w.signs != nil {
		events, failures = w.signs.Events, w.signs.Errors
	}
	timer := time.NewTimer(pause)
	defer timer.Stop()
	for {
		select {
		case <-ctx.Done():
			return false
		case <-timer.C:
			return true
		case <-events:
			timer.Reset(min(pause, burst))
			events = nil // the rest of the burst waits in the channel
		case <-failures: // signs were lost: looking is what counts
			return true
		}
	}
}

// look goes through the folder once: it notes what is new, spools what is complete,
// puts away what cannot be read, and says when to look again.
func (w *watcher) look(ctx context.Context) (time.Duration, error) {
	spooled := w.spool.sources()
	present, found, err := w.list()
	if err != nil {
		return w.Poll, err
	}
	now := time.Now()
	var due []string
	for name, m := range present {
		if slices.ContainsFunc(spooled[name], m.same) {
			delete(w.seen, name)
			continue
		}
		g := w.seen[name]
		if g == nil || !g.same(m) {
			g = &sighting{mark: m, since: now}
			w.seen[name] = g
		}
		if now.Sub(g.since) >= w.Settle {
			due = append(due, name)
		}
	}
	for name := range w.seen {
		if _, ok := present[name]; !ok {
			delete(w.seen, name)
		}
	}
	// The order of production is the order in which files were finished.
	slices.SortFunc(due, func(a, b string) int {
		return cmp.Or(w.seen[a].ModTime.Compare(w.seen[b].ModTime), cmp.Compare(a, b))
	})
	lists := &manifests{s: w.station, names: found, read: map[string]manifestList{}}
	for _, name := range due {
		if ctx.Err() != nil {
			break
		}
		if !w.take(name, w.seen[name], lists) {
			break // the disk is full: the rest would fail too
		}
	}
	return w.tell(now), nil
}

// tell publishes what waits and returns the pause until the next look.
func (w *watcher) tell(now time.Time) time.Duration {
	pause, changing, incomplete, stuck := w.Poll, 0, 0, 0
	for _, g := range w.seen {
		switch {
		case g.stuck:
			stuck++
		case g.tried:
			incomplete++
		default:
			changing++
		}
		for _, limit := range []time.Duration{w.Settle, w.Patience} {
			if left := limit - now.Sub(g.since); left > 0 {
				pause = min(pause, left+time.Millisecond)
			}
		}
	}
	w.board.change(func(st *State) {
		st.Changing, st.Incomplete, st.Stuck, st.Spooled = changing, incomplete, stuck, w.spool.len()
	})
	return pause
}

// list returns the files of the folder and below, and the manifests.
func (w *watcher) list() (files map[string]mark, found map[string]string, err error) {
	files, found = map[string]mark{}, map[string]string{}
	err = filepath.WalkDir(w.Dir, func(full string, d fs.DirEntry, err error) error {
		rel, e := filepath.Rel(w.Dir, full)
		name := filepath.ToSlash(rel)
		switch {
		case e != nil || err != nil && name == ".":
			return errors.Join(err, e)
		case err != nil:
			return skipped(d) // gone meanwhile, or closed to us: the next look tells
		case d.IsDir():
			if name == doneFolder || name == refusedFolder || name != "." && strings.HasPrefix(d.Name(), ".") {
				return fs.SkipDir
			}
			w.hear(full)
		case strings.EqualFold(d.Name(), curve.ManifestName):
			found[path.Dir(name)] = name
		case curve.Unrelated(name), strings.HasSuffix(name, reasonEnding), !d.Type().IsRegular():
		default:
			if info, err := d.Info(); err == nil {
				files[name] = markOf(info)
			}
		}
		return nil
	})
	return files, found, err
}

func skipped(d fs.DirEntry) error {
	if d != nil && d.IsDir() {
		return fs.SkipDir
	}
	return nil
}

// hear asks the system for signs of a folder. Where it cannot, polling is enough.
func (w *watcher) hear(folder string) {
	if w.signs != nil && !w.told[folder] {
		w.told[folder] = w.signs.Add(folder) == nil
	}
}

// take reads a file that stands still and spools it, or puts it away when it cannot be
// read. It reports false when the disk failed.
func (w *watcher) take(name string, g *sighting, lists *manifests) bool {
	late := time.Since(g.since) >= w.Patience
	if g.tried && !g.again && !late {
		return true // nothing changed since it was read
	}
	e, takes, refused, content, err := w.readFile(name, g.mark, lists)
	var unlisted *curve.Refusal
	var faulty faultyManifest
	g.stuck = errors.As(err, &faulty)
	g.again = g.stuck || errors.As(err, &unlisted)
	g.tried = true
	switch {
	case g.stuck:
		if text := faulty.Error(); text != w.fault {
			w.fault = text
			w.say("files wait: " + text)
		}
		return true
	case unlisted != nil:
		refused = []*curve.Refusal{unlisted}
	case errors.Is(err, errMoving):
		g.since, g.tried = time.Now(), false
		return true
	case err != nil:
		w.say(err.Error())
		g.since, g.tried = time.Now(), false
		return true
	}
	for _, r := range refused {
		e.Refused = append(e.Refused, reasonText(r.File, r.Line, r.Field, r.Reason, r.Remedy))
	}
	if len(refused) > 0 && !late {
		return true // it may be half written
	}
	if e.Requests, err = requests(takes, name); err == nil {
		if len(takes) > 0 {
			content = nil // the rest of the file is stored
		}
		e.Reports, err = reports(refused, w.Defaults.Lot, content)
	}
	if err == nil {
		err = w.keep(e)
	}
	w.disk(err)
	if err != nil {
		g.tried = false
		return false
	}
	delete(w.seen, name)
	w.board.change(func(st *State) { st.Changing = max(0, st.Changing-1) })
	return true
}

// keep spools what was read of a file, or puts the file away when it holds no take.
func (w *watcher) keep(e entry) error {
	if len(e.Requests) > 0 {
		return w.spool.add(e)
	}
	// The report first: a station killed between the two reads the file again, and the
	// server keeps the same report once.
	if err := w.spool.add(entry{Reports: e.Reports}); err != nil {
		return err
	}
	if err := w.putAway(e, 0); err != nil {
		return err
	}
	w.say("refused: " + e.Refused[0])
	w.board.change(func(st *State) { st.Refused++ })
	return nil
}

// disk publishes whether the station can write.
func (s *station) disk(err error) {
	text := ""
	if err != nil {
		text = fmt.Sprintf("disk trouble (%v), files stay where they are", plain(err))
	}
	s.board.change(func(st *State) { st.Disk, st.Spooled = text, s.spool.len() })
}
