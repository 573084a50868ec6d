package station

import (
	"context"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"
	"sync"
	"time"

	"alike/internal/curve"

	"github.com/gofrs/flock"
)

// Options say what a station watches and where it sends. Zero times take the defaults
// given beside them.
type Options struct {
	Dir    string                 // the watched folder
	Server string                 // address of the server, as in http://127.0.0.1:8060
	Token  func() (string, error) // asked before each request; nil for none

	Pattern  curve.Pattern  // of file names, for folders without a manifest.csv
	Zone     *time.Location // of times without an offset; nil refuses those
	Defaults curve.Identity // what files do not say: product, lot, station, operator, attempt, reason

	Once bool // end when the folder and the spool are empty

	Settle   time.Duration // 2 s: how long a file stands still before it is read
	Patience time.Duration // 1 min: how long a file that cannot be read stays
	Poll     time.Duration // 2 s: how often the folder is looked at without a sign from the system
	Timeout  time.Duration // 1 min: longest wait for an answer
	RetryMin time.Duration // 0.5 s: first pause before trying again
	RetryMax time.Duration // 30 s: longest pause

	Show func(State)  // is told every change of state; may be nil
	Note func(string) // is told what happened to a file; may be nil

	write func(name string, data []byte) error // of the spool; replaced in tests
	deaf  bool                                 // without the system's signs, for tests
}

func (o Options) withDefaults() Options {
	for _, d := range []struct {
		to    *time.Duration
		usual time.Duration
	}{
		{&o.Settle, 2 * time.Second}, {&o.Patience, time.Minute}, {&o.Poll, 2 * time.Second},
		{&o.Timeout, time.Minute}, {&o.RetryMin, 500 * time.Millisecond}, {&o.RetryMax, 30 * time.Second},
	} {
		if *d.to <= 0 {
			*d.to = d.usual
		}
	}
	o.Patience = max(o.Patience, o.Settle)
	if o.Show == nil {
		o.Show = func(State) {}
	}
	if o.Note == nil {
		o.Note = func(string) {}
	}
	return o
}

// Names inside the watched folder.
const (
	doneFolder    = "done"
	refusedFolder = "refused"
	ownFolder     = ".alike-station"
)

// grace is how long a request under way may take to end after the station was told to
// stop.
const grace = 5 * time.Second

// ErrBusy means that another station watches the folder.
var ErrBusy = errors.New("another station watches this folder")

// A station at work.
type station struct {
	Options
	server *url.URL
	spool  *spool
	board  *board
}

// Run watches and sends until ctx ends, or with Once until nothing is left, and returns
// what became of the files. What is in the spool at the end is sent by the next Run.
func Run(ctx context.Context, o Options) (State, error) {
	o = o.withDefaults()
	server, err := serverURL(o.Server)
	if err != nil {
		return State{}, err
	}
	own := filepath.Join(o.Dir, ownFolder)
	if info, err := os.Stat(o.Dir); err != nil {
		return State{}, fmt.Errorf("the folder cannot be watched: %w", err)
	} else if !info.IsDir() {
		return State{}, fmt.Errorf("%s is no folder; give the folder that the measuring program writes to", o.Dir)
	}
	if err := os.MkdirAll(own, 0o700); err != nil {
		return State{}, fmt.Errorf("the station needs a folder of its own: %w; let it write to %s", err, o.Dir)
	}
	lock := flock.New(filepath.Join(own, "lock"))
	if ok, err := lock.TryLock(); err != nil {
		return State{}, fmt.Errorf("locking %s: %w", lock.Path(), err)
	} else if !ok {
		return State{}, fmt.Errorf("%w: %s; stop the other one first", ErrBusy, o.Dir)
	}
	defer lock.Unlock()
	s := &station{Options: o, server: server, board: newBoard(o.Show)}
	if s.spool, err = openSpool(filepath.Join(own, "spool"), s.damaged); err != nil {
		return State{}, err
	}
	if o.write != nil {
		s.spool.write = o.write
	}
	s.board.change(func(st *State) { st.Spooled = s.spool.len() })
	return s.run(ctx), nil
}

// run lets the watcher and the sender work side by side: the folder is watched while
// the server is away.
func (s *station) run(ctx context.Context) State {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	sending, hurry := context.WithCancel(context.WithoutCancel(ctx))
	defer hurry()
	stop := context.AfterFunc(ctx, func() { time.AfterFunc(grace, hurry) })
	defer stop()
	var both sync.WaitGroup
	both.Go(func() { s.sendAll(ctx, sending) })
	s.watch(ctx)
	cancel()
	both.Wait()
	s.board.change(func(st *State) { st.Ended = true })
	return s.board.now()
}

func serverURL(text string) (*url.URL, error) {
	u, err := url.Parse(text)
	if err != nil || u.Host == "" || u.Scheme != "http" && u.Scheme != "https" {
		return nil, errors.New("the server's address cannot be used: give it as http://HOST:PORT or https://HOST")
	}
	return u.JoinPath("/api/v1"), nil
}
