package uplink

import (
	"context"
	"errors"
	"log/slog"
	"time"

	"gritwatch/internal/edgenode"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
)

// LinesEvery is how often is told what has changed of the serial lines.
const LinesEvery = 10 * time.Second

// lines is what the lines' counters say now.
func (u *Uplink) lines() []points.Line {
	if u.o.Lines == nil {
		return nil
	}
	return u.o.Lines()
}

// tellLines publishes what has changed of the lines since it was told. A birth that comes between reading and
// publishing has newer values, which the message then takes back; so that what was sent, and no more, counts as told.
func (u *Uplink) tellLines(s Session) {
	now, epoch := u.o.Clock.Read()
	lines := u.lines()
	type change struct {
		line int // from 0
		item points.LineItem
	}
	var changed []change
	var ms []sparkplug.Metric
	u.mu.Lock()
	born := u.epoch == epoch // else births come first, with everything
	for i := range min(len(lines), len(u.toldLines)) {
		for item := range points.LineItem(points.LineItems) {
			if lines[i].Values[item] != u.toldLines[i].Values[item] {
				changed = append(changed, change{i, item})
				ms = append(ms, lineMetric(i, item, lines[i], now))
			}
		}
	}
	u.mu.Unlock()
	if !born || len(ms) == 0 {
		return
	}
	if err := s.PublishNode(ms); err != nil {
		if !errors.Is(err, edgenode.ErrOffline) {
			u.o.Log.LogAttrs(context.Background(), slog.LevelWarn, "counters of the lines not published", slog.Any("reason", err))
		}
		return
	}
	u.mu.Lock()
	defer u.mu.Unlock()
	for _, c := range changed {
		if c.line < len(u.toldLines) {
			u.toldLines[c.line].Values[c.item] = lines[c.line].Values[c.item]
		}
	}
}

// bornLines is what a node is born with of its lines.
func bornLines(lines []points.Line, now si.Instant) []sparkplug.Metric {
	ms := make([]sparkplug.Metric, 0, len(lines)*points.LineItems)
	for i, l := range lines {
		for item := range points.LineItem(points.LineItems) {
			ms = append(ms, lineMetric(i, item, l, now))
		}
	}
	return ms
}

func lineMetric(i int, item points.LineItem, l points.Line, now si.Instant) sparkplug.Metric {
	name := item.Metric(i + 1)
	switch item {
	case points.LinePort:
		return sparkplug.Str(name, now, l.Port)
	case points.LineOpen:
		return sparkplug.Bool(name, now, l.Values[item] != 0)
	}
	return sparkplug.Uint(name, now, l.Values[item])
}
