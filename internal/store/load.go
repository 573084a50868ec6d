package store

import (
	"context"
	"fmt"
	"io"

	"github.com/jackc/pgx/v5"
)

// ErrNotEmpty means that a database holds rows already.
var ErrNotEmpty = fmt.Errorf("the database is not empty")

// CheckEmpty returns ErrNotEmpty, with the table, unless the database holds no rows,
// and the schema it has, 0 for none.
func (db *DB) CheckEmpty(ctx context.Context) (schema int64, err error) {
	err = db.Dump(ctx, func(d *Dump) error {
		tables, err := d.Tables(ctx)
		if err != nil {
			return err
		}
		for _, t := range tables {
			var rows bool
			if err := d.tx.QueryRow(ctx, "SELECT EXISTS (SELECT FROM "+pgx.Identifier{t.Name}.Sanitize()+")").Scan(&rows); err != nil {
				return err
			}
			if rows {
				return fmt.Errorf("%w: table %s has rows", ErrNotEmpty, t.Name)
			}
		}
		schema, err = d.Schema(ctx)
		return err
	})
	return schema, err
}

// A Load puts the rows of a dump into an empty database and can read them back. It is
// one transaction.
type Load struct{ Dump }

// Load runs do in one transaction in which the tables' own triggers are off: they
// would treat a row put back as a new one. It is committed when do returns nil, else
// nothing of it remains.
func (db *DB) Load(ctx context.Context, do func(*Load) error) error {
	return translate(pgx.BeginFunc(ctx, db.pool, func(tx pgx.Tx) error {
		if err := plainText(ctx, tx); err != nil {
			return err
		}
		l := &Load{Dump{tx}}
		tables, err := l.Tables(ctx)
		if err != nil {
			return err
		}
		if err := l.triggers(ctx, tables, "DISABLE"); err != nil {
			return err
		}
		if err := do(l); err != nil {
			return err
		}
		if _, err := tx.Exec(ctx, "SET CONSTRAINTS ALL IMMEDIATE"); err != nil {
			return err
		}
		return l.triggers(ctx, tables, "ENABLE")
	}))
}

func (l *Load) triggers(ctx context.Context, tables []Table, what string) error {
	for _, t := range tables {
		if _, err := l.tx.Exec(ctx, fmt.Sprintf("ALTER TABLE %s %s TRIGGER USER", pgx.Identifier{t.Name}.Sanitize(), what)); err != nil {
			return err
		}
	}
	return nil
}

// Fill reads the rows of a table from r, in the form in which Copy writes them.
func (l *Load) Fill(ctx context.Context, t Table, r io.Reader) error {
	_, err := l.tx.Conn().PgConn().CopyFrom(ctx, r, fmt.Sprintf("COPY %s (%s) FROM STDIN", pgx.Identifier{t.Name}.Sanitize(), columnList(t)))
	return translate(err)
}

// SetSequence sets a counter that is not part of a table.
func (l *Load) SetSequence(ctx context.Context, name string, value int64) error {
	_, err := l.tx.Exec(ctx, "SELECT setval($1::text::regclass, $2)", pgx.Identifier{name}.Sanitize(), value)
	return translate(err)
}
