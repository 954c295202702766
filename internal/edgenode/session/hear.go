package session

import (
	"errors"
	"fmt"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
)

// A Heard says what a message from outside asks for.
type Heard struct {
	Rebirth bool               // births again, on this connection
	Begin   bool               // the primary host is there: births may go out now
	Leave   bool               // the primary host is gone: say Death, disconnect, and connect anew
	Command *sparkplug.Message // what else a command wants, by names; nil: nothing
}

// Hear takes a message that came on one of the subscriptions. Errors are of messages to be left alone: unreadable ones, and
// commands that the broker had kept.
func (m *Machine) Hear(topic string, payload []byte, retained bool, at time.Time) (Heard, error) {
	t, err := sparkplug.ParseTopic(topic)
	if err != nil {
		return Heard{}, err
	}
	switch {
	case m.state == closed:
		return Heard{}, ErrOffline
	case t.Kind == sparkplug.HostState:
		return m.hearHost(t.Host, payload, at)
	case t.Kind == sparkplug.NodeCommand && t.Group == m.o.Group && t.Node == m.o.Node:
		if retained {
			return Heard{}, errors.New("a retained command is not obeyed: it may be old")
		}
		return m.hearCommand(payload, at)
	}
	return Heard{}, fmt.Errorf("%s is none of this node's topics", topic)
}

// hearCommand reads a command. One that names unknown metrics is no mistake: they are left to whoever may know them.
func (m *Machine) hearCommand(payload []byte, at time.Time) (Heard, error) {
	msg, err := sparkplug.Decode(payload)
	if err != nil {
		return Heard{}, err
	}
	m.watch.heard(at)
	var h Heard
	rest := msg.Metrics[:0:0]
	for i := range msg.Metrics {
		x := msg.Metrics[i : i+1]
		if m.commands.Resolve(x) != nil {
			continue // an alias of births long gone; the host will see the newer ones
		}
		if x[0].Name != points.MetricRebirth {
			rest = append(rest, x[0])
		} else if v, ok := x[0].Value.Bool(); v && ok && !x[0].Null {
			h.Rebirth = true
		}
	}
	if len(rest) > 0 {
		msg.Metrics = rest
		h.Command = &msg
	}
	return h, nil
}

// A hostView is what is believed of a host, by its STATE. It outlives connections: a host's later word counts, on whatever
// connection the former came.
type hostView struct {
	any    bool
	online bool
	last   si.Instant // of the last STATE believed
	birth  si.Instant // of the last one online
}

// hear takes a STATE and tells whether it counts. A word online counts when it is no older than the last one believed; one
// offline when it is no older than the last one online: an older one is the late will of a connection that was replaced.
func (v *hostView) hear(s sparkplug.State) bool {
	if v.any && (s.Online && s.At < v.last || !s.Online && s.At < v.birth) {
		return false
	}
	v.any, v.online, v.last = true, s.Online, max(v.last, s.At)
	if s.Online {
		v.birth = s.At
	}
	return true
}

func (m *Machine) hearHost(id string, payload []byte, at time.Time) (Heard, error) {
	v := m.hosts[id]
	if v == nil {
		return Heard{}, fmt.Errorf("STATE of host %q, which is not the one waited for", id)
	}
	s, err := sparkplug.DecodeState(payload)
	if err != nil {
		return Heard{}, err
	}
	was := v.online
	if !v.hear(s) {
		return Heard{}, nil
	}
	if id == m.o.Asker && v.online && !was {
		m.watch.begin(at)
	}
	var h Heard
	if id == m.o.Primary {
		h.Begin = v.online && m.state == connected
		h.Leave = !v.online && m.state == born
	}
	return h, nil
}

// Times of the watch over questions.
const (
	silence     = 30 * time.Second // without a command from a host that is online
	remedyApart = time.Minute      // at least, between two remedies
	longest     = 16 * time.Minute // between two remedies where none has helped
)

// A Remedy is what to do where a host that is online asks nothing.
type Remedy uint8

// The remedies, in their order.
const (
	None      Remedy = iota
	Subscribe        // again, to the commands
	Reconnect        // say Death, disconnect, and connect anew
)

// A watch tells when commands have stayed away for too long. The zero value watches from begin on.
type watch struct {
	since time.Time // of the last command, of the connection's births, or of the host's coming
	last  time.Time // remedy; zero: none since a command came
	next  Remedy
	apart time.Duration
}

func (w *watch) begin(at time.Time) { w.since = at }

func (w *watch) heard(at time.Time) { *w = watch{since: at} }

func (w *watch) due(now time.Time) (r Remedy, first bool) {
	if now.Sub(w.since) < silence {
		return None, false
	}
	first = w.last.IsZero()
	if first {
		w.next, w.apart = Subscribe, remedyApart
	} else if now.Sub(w.last) < w.apart {
		return None, false
	}
	r, w.last = w.next, now
	if w.next = Reconnect; r == Reconnect {
		// Whoever never asks this node will not be made to by more of it.
		w.next, w.apart = Subscribe, min(2*w.apart, longest)
	}
	return r, first
}

// Due is what is to be done by now about questions that stay away. First is true for the first remedy since a command
// came: the time to tell people.
func (m *Machine) Due(now time.Time) (r Remedy, first bool) {
	if m.state != born || m.o.Asker == "" || !m.hosts[m.o.Asker].online {
		return None, false
	}
	return m.watch.due(now)
}
