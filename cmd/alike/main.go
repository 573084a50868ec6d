// Command alike is the line-quality tool of a small acoustic workshop: it takes in
// measured curves, judges units, watches the line and reports lots.
package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/signal"
	"strings"
	"syscall"
	_ "time/tzdata" // workshops name their zone; not every machine has the list

	"alike/internal/curve"
	"alike/internal/line"
	"alike/internal/pg"
	"alike/spc/multi"

	"github.com/alecthomas/kong"
)

// version is set by the release build with -ldflags "-X main.version=…".
var version = "dev"

// commands is the command line.
type commands struct {
	Demo     demoCommand     `cmd:"" help:"Run simulated weeks of production through everything, and stay up to be looked at."`
	Serve    serveCommand    `cmd:"" help:"Serve stations and people over HTTP."`
	Station  stationCommand  `cmd:"" help:"Watch a folder and send its takes to a server."`
	Ingest   ingestCommand   `cmd:"" help:"Take in measured curves from files and folders."`
	Product  productCommand  `cmd:"" help:"Products: designs at a revision."`
	Envelope envelopeCommand `cmd:"" help:"Envelopes: tolerance limits per band, in versions."`
	Limits   limitsCommand   `cmd:"" help:"Chart limits, frozen from a baseline, in versions."`
	Parts    partsCommand    `cmd:"" help:"Parts ledger: which component batch went into which units."`
	Drivers  driversCommand  `cmd:"" help:"Incoming drivers: take in, compare batches and suppliers, pair."`
	Rig      rigCommand      `cmd:"" help:"Trust in the rig: reference units, checks, calibration, units on hold."`
	Gauge    gaugeCommand    `cmd:"" help:"Gauge studies: what measuring itself adds, from the plan to guard bands."`
	Fault    faultCommand    `cmd:"" help:"Known faults: learnt from units that are built faulty on purpose."`
	Lot      lotCommand      `cmd:"" help:"Lots and their reports."`
	Weeks    weeksCommand    `cmd:"" help:"The weekly report over workshops and lots: yields, decisions, findings, rig days, and what needs a look."`
	Finding  findingCommand  `cmd:"" help:"Findings: what the charts found, why, and what was done about it."`
	Backup   backupCommand   `cmd:"" help:"Write everything into one file while the server runs."`
	Restore  restoreCommand  `cmd:"" help:"Read a backup into an empty database."`
	Unit     unitCommand     `cmd:"" help:"Single units."`
	Journal  journalCommand  `cmd:"" help:"The journal: who did what and why, and whether the record is whole."`
	People   peopleCommand   `cmd:"" help:"People: who signs in, and what they may do."`
	Tokens   tokensCommand   `cmd:"" help:"Tokens of stations and programs."`
	Calc     calcCommand     `cmd:"" help:"The statistics alone, without a database."`
	Version  versionCommand  `cmd:"" help:"Print the version."`
}

// database says where the data are; commands that need them embed it.
type database struct {
	Database string `help:"Address of a PostgreSQL database, such as postgres://user@host/name. Default: one of our own in the data folder." env:"ALIKE_DATABASE_URL" placeholder:"URL"`
	Data     string `help:"Data folder of our own database." type:"path" env:"ALIKE_DATA" placeholder:"DIR"`
	Install  bool   `name:"install-postgres" help:"Let alike install PostgreSQL with the system's package manager if there is none (needs root)."`
	Site     string `help:"Code of the workshop. Default: the only one there is, simulated ones apart; main in a new database." env:"ALIKE_SITE"`
	SiteName string `help:"Name of a new workshop, as reports show it." env:"ALIKE_SITE_NAME" placeholder:"NAME"`
	Zone     string `help:"Time zone of a new workshop, such as Europe/Vienna." default:"UTC" env:"ALIKE_ZONE"`
	As       string `help:"Name that the journal keeps for what you do. Default: your account." env:"ALIKE_AS" placeholder:"NAME"`

	anySite bool // of several workshops any will do: the command reads them all
}

// console is what a command talks to.
type console struct {
	ctx            context.Context
	given          given // flags on the command line
	in             io.Reader
	out, err       io.Writer
	progressOnLine bool // the error stream is a terminal: one line may be rewritten
}

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	code := run(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr)
	stop()
	os.Exit(code)
}

// run executes one command line and returns the exit code: 0 for done, 1 for an
// error, 2 for a command line that cannot be understood, 130 when interrupted.
func run(ctx context.Context, args []string, in io.Reader, out, errs io.Writer) int {
	var cli commands
	var exit *int
	parser, err := kong.New(&cli, kong.Name("alike"),
		kong.Description("Line quality for small makers of headphones and other acoustic products: keeps unit 400 sounding like unit 4."),
		kong.Writers(out, errs), kong.UsageOnError(), kong.Exit(func(code int) { exit = &code }),
		kong.Vars{"mewma_arl": fmt.Sprint(multi.DefaultARL)},
		kong.WithHyphenPrefixedParameters(true), // numbers may be negative
		kong.ConfigureHelp(kong.HelpOptions{Compact: true, NoExpandSubcommands: true}))
	if err != nil {
		fmt.Fprintln(errs, "alike:", err)
		return 1
	}
	if len(args) == 0 {
		args = []string{"--help"}
	}
	k, err := parser.Parse(args)
	if exit != nil { // help was asked for
		return *exit
	}
	var flags given
	if err == nil {
		flags = givenFlags(k)
		err = flags.forgotten(args)
	} else {
		err = errors.New(strings.Replace(err.Error(), `"EOL" (<nil>)`, "the end of the line", 1))
	}
	if err != nil {
		fmt.Fprintln(errs, "alike:", err)
		fmt.Fprintln(errs, "alike: hint: alike --help, or --help behind a command, lists what there is")
		return 2
	}
	c := &console{ctx: ctx, given: flags, in: in, out: out, err: errs, progressOnLine: isTerminal(errs)}
	return c.finish(k.Run(c))
}

// finish reports how a command ended and returns its exit code.
func (c *console) finish(err error) int {
	var silent exitCode
	switch {
	case err == nil:
		return 0
	case errors.As(err, &silent):
		return int(silent)
	case errors.Is(err, context.Canceled) && c.ctx.Err() != nil:
		fmt.Fprintln(c.err, "alike: interrupted; what was stored is whole, and the same command does the rest")
		return 130
	}
	fmt.Fprintln(c.err, "alike:", err)
	for _, h := range hints(err) {
		fmt.Fprintln(c.err, "alike: hint:", h)
	}
	return 1
}

// exitCode ends a command that has already said what was wrong.
type exitCode int

func (e exitCode) Error() string { return fmt.Sprintf("exit code %d", int(e)) }

// hints are the remedies behind an error.
func hints(err error) []string {
	var busy *pg.InUseError
	var refusal *line.Refusal
	var file *curve.Refusal
	switch {
	case errors.As(err, &busy) && busy.URL != "":
		return []string{"to work beside it add: --database '" + busy.URL + "'"}
	case errors.As(err, &refusal), errors.As(err, &file):
		return nil // the text carries its remedy
	case errors.Is(err, fs.ErrNotExist):
		return []string{"look at the name, and at the folder that you are in"}
	case errors.Is(err, fs.ErrPermission):
		return []string{"give your account the right to it, or choose another place"}
	}
	return nil
}

type versionCommand struct{}

func (versionCommand) Run(c *console) error {
	_, err := fmt.Fprintln(c.out, "alike", version)
	return err
}
