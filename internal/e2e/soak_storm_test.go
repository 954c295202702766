package e2e_test

import (
	"context"
	"fmt"
	"math/rand/v2"
	"os"
	"sync"
	"syscall"
	"testing"
	"time"
)

// A storm does harm to the parts of a stack at instants drawn from a seed. Each front is one part that things are done to one
// after the other; the fronts overlap as chance has it. A long storm comes in gusts, with calms between in which pots can be
// seen to vent. What is done ends with the storm, and is undone.
type storm struct {
	t     testing.TB
	seed  uint64
	pause time.Duration // between two blows of a front, on average
	gusts bool
	began time.Time
	ctx   context.Context
	wg    sync.WaitGroup

	mu    sync.Mutex
	blows []blow
}

// A blow is one thing that was done, from and to the machine's true time.
type blow struct {
	kind, to     string
	began, ended time.Time
}

// A way is one kind of harm; it calls hits at the moment of it, and returns when it is undone. What it needs by chance it draws
// first.
type way struct {
	kind string
	do   func(r *rand.Rand, hits func()) error
}

// front begins to strike a part. Every way comes as often as any other.
func (s *storm) front(part string, ways ...way) {
	if len(ways) == 0 {
		return
	}
	h := uint64(14695981039346656037) // FNV-1a
	for _, c := range []byte(part) {
		h = (h ^ uint64(c)) * 1099511628211
	}
	r := rand.New(rand.NewPCG(s.seed, h))
	s.wg.Go(func() {
		var deck []way
		for {
			if len(deck) == 0 {
				deck = append(deck, ways...)
				r.Shuffle(len(deck), func(i, k int) { deck[i], deck[k] = deck[k], deck[i] })
			}
			if !s.wait(time.Duration((0.2+1.6*r.Float64())*float64(s.pause))) || !s.wait(s.calm()) {
				return
			}
			b := blow{kind: deck[0].kind, to: part}
			if err := deck[0].do(r, func() { b.began = time.Now() }); err != nil {
				s.t.Errorf("%s of %s: %v", b.kind, b.to, err)
				return
			}
			b.ended = time.Now()
			s.mu.Lock()
			s.blows = append(s.blows, b)
			s.mu.Unlock()
			deck = deck[1:]
		}
	})
}

const gust, calm = 45 * time.Second, 60 * time.Second

// calm is how long the storm pauses from now on.
func (s *storm) calm() time.Duration {
	if at := time.Since(s.began) % (gust + calm); s.gusts && at > gust {
		return gust + calm - at
	}
	return 0
}

// wait waits for real time to pass: false, when the storm is over before.
func (s *storm) wait(d time.Duration) bool {
	timer := time.NewTimer(d)
	defer timer.Stop()
	select {
	case <-s.ctx.Done():
		return false
	case <-timer.C:
		return true
	}
}

// between draws a length of time.
func between(r *rand.Rand, least, most time.Duration) time.Duration {
	return least + time.Duration(r.Int64N(int64(most-least)+1))
}

func (s *storm) counts() map[string]int {
	s.mu.Lock()
	defer s.mu.Unlock()
	out := map[string]int{}
	for _, b := range s.blows {
		out[b.kind]++
	}
	return out
}

// of gives the blows of some kinds to a part.
func (s *storm) of(part string, kinds ...string) (out []blow) {
	s.mu.Lock()
	defer s.mu.Unlock()
	for _, b := range s.blows {
		for _, k := range kinds {
			if b.to == part && b.kind == k {
				out = append(out, b)
			}
		}
	}
	return out
}

// Kinds of harm.
const (
	blowKill   = "kill -9"
	blowFreeze = "SIGSTOP"
	blowCut    = "power cut"
	blowFull   = "disk full"
	blowDown   = "link cut"
	blowSlow   = "link slow"
	blowDead   = "link half open"
	blowStall  = "link stalled"
	blowClock  = "clock step"
	blowPort   = "port unplugged"
)

// kills are what can be done to a program at all.
func (s *storm) kills(d *daemon, at *sync.Mutex, longest time.Duration) []way {
	return []way{
		{blowKill, func(r *rand.Rand, hits func()) error {
			down := between(r, 0, longest)
			at.Lock()
			defer at.Unlock()
			hits()
			d.kill()
			s.wait(down)
			d.up()
			return nil
		}},
		{blowFreeze, func(r *rand.Rand, hits func()) error {
			for_ := between(r, time.Second, 8*time.Second)
			at.Lock()
			defer at.Unlock()
			hits()
			d.signal(syscall.SIGSTOP)
			s.wait(for_)
			d.signal(syscall.SIGCONT)
			return nil
		}},
	}
}

// cuts are cuts of the power of a machine.
func (s *storm) cuts(m *machine, longest time.Duration) []way {
	if !m.real {
		return nil
	}
	return []way{{blowCut, func(r *rand.Rand, hits func()) error {
		down := between(r, 0, longest)
		m.at.Lock()
		defer m.at.Unlock()
		hits()
		if err := m.cut(); err != nil {
			return err
		}
		if err := m.restore(s.t); err != nil {
			return fmt.Errorf("the disk after the cut: %w", err)
		}
		s.wait(down)
		m.program.up()
		return nil
	}}}
}

// fills are times in which a machine's disk is full, to the last byte or but for so many. They are rarer than other blows, for
// they cost more: an agent that is ended then loses what it could not write.
func (s *storm) fills(m *machine, leave int64) []way {
	if !m.real {
		return nil
	}
	return []way{{blowFull, func(r *rand.Rand, hits func()) error {
		left, for_ := int64(0), between(r, 2*time.Second, 2*s.pause)
		if r.IntN(2) == 0 {
			left = leave
		}
		if s.gusts {
			s.wait(2 * s.pause)
		}
		m.at.Lock()
		hits()
		err := m.fill(left)
		m.at.Unlock()
		if err != nil {
			return fmt.Errorf("fill the disk: %w", err)
		}
		s.wait(for_)
		m.at.Lock() // it may be without power just now
		defer m.at.Unlock()
		return m.free()
	}}}
}

func (s *storm) links(l *link) []way {
	for_ := func(kind string, state linkState, least, most time.Duration) way {
		return way{kind, func(r *rand.Rand, hits func()) error {
			d := between(r, least, most)
			hits()
			l.set(state)
			s.wait(d)
			l.set(linkState{})
			return nil
		}}
	}
	const s1 = time.Second
	return []way{
		for_(blowDown, linkState{cut: true}, s1/2, 12*s1), for_(blowSlow, linkState{rate: 5000}, 3*s1, 15*s1),
		for_(blowDead, linkState{dead: true}, s1, 10*s1), for_(blowStall, linkState{stalled: true}, s1, 20*s1),
	}
}

// farthest a clock is off. More than half an hour is another matter: the server then places the readings by its own.
const farthest = 25 * time.Minute

// clockSteps set the wall clock of an agent, back and forth.
func (s *storm) clockSteps(path string) []way {
	return []way{{blowClock, func(r *rand.Rand, hits func()) error {
		off := between(r, -farthest, farthest).Round(time.Microsecond)
		hits()
		return setClock(path, off)
	}}}
}

// setClock writes how far a clock is off; who reads it never sees half of that.
func setClock(path string, off time.Duration) error {
	if err := os.WriteFile(path+".new", []byte(off.String()), 0o644); err != nil {
		return err
	}
	return os.Rename(path+".new", path)
}
