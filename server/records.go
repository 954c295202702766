package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"time"

	"gritwatch/internal/program"
	"gritwatch/server/internal/config"
	"gritwatch/server/internal/records"
)

type backupFlags struct {
	Config string `required:"" placeholder:"FILE" help:"The site's file, whose data names the server's directory."`
	To     string `required:"" placeholder:"FILE" help:"The new file. It appears when it is whole, checked and safe on the disk."`
}

type restoreFlags struct {
	Config string `required:"" placeholder:"FILE" help:"The site's file, whose data names the server's directory."`
	From   string `required:"" placeholder:"FILE" help:"A file that backup wrote."`
}

// backUp writes the records to a new file.
func backUp(ctx context.Context, f backupFlags, out io.Writer) error {
	c, err := program.ReadFile("the site's file", f.Config, config.Read)
	if err != nil {
		return err
	}
	s, err := records.BackupFolder(ctx, records.Folder(c.Data), f.To)
	if errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("--to %w: %w", program.ErrUsage, err)
	} else if err != nil {
		return err
	}
	_, err = fmt.Fprintf(out, "%s holds the records, checked: %s\n", f.To, inside(s))
	return err
}

// restore puts a backup in the place of the records.
func restore(ctx context.Context, f restoreFlags, out io.Writer) error {
	c, err := program.ReadFile("the site's file", f.Config, config.Read)
	if err != nil {
		return err
	}
	kept, s, err := records.Restore(ctx, records.Folder(c.Data), f.From, time.Now())
	if err != nil {
		return err
	}
	was := "there were none before"
	if kept != "" {
		was = "those of before are kept in " + kept
	}
	_, err = fmt.Fprintf(out, "the records are those of %s: %s; %s\n", f.From, inside(s), was)
	return err
}

// inside says what is in a file of records.
func inside(s records.Summary) string {
	newest := "none"
	if s.Newest != 0 {
		newest = s.Newest.String()
	}
	return fmt.Sprintf("%d bytes, version %d, cycles %d, alarms %d, newest of these %s", s.Bytes, s.Version, s.Cycles, s.Alarms, newest)
}
