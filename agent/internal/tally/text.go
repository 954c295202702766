package tally

import (
	"fmt"
	"strings"
)

// Summary is the counters in words, what is zero left out; empty where nothing went wrong.
func (c Counts) Summary() string {
	var parts []string
	for k, n := range c.Failed {
		if n > 0 {
			parts = append(parts, fmt.Sprintf("%s: %d", Kind(k), n))
		}
	}
	for _, e := range c.Exceptions {
		parts = append(parts, fmt.Sprintf("exception %d: %d", uint8(e.Code), e.Times))
	}
	if c.Echoes > 0 {
		parts = append(parts, fmt.Sprintf("own requests echoed: %d", c.Echoes))
	}
	return strings.Join(parts, ", ")
}

// Trouble is what went wrong on the line, in words; empty where nothing did.
func (s Snapshot) Trouble() string {
	var parts []string
	requests := s.Total
	requests.Failed[PortLost] = 0 // said below
	if text := requests.Summary(); text != "" {
		parts = append(parts, text)
	}
	if s.StrayBytes > 0 {
		parts = append(parts, fmt.Sprintf("stray bytes: %d", s.StrayBytes))
	}
	if s.Skipped > 0 {
		parts = append(parts, fmt.Sprintf("periods left out: %d", s.Skipped))
	}
	if s.Lost > 0 {
		parts = append(parts, fmt.Sprintf("port lost: %d", s.Lost))
	}
	return strings.Join(parts, ", ")
}
