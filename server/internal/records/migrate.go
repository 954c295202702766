package records

import (
	"context"
	"database/sql"
	"embed"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"

	"github.com/pressly/goose/v3"
)

//go:embed migrations/*.sql
var embedded embed.FS

// migrations are the steps from nothing to the tables that this program knows.
func migrations() fs.FS {
	sub, err := fs.Sub(embedded, "migrations")
	if err != nil {
		panic("records: " + err.Error())
	}
	return sub
}

// ErrNewer says that a newer program has written the records.
var ErrNewer = errors.New("written by a newer program")

func provider(db *sql.DB, steps fs.FS) (*goose.Provider, error) {
	return goose.NewProvider(goose.DialectSQLite3, db, steps, goose.WithDisableGlobalRegistry(true), goose.WithLogger(goose.NopLogger()))
}

// migrate brings a file to the newest version; each step is one transaction.
func migrate(ctx context.Context, db *sql.DB, steps fs.FS, log *slog.Logger) error {
	// Nothing is written where nothing is new, so that a full disk does not keep a server from its records.
	if _, marked, err := marks(ctx, db); err != nil {
		return err
	} else if !marked {
		if _, err := db.ExecContext(ctx, fmt.Sprintf("PRAGMA application_id = %d", mark)); err != nil {
			return err
		}
	}
	p, err := provider(db, steps)
	if err != nil {
		return err
	}
	have, want, err := p.GetVersions(ctx)
	if err != nil {
		return fmt.Errorf("the version cannot be read: %w", err)
	}
	if have > want {
		return fmt.Errorf("%w: they have version %d, and this one knows %d; use that one, or restore a backup of before", ErrNewer, have, want)
	}
	done, err := p.Up(ctx)
	if err != nil {
		return fmt.Errorf("version %d could not be brought to %d; what was there is as it was: %w", have, want, err)
	}
	if have > 0 {
		for _, r := range done {
			log.LogAttrs(ctx, slog.LevelInfo, "records are brought to a newer version", slog.Int64("version", r.Source.Version))
		}
	}
	return nil
}

// mark stands in a file's head and says that it holds records of this kind: "grit".
const mark = 0x67726974

// marks tells the mark of a file, and whether it is that of records.
func marks(ctx context.Context, db *sql.DB) (got uint32, ours bool, err error) {
	err = db.QueryRowContext(ctx, "PRAGMA application_id").Scan(&got)
	return got, got == mark, err
}

// versionOf is the version of the records in a file.
func versionOf(ctx context.Context, db *sql.DB) (have, known int64, err error) {
	p, err := provider(db, migrations())
	if err != nil {
		return 0, 0, err
	}
	sources := p.ListSources()
	err = db.QueryRowContext(ctx, "SELECT MAX(version_id) FROM "+goose.DefaultTablename).Scan(&have)
	return have, sources[len(sources)-1].Version, err
}
