package ingest

import (
	"slices"
	"strconv"
	"time"

	"gritwatch/protocol/points"
	"gritwatch/protocol/sparkplug"
	"gritwatch/server/internal/feed"
)

// nodeState says how far an agent's messages are believed.
type nodeState uint8

const (
	dead    nodeState = iota // no birth, or dead since
	live                     // born, and no message is missing
	lost                     // messages are missing; its births are awaited
	refused                  // the last birth was of a session that had been replaced
)

// A node is what is known of one agent of the site's file.
type node struct {
	agent   string
	pots    []string
	devices map[string]*device

	state   nodeState
	session string // the one believed
	epoch   uint64
	bdSeq   uint8
	order   sparkplug.Order
	held    held
	aliases sparkplug.Aliases // of the node's own metrics
	heard   time.Time         // last message of the session believed

	retired    []retired  // sessions that were replaced
	refusedIs  string     // the session of the last refused birth
	rival      time.Time  // last message that need not be of that one
	unanswered unanswered // a session whose death is due

	lastRebirth time.Time
	wantRebirth bool
	lastEcho    time.Time
	asked       []question
	controls    controls

	journal string // Journal/Id; empty: none

	lines []points.Line // serial lines, by their number from 1; at most points.MaxLines
}

type device struct {
	pot       *Pot
	aliases   sparkplug.Aliases
	born      bool
	simulated bool
	digest    string
}

type retired struct {
	session string
	heard   time.Time
}

// unanswered is a session that a new one followed without its death.
type unanswered struct {
	bdSeq uint8
	since time.Time // of the new session's birth; zero: none
}

type question struct {
	nonce uint64
	sent  time.Time
}

// facts takes what a device's message says of itself.
func (d *device) facts(msg sparkplug.Message) {
	if m := msg.Find(points.MetricConfig); m != nil {
		d.digest, _ = m.Value.Text()
		if len(d.digest) > maxText {
			d.digest = ""
		}
	}
	if m := msg.Find(points.MetricSimulated); m != nil {
		v, ok := m.Value.Bool()
		d.simulated = d.simulated || v && ok // never taken back within a birth
	}
}

// nodeBirth begins, goes on with, or refuses a session.
func (h *host) nodeBirth(n *node, m message, msg sparkplug.Message) {
	bdSeq, okSeq := msg.BdSeq()
	session, epoch := "", uint64(0)
	okEpoch := false
	if s := msg.Find(points.MetricSession); s != nil {
		session, _ = s.Value.Text()
	}
	if e := msg.Find(points.MetricClockEpoch); e != nil {
		epoch, okEpoch = e.Value.Uint()
	}
	if !okSeq || !okEpoch || session == "" || len(session) > maxText {
		h.bad(m, "NBIRTH without bdSeq, Clock/Epoch or Session/Id: not an agent of this project")
		if n.state == live {
			n.state = lost
		}
		return
	}
	if err := n.aliases.Born(msg.Metrics); err != nil {
		h.bad(m, err.Error())
		h.lose(n, m.at)
		return
	}
	n.order.Birth(msg.Seq)
	n.forget(m.at)
	if session != n.session {
		old := slices.IndexFunc(n.retired, func(r retired) bool { return r.session == session })
		if old >= 0 && m.at.Sub(n.heard) < takeOver {
			n.state, n.refusedIs = refused, session
			n.refuse(m.at)
			h.contest(n, m.at, "a session that was replaced is back")
			return
		}
		if old >= 0 {
			n.retired = slices.Delete(n.retired, old, old+1)
		}
		if n.session != "" {
			if n.state == live || n.state == lost {
				n.unanswered = unanswered{n.bdSeq, m.at}
			}
			n.retire(n.session, n.heard)
		}
		if old >= 0 {
			h.takenBack(n, m.at)
		}
	}
	if session != n.session || epoch != n.epoch {
		n.asked = n.asked[:0] // their answers would be of another clock
	}
	n.state, n.session, n.epoch, n.bdSeq, n.heard = live, session, epoch, bdSeq, m.at
	n.wantRebirth = false
	n.controls = controlsOf(msg)
	for _, d := range n.devices {
		d.born = false
	}
	h.note(false, "agent born", "agent", n.agent, "session", session, "epoch", strconv.FormatUint(epoch, 10))
	h.bornLines(n, m, msg)
	h.bornJournal(n, m, msg)
	h.echo(n, m.at)
}

func (h *host) nodeDeath(n *node, m message, msg sparkplug.Message) {
	bdSeq, ok := msg.BdSeq()
	if !ok {
		h.bad(m, "NDEATH without bdSeq")
		return
	}
	n.rival = m.at
	if !n.unanswered.since.IsZero() && n.unanswered.bdSeq == bdSeq {
		n.unanswered = unanswered{}
	}
	if bdSeq == n.bdSeq && n.state != dead {
		h.died(n, m.at, "the broker or the agent itself reports the agent's death")
	}
}

// died ends a session, and with it its pots' runs.
func (h *host) died(n *node, now time.Time, reason string) {
	if n.state != dead {
		h.note(false, "agent dead", "agent", n.agent, "reason", reason)
	}
	n.state = dead
	n.order.Reset()
	n.held = held{}
	n.asked = n.asked[:0]
	n.lines = nil
	h.o.Sink.Lines(feed.Lines{Agent: n.agent, Session: n.session})
	for _, name := range n.pots {
		d := n.devices[name]
		d.born = false
		h.event(n, d, feed.Event{Kind: feed.Death, Received: now, Reason: reason})
	}
}

// contest tells all pots of an agent that two of its sessions are alive.
func (h *host) contest(n *node, now time.Time, reason string) {
	h.quiet.say(now, "session "+n.agent, "two sessions of the agent are alive; the second is refused, and its pots are not proven until 60 s after its last message",
		"agent", n.agent, "reason", reason)
	for _, name := range n.pots {
		h.o.Events.Refused(name, true)
		h.o.Sink.Event(feed.Event{Kind: feed.Contest, Pot: name, Agent: n.agent, Received: now, Reason: reason, SecondSession: true})
	}
}

// takenBack tells when the others were heard last, as a session that had been replaced is believed again: what was refused was its own.
func (h *host) takenBack(n *node, now time.Time) {
	heard := n.rival
	for _, r := range n.retired {
		if r.heard.After(heard) {
			heard = r.heard
		}
	}
	for _, name := range n.pots {
		h.o.Sink.Event(feed.Event{Kind: feed.Contest, Pot: name, Agent: n.agent, Received: now, Heard: heard, SecondSession: true,
			Reason: "the session that replaced another is silent, and that one is taken back"})
	}
}

// deathOverdue: the death of the session before did not follow, so it is taken for alive.
func (h *host) deathOverdue(n *node, now time.Time) {
	if since := n.unanswered.since; !since.IsZero() && now.Sub(since) > deathFollows {
		n.unanswered = unanswered{}
		h.contest(n, now, "a new session began and the old one did not die")
	}
}

// retire keeps a session that was replaced.
func (n *node) retire(session string, heard time.Time) {
	if len(n.retired) == maxRetired {
		n.retired = slices.Delete(n.retired, 0, 1)
	}
	n.retired = append(n.retired, retired{session, heard})
}

// refuse notes a message of the refused session.
func (n *node) refuse(now time.Time) {
	for i := range n.retired {
		if n.retired[i].session == n.refusedIs {
			n.retired[i].heard = now
		}
	}
}

// forget drops sessions that were replaced long ago.
func (n *node) forget(now time.Time) {
	n.retired = slices.DeleteFunc(n.retired, func(r retired) bool { return now.Sub(r.heard) > retiredFor })
}

// ask keeps a question until its answer.
func (n *node) ask(nonce uint64, now time.Time) {
	n.asked = slices.DeleteFunc(n.asked, func(q question) bool { return now.Sub(q.sent) > echoWaits })
	if len(n.asked) == maxEchoes {
		n.asked = slices.Delete(n.asked, 0, 1)
	}
	n.asked = append(n.asked, question{nonce, now})
}

// answered is when a nonce was sent; each counts once.
func (n *node) answered(nonce uint64, now time.Time) (time.Time, bool) {
	i := slices.IndexFunc(n.asked, func(q question) bool { return q.nonce == nonce })
	if i < 0 || now.Sub(n.asked[i].sent) > echoWaits {
		return time.Time{}, false
	}
	sent := n.asked[i].sent
	n.asked = slices.Delete(n.asked, i, i+1)
	return sent, true
}
