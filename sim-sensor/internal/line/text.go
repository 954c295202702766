package line

import (
	"bytes"
	"fmt"
	"time"

	"gritwatch/protocol/modbus"
	"gritwatch/sim-sensor/internal/fault"
)

// A Text is a gauge that answers a query with a line of text, or sends one by itself.
type Text struct {
	Query string        // empty: it sends by itself
	Every time.Duration // without a query: how often
	Reply *Template
	Cell  *Cell
}

const (
	patience = 50 * time.Millisecond // how long a gauge waits for the rest of a query; common practice, no source
	maxQuery = 64                    // bytes
)

// texts are all gauges of text on one line. Station n is gauge n-1.
type texts struct {
	gauges  []Text
	damaged func(bytes int) // nil: nobody wants to know
}

// checkTexts wants queries that cannot be mistaken for each other, and a gauge that sends by itself alone.
func checkTexts(gauges []Text) error {
	for i, g := range gauges {
		switch {
		case g.Query == "" && len(gauges) > 1:
			return fmt.Errorf("a gauge that sends by itself shares the line: it must be alone on it")
		case g.Query == "" && g.Every <= 0:
			return fmt.Errorf("a gauge has neither a query nor a time after which it sends by itself")
		case len(g.Query) > maxQuery:
			return fmt.Errorf("a query has %d bytes; %d are the most", len(g.Query), maxQuery)
		}
		for j, other := range gauges {
			if i != j && bytes.HasSuffix([]byte(g.Query), []byte(other.Query)) {
				return fmt.Errorf("the query %q ends like %q of another gauge: both would answer", g.Query, other.Query)
			}
		}
	}
	return nil
}

// take finds a query at the end of what has been heard: what came before it is noise.
func (s *texts) take(heard []byte, over bool) (station uint8, done bool) {
	for i := range s.gauges {
		g := &s.gauges[i]
		if g.Query == "" || !bytes.HasSuffix(heard, []byte(g.Query)) {
			continue
		}
		if g.Cell.silent.Load() {
			return 0, true
		}
		return uint8(i + 1), true
	}
	if over || len(heard) >= modbus.MaxFrame {
		if s.damaged != nil {
			s.damaged(len(heard))
		}
		return 0, true
	}
	return 0, false
}

func (s *texts) reply(dst []byte, station uint8, _ []byte, _ modbus.Code) (reply []byte, ok bool) {
	g := &s.gauges[station-1]
	if g.Cell.silent.Load() {
		return dst, false
	}
	return g.Reply.Append(dst, g.Cell.float()), true
}

func (s *texts) timing() (gap, wait time.Duration) { return 0, patience }

func (s *texts) style(station uint8) fault.Style {
	if s.gauges[station-1].Reply.Checked() {
		return fault.Checked
	}
	return fault.Plain
}

// own is how often a gauge here sends by itself; 0: none does.
func (s *texts) own() time.Duration {
	if len(s.gauges) == 1 && s.gauges[0].Query == "" {
		return s.gauges[0].Every
	}
	return 0
}
