package alarm

import "gritwatch/protocol/si"

// An AgentDetector finds the conditions of one agent's alarms. Not safe for concurrent use.
type AgentDetector struct {
	key    Key
	at     si.Instant
	safe   bool // while the agent was heard
	silent timer
	skew   timer
}

// NewAgentDetector is a detector that has seen nothing.
func NewAgentDetector(agent string) *AgentDetector { return &AgentDetector{key: Key{Agent: agent}} }

// Assume tells of an alarm of the agent whose condition stood before the start, see Board.Standing.
func (d *AgentDetector) Assume(k Key) {
	switch k.Kind {
	case AgentSilent:
		d.silent.on = true
	case ClockSkew:
		d.skew.on = true
	}
}

// Step takes the signals and appends what they change to dst; to be called at least once a second. The clock's limits are
// beyond what the echo's round trip leaves open.
func (d *AgentDetector) Step(s *AgentSignals, dst []Found) []Found {
	since := step(d.at, s.At)
	d.at = s.At
	heard := s.Heard && !s.Dead && s.Silent < agentHeard
	if heard {
		d.safe = s.Safe
	}
	gone := s.Silent >= agentSilent
	if r := &rules[AgentSilent]; d.silent.step(judge(gone, heard), since, r.OnAfter, r.OffAfter) {
		f := d.found(s.At, AgentSilent, d.silent.on)
		if f.On {
			f.Evidence = Evidence{SilentS: round(s.Silent.Seconds(), 1), LimitS: agentSilent.Seconds(), Safe: d.safe}
			if d.safe {
				f.Priority = High
			}
		}
		dst = append(dst, f)
	}
	v := unknown
	if s.ClockKnown && heard {
		off, wide := s.Ahead.Abs(), max(0, s.Round/2)
		v = judge(off-wide > skewOn, off+wide < skewOff)
	}
	if r := &rules[ClockSkew]; d.skew.step(v, since, r.OnAfter, r.OffAfter) {
		f := d.found(s.At, ClockSkew, d.skew.on)
		if f.On {
			f.Evidence = Evidence{AheadS: round(s.Ahead.Seconds(), 1e3), LimitS: skewOn.Seconds()}
		}
		dst = append(dst, f)
	}
	return dst
}

func (d *AgentDetector) found(at si.Instant, k Kind, on bool) Found {
	f := Found{Key: d.key, Priority: rules[k].Priority, At: at, On: on}
	f.Kind = k
	return f
}
