package app

import (
	"sync"
	"time"

	"gritwatch/server/internal/history"
	"gritwatch/server/internal/records"
)

// troublesEvery is how often is looked what keeps the server from doing its whole work.
const troublesEvery = time.Second

// troubles are what keeps the server from storing, in words for the page and for /readyz.
type troubles struct {
	history *history.Store
	records *records.SQLite
	lasting string // what does not end before a start; empty: nothing

	mu   sync.Mutex
	at   time.Time
	list []string
}

// words are the present ones; the caller must not change them.
func (t *troubles) words() []string {
	t.mu.Lock()
	defer t.mu.Unlock()
	if now := time.Now(); now.Sub(t.at) >= troublesEvery {
		t.at, t.list = now, t.look()
	}
	return t.list
}

func (t *troubles) look() []string {
	var out []string
	if t.lasting != "" {
		out = append(out, t.lasting)
	}
	if why := t.history.Stats().Fault; why != "" {
		out = append(out, "readings are shown but not stored ("+why+"); agents keep them until they can be")
	}
	if f, ok := t.records.Fault(); ok {
		out = append(out, "cycles and alarms are followed but not stored: "+f.Words)
	}
	return out
}
