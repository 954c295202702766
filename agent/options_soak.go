//go:build soak

package main

import (
	"fmt"
	"log/slog"
	"math"
	"os"
	"strings"
	"time"

	"gritwatch/agent/internal/app"
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
)

// What the soak test asks of an agent that it has built for itself, by files that these variables name: how far the wall
// clock is off, as a length of time, which may change at any moment; and where each reading is written as it comes, with
// the machine's true time (us) before it.
const (
	clockFile = "GRITWATCH_SOAK_CLOCK"
	readFile  = "GRITWATCH_SOAK_READ"
)

func options(log *slog.Logger) app.Options {
	read, err := os.OpenFile(os.Getenv(readFile), os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o644)
	if err != nil {
		panic(fmt.Sprintf("%s: %v", readFile, err)) // a program for one test alone
	}
	o := app.Options{Log: log}
	o.Time.Wall = func() time.Time {
		text, err := os.ReadFile(os.Getenv(clockFile))
		if err != nil {
			panic(fmt.Sprintf("%s: %v", clockFile, err))
		}
		off, err := time.ParseDuration(strings.TrimSpace(string(text)))
		if err != nil {
			panic(fmt.Sprintf("%s: %v", clockFile, err))
		}
		return time.Now().Round(0).Add(off)
	}
	o.Tap = func(pot string, s points.Sample, _ vent.Word) {
		line := fmt.Appendf(nil, "%d %s %s %d %s %d\n", time.Now().UnixMicro(), pot, s.Point, int64(s.At), s.Quality, math.Float32bits(float32(s.Value)))
		if _, err := read.Write(line); err != nil {
			panic(fmt.Sprintf("%s: %v", readFile, err))
		}
	}
	return o
}
