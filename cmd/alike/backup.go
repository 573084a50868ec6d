package main

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"time"

	"alike/internal/backup"
	"alike/internal/pg"
	"alike/internal/store"

	"github.com/jackc/pgx/v5"
)

// place says where the data are, for commands that leave workshops and schema alone.
type place struct {
	Database string `help:"Address of a PostgreSQL database, such as postgres://user@host/name. Default: the one of our own in the data folder." env:"ALIKE_DATABASE_URL" placeholder:"URL"`
	Data     string `help:"Data folder of our own database." type:"path" env:"ALIKE_DATA" placeholder:"DIR"`
	Install  bool   `name:"install-postgres" help:"Let alike install PostgreSQL with the system's package manager if there is none (needs root)."`
}

// with runs do on the database as it is. beside allows to join a program of ours that
// runs on the data folder.
func (p place) with(c *console, beside bool, do func(*store.DB, string) error) (err error) {
	url := p.Database
	if url == "" {
		dir, err := database{Data: p.Data}.folder("alike")
		if err != nil {
			return err
		}
		cluster, err := pg.Start(c.ctx, pg.Options{Dir: dir, MayInstall: p.Install, KeepOnCancel: true, Log: c.note})
		var busy *pg.InUseError
		switch {
		case beside && errors.As(err, &busy) && busy.URL != "":
			url = busy.URL
		case err != nil:
			return err
		default:
			url = cluster.URL()
			defer func() {
				ctx, cancel := context.WithTimeout(context.Background(), time.Minute)
				defer cancel()
				if e := cluster.Stop(ctx); err == nil {
					err = e
				}
			}()
		}
	}
	db, err := store.Connect(c.ctx, url)
	if err != nil {
		return err
	}
	defer db.Close()
	return do(db, url)
}

type backupCommand struct {
	place
	File string `arg:"" help:"File to write; it must not exist." type:"path"`
}

func (backupCommand) Help() string {
	return `Writes everything, all sites and products, as it is at this moment into one file,
while a server goes on working, and reads the file back to check it. It needs no tool
of PostgreSQL and does not depend on the server's version; the file is a tar archive,
compressed by gzip. Keep it on another machine.

Examples:
  alike backup line-2026-W37.alike
  alike backup line.alike --database postgres://user@host/name`
}

func (cmd *backupCommand) Run(c *console) error {
	if _, err := os.Stat(cmd.File); err == nil {
		return fmt.Errorf("%s is there already; give another name, backups are not overwritten", cmd.File)
	}
	return cmd.with(c, true, func(db *store.DB, _ string) error {
		end, err := cmd.write(c, db)
		if err != nil {
			return err
		}
		sum, size, err := cmd.check(c)
		if err != nil {
			return err
		}
		fmt.Fprintf(c.out, "%s: %d rows, %d takes, %d units, %.1f MB, read back and found whole\nsha256 %s\n",
			cmd.File, end.Rows(), end.Tables["takes"].Rows, end.Tables["units"].Rows, float64(size)/1e6, sum)
		return nil
	})
}

// write writes the file under another name first, so that a file with the right name
// is whole.
func (cmd *backupCommand) write(c *console, db *store.DB) (end backup.End, err error) {
	part := cmd.File + ".part"
	f, err := os.OpenFile(part, os.O_CREATE|os.O_TRUNC|os.O_WRONLY, 0o600)
	if err != nil {
		return end, fmt.Errorf("the backup cannot be written: %w", err)
	}
	defer func() {
		f.Close()
		if err != nil {
			os.Remove(part)
		}
	}()
	m := newMeter(c, "tables")
	defer m.end()
	if _, end, err = backup.Write(c.ctx, db, f, version, time.Now(), m.backup); err != nil {
		return end, err
	}
	if err = f.Sync(); err != nil {
		return end, err
	}
	if err = f.Close(); err != nil {
		return end, err
	}
	if err = os.Rename(part, cmd.File); err != nil {
		return end, err
	}
	return end, syncFolder(filepath.Dir(cmd.File))
}

func (cmd *backupCommand) check(c *console) (sum string, size int64, err error) {
	f, err := os.Open(cmd.File)
	if err != nil {
		return "", 0, err
	}
	defer f.Close()
	m := newMeter(c, "tables")
	defer m.end()
	h := sha256.New()
	if _, _, err := backup.Check(c.ctx, io.TeeReader(f, h), m.backup); err != nil {
		return "", 0, err
	}
	info, err := f.Stat()
	if err != nil {
		return "", 0, err
	}
	return fmt.Sprintf("%x", h.Sum(nil)), info.Size(), nil
}

func (m *meter) backup(p backup.Progress) {
	m.show(p.Done, p.Of, fmt.Sprintf(", %s, %d rows", p.What, p.Rows))
}

type restoreCommand struct {
	place
	File  string `arg:"" help:"File that alike backup wrote." type:"path"`
	Check bool   `help:"Read the file and check it, and restore nothing."`
}

func (restoreCommand) Help() string {
	return `Reads a backup into an empty database: a new data folder, or an empty database at an
address. The whole file is checked first; a damaged one changes nothing. What was
written is read back and compared with the file, row by row and with the last entry
of the journal, before it counts.

Examples:
  alike restore line-2026-W37.alike --data /srv/alike-new
  alike restore line.alike --database postgres://user@host/empty
  alike restore line.alike --check`
}

func (cmd *restoreCommand) Run(c *console) error {
	open := func() (io.ReadCloser, error) { return os.Open(cmd.File) }
	f, err := open()
	if err != nil {
		return err
	}
	defer f.Close()
	if cmd.Check {
		m := newMeter(c, "tables")
		head, end, err := backup.Check(c.ctx, f, m.backup)
		m.end()
		if err != nil {
			return err
		}
		tellBackup(c, "the backup is whole", head, end)
		return nil
	}
	return cmd.with(c, false, func(db *store.DB, url string) error {
		m := newMeter(c, "tables")
		r, err := backup.Restore(c.ctx, db, open, m.backup)
		m.end()
		if err != nil {
			return err
		}
		// A backup of an older schema is brought up to date only now that it is proven.
		config, err := pgx.ParseConfig(url)
		if err != nil {
			return err
		}
		if err := store.Migrate(c.ctx, config); err != nil {
			return err
		}
		tellBackup(c, "restored, read back and found the same", r.Head, r.End)
		if n := len(r.Wrong); n > 0 {
			fmt.Fprintf(c.err, "Warning: %d curves do not have the content hash that stands beside them, as they were in the backup; the first is take %s.\n", n, r.Wrong[0])
			return exitCode(1)
		}
		return nil
	})
}

func tellBackup(c *console, what string, head backup.Head, end backup.End) {
	fmt.Fprintf(c.out, "%s: made %s by alike %s, schema %d, %d rows, %d takes, %d units\n", what, head.Made.Format("2006-01-02 15:04:05 MST"),
		head.Program, head.Schema, end.Rows(), end.Tables["takes"].Rows, end.Tables["units"].Rows)
	for _, j := range end.Journal {
		fmt.Fprintf(c.out, "journal of site %s: %d entries, the last is %d\n", j.Site, j.Entries, j.Last)
	}
}

// syncFolder makes a new name durable where the system has such a thing.
func syncFolder(dir string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	defer d.Close()
	return d.Sync()
}
