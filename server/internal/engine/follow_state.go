package engine

import (
	"crypto/sha256"
	"encoding/binary"
	"errors"
	"fmt"

	"gritwatch/internal/statecodec"
	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/server/internal/gauges"
)

// ErrOtherPot says that a state belongs to another pot, or to another configuration of it.
var ErrOtherPot = errors.New("a state of another pot or of another configuration of it; follow this one from its stored samples")

// followerState is raised whenever the list of parts changes.
const followerState = 2

// stateVersion is made from the versions of all parts.
var stateVersion = func() uint32 {
	var words []byte
	first := func(b []byte) { words = append(words, b[:8]...) }
	first(vent.NewJudge(vent.Pot{}, vent.Options{}).AppendState(nil))
	first(vent.NewWatch(vent.WatchParams{}).AppendState(nil))
	first(gauges.New(gauges.Params{}).AppendState(nil))
	first(New(Params{}).AppendState(nil))
	first(new(vent.Inference).AppendState(nil))
	x := newEstimates(Params{})
	first(x.AppendState(nil))
	first(x.strokes.AppendState(nil))
	first(x.level.AppendState(nil))
	first(x.wear.AppendState(nil))
	first(x.losses.AppendState(nil))
	first(x.water.AppendState(nil))
	sum := sha256.Sum256(append(words, followerState))
	return binary.LittleEndian.Uint32(sum[:])
}()

// StateVersion names the form of a follower's state. It is another one whenever that of any part of it changes.
func StateVersion() uint32 { return stateVersion }

// identity is a checksum of what a state belongs to.
func identity(pot vent.Pot, p Params) (id [4]uint64) {
	sum := sha256.Sum256(fmt.Appendf(nil, "%s %d", pot.Digest(), p.Period))
	for i := range id {
		id[i] = binary.LittleEndian.Uint64(sum[8*i:])
	}
	return id
}

// AppendState appends the state of all that follows the pot, under 6 KB at any rate of readings; see SetState.
func (f *Follower) AppendState(dst []byte) []byte {
	c := statecodec.Writer(dst, uint64(stateVersion))
	for i := range f.identity {
		statecodec.Word(&c, &f.identity[i])
	}
	f.parts(&c)
	return c.Bytes()
}

func (f *Follower) parts(c *statecodec.Codec) {
	statecodec.Nested(c, f.Judge)
	statecodec.Nested(c, f.Watch)
	statecodec.Nested(c, f.Gauges)
	statecodec.Nested(c, f.Engine)
	statecodec.Nested(c, &f.infer)
	statecodec.Nested(c, &f.about)
}

// SetState restores what AppendState gave, of a follower of the same pot with the same digest; ErrOtherPot, or
// statecodec.ErrState where it is of another version or damaged, and the follower is as it was. Then Prime it with the stored
// samples of the seconds before, of the same session and time base of the agent, and ask Primed; from there on it goes
// on as if nothing had happened.
//
// It is made to catch up, stepped over all that came since, and to be adopted by the live follower: nothing restored says
// a word, so its own Answer must not be told.
func (f *Follower) SetState(b []byte) error {
	fresh := NewFollower(f.pot, f.params)
	err := statecodec.Read(b, uint64(stateVersion), func(c *statecodec.Codec) {
		var id [4]uint64
		for i := range id {
			statecodec.Word(c, &id[i])
		}
		if id != f.identity {
			c.Fail(ErrOtherPot)
			return
		}
		fresh.parts(c)
	})
	if err != nil {
		return fmt.Errorf("pot %s: %w", f.pot.Name, err)
	}
	if f.Judge.Faulty() {
		fresh.Judge.MarkFaulty() // only a recorded zero or a service clears it
	}
	*f.Judge, *f.Watch, *f.Gauges, *f.Engine, f.infer = *fresh.Judge, *fresh.Watch, *fresh.Gauges, *fresh.Engine, fresh.infer
	f.about.take(&fresh.about)
	f.Out.Now = f.Engine.out
	f.about.tell(&f.Out)
	f.priming = true
	return nil
}

// Needs is which samples of a point Prime has to be given: those that were read between two instants, both among them,
// at most 6.5 s apart (in a log that is slower than live readings, 13 periods). False: none.
func (f *Follower) Needs(p points.Point) (from, to si.Instant, ok bool) {
	from, to, ok = f.Judge.Needs(p)
	if a, b, more := f.Engine.Needs(p); more {
		if !ok {
			return a, b, true
		}
		from, to = min(from, a), max(to, b)
	}
	return from, to, ok
}

// Prime takes a stored sample, as it was read, from before the state was taken; those of a point come in order of time.
// Nothing is judged. Those that are not needed do no harm.
func (f *Follower) Prime(s points.Sample) {
	f.Judge.Prime(s)
	if int(s.Point) < points.Count {
		s.Value -= f.zeros[s.Point]
		f.Engine.Prime(s)
	}
}

// Primed ends priming, before the first Step, and tells whether the past of every point is again what it was when the state
// was taken. Where it is not, the run has ended, as with Break(SourceSilent).
func (f *Follower) Primed() bool {
	judge, engine := f.Judge.Primed(), f.Engine.Primed()
	f.priming = false
	if !judge || !engine {
		f.Break(vent.SourceSilent)
		return false
	}
	return true
}
