package program_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"strings"
	"testing"

	"gritwatch/internal/program"
	"gritwatch/internal/yamlfile"
)

type flags struct {
	program.Flags

	Run struct{} `cmd:"" help:"Run."`
}

func TestRun(t *testing.T) {
	for name, c := range map[string]struct {
		args   []string
		err    error
		code   int
		stdout string
		stderr string // each line of it in order
	}{
		"good":              {[]string{"run"}, nil, 0, "did run", ""},
		"help":              {[]string{"--help"}, nil, 0, "Usage: gritwatch-x", ""},
		"version":           {[]string{"--version"}, nil, 0, "v7", ""},
		"no command":        {nil, nil, 2, "", "gritwatch-x: "},
		"unknown flag":      {[]string{"run", "--loud"}, nil, 2, "", "--help lists commands and flags"},
		"unknown log level": {[]string{"run", "--log-level", "all"}, nil, 2, "", "--log-level"},
		"failure":           {[]string{"run"}, errors.New("line cut"), 1, "did run", "gritwatch-x: line cut\n"},
		"the user's":        {[]string{"run"}, fmt.Errorf("that file %w", program.ErrUsage), 2, "did run", "gritwatch-x: that file cannot be used\n"},
		"a line of a file": {[]string{"run"}, &yamlfile.Error{Problems: []yamlfile.Problem{{File: "x.yaml", Line: 3, Field: "rated", Text: "is odd"}}},
			2, "did run", "x.yaml:3: rated"},
	} {
		t.Run(name, func(t *testing.T) {
			var stdout, stderr bytes.Buffer
			code := program.Program{Name: "gritwatch-x", About: "Does nothing.", Version: "v7", Flags: new(flags),
				Do: func(_ context.Context, command string, out io.Writer, _ *slog.Logger) error {
					fmt.Fprintln(out, "did", command)
					return c.err
				}}.Run(t.Context(), c.args, &stdout, &stderr)
			if code != c.code || !strings.Contains(stdout.String(), c.stdout) || !strings.Contains(stderr.String(), c.stderr) {
				t.Errorf("code %d, printed %q and %q; want %d, %q, %q", code, stdout.String(), stderr.String(), c.code, c.stdout, c.stderr)
			}
		})
	}
}

func TestStopIsTold(t *testing.T) {
	ctx, cancel := context.WithCancelCause(t.Context())
	var stderr bytes.Buffer
	code := program.Program{Name: "gritwatch-x", Flags: new(flags), Do: func(context.Context, string, io.Writer, *slog.Logger) error {
		cancel(errors.New("asked to"))
		return nil
	}}.Run(ctx, []string{"run"}, io.Discard, &stderr)
	if code != 0 || !strings.Contains(stderr.String(), "asked to") {
		t.Errorf("code %d, printed %q", code, stderr.String())
	}
}

func TestReadFile(t *testing.T) {
	missing := func(string) (int, error) { return 0, os.ErrNotExist }
	if _, err := program.ReadFile("the file", "x", missing); !errors.Is(err, program.ErrUsage) || !errors.Is(err, os.ErrNotExist) {
		t.Errorf("%v is not the user's", err)
	}
	bad := &yamlfile.Error{}
	if _, err := program.ReadFile("the file", "x", func(string) (int, error) { return 0, bad }); err != error(bad) {
		t.Errorf("%v in place of the file's own error", err)
	}
}
