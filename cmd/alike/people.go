package main

import (
	"fmt"
	"strings"
	"text/tabwriter"
	"time"

	"alike/internal/line"
)

type peopleCommand struct {
	List  peopleList  `cmd:"" help:"List who may sign in, and who might once."`
	Add   peopleAdd   `cmd:"" help:"Register somebody, and print the link by which they set their password."`
	Link  peopleLink  `cmd:"" help:"Print a link for a new password, when one was forgotten or is locked."`
	Role  peopleRole  `cmd:"" help:"Give somebody another role."`
	Close peopleClose `cmd:"" help:"Close an account: its sessions end, its name stays in the record."`
	Open  peopleOpen  `cmd:"" help:"Open a closed account again."`
}

// dayOrNot writes a time of the past, or a dash.
func dayOrNot(t *time.Time) string {
	if t == nil {
		return "-"
	}
	return t.UTC().Format("2006-01-02 15:04 UTC")
}

type peopleList struct{ database }

func (cmd *peopleList) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		rows, err := w.line.People(c.ctx)
		if err != nil {
			return err
		}
		if len(rows) == 0 {
			fmt.Fprintln(c.out, "nobody is registered: a server on this machine asks nobody who they are")
			return nil
		}
		t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', 0)
		fmt.Fprintln(t, "name\trole\tadded\tby\tpassword set\tclosed")
		for _, p := range rows {
			fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\n", p.Person, p.Role, dayOrNot(&p.AddedAt), p.AddedBy, dayOrNot(p.SecretAt), dayOrNot(p.ClosedAt))
		}
		return t.Flush()
	})
}

// served says where links lead.
type served struct {
	Server string `help:"Address of the server as people type it." default:"http://127.0.0.1:8060" env:"ALIKE_SERVER" placeholder:"URL"`
}

// invite prints a one-time link.
func (o served) invite(c *console, w *workplace, name string) error {
	link, ends, err := w.line.Invite(c.ctx, w.by, name)
	if err != nil {
		return err
	}
	fmt.Fprintf(c.out, "%s sets a password here, once, until %s:\n  %s/welcome/%s\n", name, dayOrNot(&ends), strings.TrimRight(o.Server, "/"), link)
	return nil
}

type peopleAdd struct {
	database
	served
	Name string `arg:"" help:"Name, as the journal and signatures carry it."`
	Role string `required:"" help:"administrator, quality, maker or licensor."`
}

func (cmd *peopleAdd) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		if err := w.line.AddPerson(c.ctx, w.by, cmd.Name, cmd.Role); err != nil {
			return err
		}
		return cmd.invite(c, w, cmd.Name)
	})
}

type peopleLink struct {
	database
	served
	Name string `arg:"" help:"Whose."`
}

func (cmd *peopleLink) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error { return cmd.invite(c, w, cmd.Name) })
}

type peopleRole struct {
	database
	Name   string `arg:"" help:"Whose."`
	Role   string `arg:"" help:"administrator, quality, maker or licensor."`
	Reason string `help:"Why, for the journal."`
}

func (cmd *peopleRole) Run(c *console) error {
	return changePerson(c, cmd.database, cmd.Name, line.PersonChange{Role: cmd.Role, Reason: cmd.Reason}, "has the role "+cmd.Role+" now; open sessions have ended")
}

type peopleClose struct {
	database
	Name   string `arg:"" help:"Whose."`
	Reason string `help:"Why, for the journal."`
}

func (cmd *peopleClose) Run(c *console) error {
	yes := true
	return changePerson(c, cmd.database, cmd.Name, line.PersonChange{Closed: &yes, Reason: cmd.Reason}, "cannot sign in any more; open sessions have ended")
}

type peopleOpen struct {
	database
	Name   string `arg:"" help:"Whose."`
	Reason string `help:"Why, for the journal."`
}

func (cmd *peopleOpen) Run(c *console) error {
	no := false
	return changePerson(c, cmd.database, cmd.Name, line.PersonChange{Closed: &no, Reason: cmd.Reason}, "may sign in again")
}

func changePerson(c *console, d database, name string, change line.PersonChange, done string) error {
	return d.with(c, func(w *workplace) error {
		if err := w.line.ChangePerson(c.ctx, w.by, name, change); err != nil {
			return err
		}
		fmt.Fprintln(c.out, name, done)
		return nil
	})
}

type tokensCommand struct {
	List   tokensList   `cmd:"" help:"List the tokens, and when each was used last."`
	Add    tokensAdd    `cmd:"" help:"Make a token and print it, this once."`
	Revoke tokensRevoke `cmd:"" help:"Revoke a token for good."`
}

type tokensList struct{ database }

func (cmd *tokensList) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		rows, err := w.line.Tokens(c.ctx)
		if err != nil {
			return err
		}
		t := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', 0)
		fmt.Fprintln(t, "name\trole\tmade\tby\tlast used\tfrom\trevoked")
		for _, k := range rows {
			from := k.UsedFrom
			if from == "" {
				from = "-"
			}
			fmt.Fprintf(t, "%s\t%s\t%s\t%s\t%s\t%s\t%s\n", k.Token, k.Role, dayOrNot(&k.AddedAt), k.AddedBy, dayOrNot(k.UsedAt), from, dayOrNot(k.RevokedAt))
		}
		return t.Flush()
	})
}

type tokensAdd struct {
	database
	Name string `arg:"" help:"Name of the station or program."`
	Role string `help:"station: sends takes; reader: a program that reads." default:"station"`
}

func (cmd *tokensAdd) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		secret, err := w.line.AddToken(c.ctx, w.by, cmd.Name, cmd.Role)
		if err != nil {
			return err
		}
		c.note("this is shown once; put it into a file that only the station reads, and give that: alike station --token-file FILE")
		fmt.Fprintln(c.out, secret)
		return nil
	})
}

type tokensRevoke struct {
	database
	Name   string `arg:"" help:"Name of the token."`
	Reason string `help:"Why, for the journal."`
}

func (cmd *tokensRevoke) Run(c *console) error {
	return cmd.with(c, func(w *workplace) error {
		if err := w.line.RevokeToken(c.ctx, w.by, cmd.Name, cmd.Reason); err != nil {
			return err
		}
		fmt.Fprintf(c.out, "the token %s is revoked; what carries it is refused from now on\n", cmd.Name)
		return nil
	})
}
