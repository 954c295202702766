package app

import (
	"fmt"
	"time"

	"gritwatch/agent/internal/config"
	"gritwatch/protocol/points"
)

// What the journal's frames take, in bytes: measured with gauges of 0.1 % noise, and held to that in a test.
const (
	frameBytes  = 26 // with the pot's name besides
	firstBytes  = 2  // more for a point's first reading in a frame
	recordBytes = 5.1
	markBytes   = 60 // of one sync
)

const day = 24 * time.Hour

// Room says for people what the journal of a day takes at rest, and how far back it reaches.
func Room(c config.Config) string {
	perDay := bytesADay(c)
	days := float64(c.Journal.Size) / perDay
	text := fmt.Sprintf("journal %s: a day takes about %s; %s hold %s days", c.Journal.Path, size(perDay), size(float64(c.Journal.Size)), figure(days))
	if kept := c.Journal.Age; time.Duration(days*float64(day)) > kept {
		text += fmt.Sprintf(", of which %s are kept (age), in %s", span(kept), size(perDay*kept.Hours()/24))
	}
	return text + fmt.Sprintf("; a cut of the power loses %s at most\n", span(c.Journal.Sync))
}

func bytesADay(c config.Config) float64 {
	sum := markBytes * float64(day) / float64(c.Journal.Sync)
	for _, p := range c.Pots {
		var read [points.Count]float64 // readings of a flush
		total, seen, frames := 0.0, 0.0, 0.0
		for _, b := range c.Buses {
			each := float64(c.Flush) / float64(b.Period)
			for _, u := range b.Units {
				for _, r := range u.Read {
					if r.Pot == p.Name {
						read[r.Point] += each
					}
				}
			}
			for _, t := range b.Text {
				for _, r := range t.Read {
					if r.Pot == p.Name {
						read[r.Point] += each
					}
				}
			}
		}
		for _, n := range read {
			total += n
			seen += min(n, 1)
			frames = max(frames, min(n, 1))
		}
		bytes := frames*float64(frameBytes+len(p.Name)) + firstBytes*seen + recordBytes*total
		sum += bytes * float64(day) / float64(c.Flush)
	}
	return sum
}

func size(bytes float64) string {
	if bytes >= 1e9 {
		return figure(bytes/1e9) + " GB"
	}
	return figure(bytes/1e6) + " MB"
}

func span(d time.Duration) string {
	switch {
	case d >= 2*day:
		return figure(d.Hours()/24) + " days"
	case d >= 2*time.Hour:
		return figure(d.Hours()) + " h"
	case d >= 2*time.Minute:
		return figure(d.Minutes()) + " min"
	}
	return figure(d.Seconds()) + " s"
}

// figure has three figures at least.
func figure(v float64) string {
	if v >= 100 {
		return fmt.Sprintf("%.0f", v)
	}
	return fmt.Sprintf("%.3g", v)
}
