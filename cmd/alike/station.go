package main

import (
	"errors"
	"fmt"
	"net"
	"net/url"
	"os"
	"strings"
	"sync"
	"time"

	"alike/internal/curve"
	"alike/internal/station"

	"golang.org/x/term"
)

type stationCommand struct {
	Watch     string        `required:"" help:"Folder that the measuring program writes to." type:"path" placeholder:"DIR"`
	Server    string        `required:"" help:"Address of the server, such as http://127.0.0.1:8060." env:"ALIKE_SERVER" placeholder:"URL"`
	TokenFile string        `help:"File that holds this station's token (alike tokens add NAME); read again before each request. Default: ALIKE_TOKEN." type:"path" placeholder:"FILE"`
	Pattern   string        `help:"How file names tell what they hold, by default {serial}_{channel}_{seating}.txt." placeholder:"PATTERN"`
	Zone      string        `help:"Time zone of times without an offset. Default: this machine's." placeholder:"ZONE"`
	Product   string        `help:"Product of takes that do not say. May be left out when there is only one."`
	Lot       string        `help:"Lot of takes that do not say."`
	Attempt   int           `help:"Attempt of takes that do not say; a retest is attempt 2 or later."`
	Reason    string        `help:"Cause found or action taken before a retest, for takes that do not say."`
	Station   string        `help:"Name of this station. Default: this machine's."`
	Operator  string        `help:"Operator of takes that do not say."`
	Once      bool          `help:"Stop when everything in the folder and the spool is dealt with."`
	Settle    time.Duration `help:"How long a file must stand still before it is read." default:"2s"`
	Patience  time.Duration `help:"How long a file that cannot be read may stay before it is refused; it may be half written." default:"1m"`
	RetryMax  time.Duration `help:"Longest pause between two tries while the server is away." default:"30s"`
}

func (stationCommand) Help() string {
	return `Sends what appears in a folder to the server, each take once and in order. Files
that are stored move to done, files that are refused move to refused with the reason
in a text beside them; nothing is deleted. While the server is away takes wait in a
spool on disk. Ctrl-C stops the station; what waits is sent at the next start.

A file is read when it has stood still for --settle. A program that adds rows to one
CSV all day should write a file per take instead, or be given a longer --settle.

Examples:
  alike station --watch export --server http://127.0.0.1:8060 --lot 2026-W37
  alike station --watch export --server https://line.example --token-file token.txt
  alike station --watch export --server http://127.0.0.1:8060 --once`
}

func (cmd *stationCommand) Run(c *console) error {
	o, err := cmd.options()
	if err != nil {
		return err
	}
	if cmd.exposesToken() {
		c.note("Warning: the token goes over the network unencrypted; give the server's https address.")
	}
	l := &stateLine{c: c}
	o.Show, o.Note = l.show, l.note
	st, err := station.Run(c.ctx, o)
	l.end()
	if err != nil {
		return err
	}
	fmt.Fprintln(c.out, st)
	if st.Spooled > 0 {
		fmt.Fprintln(c.out, "what is in the spool is sent when the station starts again")
	}
	if cmd.Once && (st.Refused > 0 || st.Stuck > 0) {
		return exitCode(1)
	}
	return nil
}

func (cmd *stationCommand) options() (station.Options, error) {
	o := station.Options{Dir: cmd.Watch, Server: cmd.Server, Token: cmd.token, Zone: time.Local, Once: cmd.Once, Settle: cmd.Settle, Patience: cmd.Patience, RetryMax: cmd.RetryMax}
	text := cmd.Pattern
	if text == "" {
		text = usualPattern
	}
	var err error
	if o.Pattern, err = curve.ParsePattern(text); err != nil {
		return o, err
	}
	if cmd.Zone != "" {
		if o.Zone, err = time.LoadLocation(cmd.Zone); err != nil {
			return o, fmt.Errorf("%q is no time zone; use a name such as Europe/Vienna", cmd.Zone)
		}
	}
	if cmd.Settle <= 0 || cmd.Patience <= 0 || cmd.RetryMax <= 0 {
		return o, errors.New("--settle, --patience and --retry-max are times above zero, such as 2s or 1m")
	}
	if cmd.Station == "" {
		cmd.Station, _ = os.Hostname() // a name is welcome, not needed
	}
	o.Defaults = curve.Identity{Product: cmd.Product, Lot: cmd.Lot, Attempt: cmd.Attempt, Reason: cmd.Reason, Station: cmd.Station, Operator: cmd.Operator}
	probe := o.Defaults
	probe.Serial, probe.Channel = "1", "left"
	if _, err := probe.Normal(); err != nil {
		return o, err
	}
	_, err = cmd.token()
	return o, err
}

// token reads the token anew, so that it can be changed while the station runs.
func (cmd *stationCommand) token() (string, error) {
	if cmd.TokenFile == "" {
		return os.Getenv("ALIKE_TOKEN"), nil
	}
	text, err := os.ReadFile(cmd.TokenFile)
	if err != nil {
		return "", fmt.Errorf("the token file cannot be read: %w", err)
	}
	token := strings.TrimSpace(string(text))
	if token == "" || strings.ContainsAny(token, "\r\n") {
		return "", fmt.Errorf("the token file %s does not hold one line with the token", cmd.TokenFile)
	}
	return token, nil
}

// exposesToken reports whether a token would cross a network in the clear.
func (cmd *stationCommand) exposesToken() bool {
	u, err := url.Parse(cmd.Server)
	if err != nil || u.Scheme != "http" || u.Hostname() == "localhost" {
		return false
	}
	ip := net.ParseIP(u.Hostname())
	token, _ := cmd.token()
	return token != "" && (ip == nil || !ip.IsLoopback())
}

// A stateLine shows a station's state: on a terminal one line that is rewritten, at most
// ten times a second; elsewhere a line when the station turns from one kind of work to another, and
// otherwise not more than one in ten seconds.
type stateLine struct {
	c     *console
	mu    sync.Mutex
	last  station.State
	shown time.Time
	text  string // on the terminal's line
	next  station.State
	later *time.Timer // shows next, nil when nothing waits
}

const rewriteEvery = 100 * time.Millisecond

func (l *stateLine) show(s station.State) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.c.progressOnLine {
		l.next = s
		if l.later == nil {
			l.later = time.AfterFunc(rewriteEvery-time.Since(l.shown), l.catchUp)
		}
		return
	}
	turned := s.Away.IsZero() != l.last.Away.IsZero() || s.Disk != l.last.Disk
	if turned || time.Since(l.shown) > 10*time.Second {
		l.last, l.shown = s, time.Now()
		fmt.Fprintln(l.c.err, s)
	}
}

// catchUp shows the last state that was told.
func (l *stateLine) catchUp() {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.later, l.shown = nil, time.Now()
	if text := l.next.String(); text != l.text && !l.next.Ended {
		l.rewrite(text)
	}
}

// rewrite replaces the line; one longer than the terminal is wide would leave its
// first part behind.
func (l *stateLine) rewrite(text string) {
	wide := 80
	if f, ok := l.c.err.(*os.File); ok {
		if w, _, err := term.GetSize(int(f.Fd())); err == nil && w > 10 {
			wide = w
		}
	}
	l.text = text
	if r := []rune(text); len(r) >= wide {
		text = string(r[:wide-2]) + "…"
	}
	fmt.Fprintf(l.c.err, "\r\x1b[K%s", text)
}

// note prints a line that stays.
func (l *stateLine) note(text string) {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.text == "" {
		fmt.Fprintln(l.c.err, text)
		return
	}
	fmt.Fprintf(l.c.err, "\r\x1b[K%s\n", text)
	l.rewrite(l.text)
}

func (l *stateLine) end() {
	l.mu.Lock()
	defer l.mu.Unlock()
	if l.later != nil {
		l.later.Stop()
	}
	if l.text != "" {
		fmt.Fprint(l.c.err, "\r\x1b[K")
	}
}
