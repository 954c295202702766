// Tsgen writes the page's types from protocol/live, as package messages describes it, and its table of answer codes from
// internal/vent, and the words of alarms from internal/alarmtext.
package main

import (
	"flag"
	"fmt"
	"io"
	"os"
)

func main() {
	if err := run(os.Args[1:], os.Stderr); err != nil {
		fmt.Fprintln(os.Stderr, "tsgen:", err)
		os.Exit(1)
	}
}

func run(args []string, stderr io.Writer) error {
	flags := flag.NewFlagSet("tsgen", flag.ContinueOnError)
	flags.SetOutput(stderr)
	out := flags.String("out", "src/lib/protocol/types.gen.ts", "file to write")
	if err := flags.Parse(args); err != nil {
		return err
	}
	src, err := generate()
	if err != nil {
		return err
	}
	return os.WriteFile(*out, src, 0o644)
}
