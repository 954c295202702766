package ingest

import (
	"context"
	"crypto/rand"
	"encoding/binary"
	"log/slog"
	"time"
)

// A note is a line for people, with names and values in turn.
type note func(warn bool, text string, attrs ...string)

// noteTo writes notes to a log.
func noteTo(log *slog.Logger) note {
	return func(warn bool, text string, attrs ...string) {
		level := slog.LevelInfo
		if warn {
			level = slog.LevelWarn
		}
		out := make([]slog.Attr, 0, len(attrs)/2)
		for i := 0; i+1 < len(attrs); i += 2 {
			out = append(out, slog.String(attrs[i], attrs[i+1]))
		}
		log.LogAttrs(context.Background(), level, text, out...)
	}
}

// randomNonce is a question that nobody can have answered before.
func randomNonce() uint64 {
	var b [8]byte
	rand.Read(b[:]) // never fails: the program would end first
	return binary.LittleEndian.Uint64(b[:])
}

// quiet says each kind of trouble at most once in a while, and holds a bounded number of kinds.
type quiet struct {
	note note
	last map[string]time.Time
}

const (
	quietFor = 30 * time.Second
	quietMax = 100
)

func (q *quiet) say(now time.Time, key, text string, attrs ...string) {
	if at, ok := q.last[key]; ok && now.Sub(at) < quietFor {
		return
	}
	if len(q.last) >= quietMax {
		for k, at := range q.last {
			if now.Sub(at) >= quietFor {
				delete(q.last, k)
			}
		}
		if len(q.last) >= quietMax {
			return
		}
	}
	if q.last == nil {
		q.last = map[string]time.Time{}
	}
	q.last[key] = now
	q.note(true, text, attrs...)
}
