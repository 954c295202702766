package journal

import (
	"errors"
	"fmt"
	"math"
	"math/rand/v2"
	"testing"
	"time"

	"pgregory.net/rapid"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// A record as it must be found again.
type record struct {
	pot   string
	epoch uint64
	s     points.Sample
	sure  bool // it was synced
}

// A truth knows what was appended, over cuts of the power.
type truth struct {
	given map[uint64]*record
	next  uint64 // behind what was given away
	sure  int    // how many were synced
	old   uint64 // what lies before was dropped; a cut may bring some of it back
	id    string
	exact bool // nothing is ever dropped or spoilt: all that is lost is known at once
}

// A rig is a journal on a disk, worked by hand.
type rig struct {
	*Journal
	disk  *disk
	truth *truth
	rng   *rand.Rand
	mono  time.Duration
	waits []*record // appended in this life, not known to be synced

	former []*record // those of the life before, when it ended
}

func begin(d *disk, tr *truth, rng *rand.Rand, o Options) (*rig, error) {
	r := &rig{disk: d, truth: tr, rng: rng}
	o.Folder, o.Mono = d, func() time.Duration { return r.mono }
	j, err := Open(o)
	r.Journal = j
	return r, err
}

// samples makes up readings as a pot may give them, and some that none does.
func samples(rng *rand.Rand, n int, at si.Instant) []points.Sample {
	out := make([]points.Sample, n)
	for i := range out {
		at += si.Instant(rng.IntN(20_000))
		s := points.Sample{Point: points.Point(rng.IntN(points.Count)), Quality: points.Quality(rng.IntN(3)), Pressed: rng.IntN(2) == 0, At: at}
		if s.Quality != points.NoReply {
			s.Value = si.GaugePressure(float32(rng.NormFloat64() * 690e3))
		}
		switch rng.IntN(50) {
		case 0:
			s.At = si.Instant(rng.Uint64())
		case 1:
			if s.Quality != points.NoReply {
				s.Value = si.GaugePressure(math.Float32frombits(rng.Uint32()))
			}
		}
		out[i] = s
	}
	return out
}

func (r *rig) put() {
	pot, epoch := []string{"alder", "birch", "a-pot-with-a-very-long-name-of-32"}[r.rng.IntN(3)], r.rng.Uint64N(3)*1e15
	b := samples(r.rng, 1+r.rng.IntN(40), si.Instant(epoch))
	first, ok := r.Append(pot, epoch, b)
	if !ok {
		return
	}
	for i, s := range b {
		p := first + uint64(i)
		if _, twice := r.truth.given[p]; twice || p < r.truth.next {
			panic(fmt.Sprintf("position %d is given away twice", p))
		}
		rec := &record{pot, epoch, s, false}
		r.truth.given[p] = rec
		r.waits = append(r.waits, rec)
	}
	r.truth.next = first + uint64(len(b))
}

func (r *rig) work(sync bool) error {
	r.mono += time.Second
	n := len(r.waits)
	if r.rng.IntN(3) == 0 { // appended while the disk is busy
		r.disk.meanwhile = func() {
			for range r.rng.IntN(20) {
				r.put()
			}
		}
	}
	err := r.attempt(sync)
	r.disk.meanwhile = nil
	r.truth.old = max(r.truth.old, r.Status().Oldest)
	if err == nil && sync {
		r.areSure(n)
	}
	return err
}

func (r *rig) areSure(n int) {
	for _, rec := range r.waits[:n] {
		rec.sure = true
	}
	r.truth.sure += n
	r.waits = r.waits[n:]
}

func same(a, b points.Sample) bool {
	return a.Point == b.Point && a.Quality == b.Quality && a.Pressed == b.Pressed && a.At == b.At &&
		math.Float32bits(float32(a.Value)) == math.Float32bits(float32(b.Value))
}

// check reads everything and holds it against the truth.
func (r *rig) check() error {
	st := r.Status()
	if r.truth.id == "" {
		r.truth.id = st.ID
	}
	if st.ID != r.truth.id && r.truth.sure > 0 {
		return fmt.Errorf("another id: %s", st.ID)
	}
	if st.Next < r.truth.next {
		return fmt.Errorf("next %d, and %d were given away", st.Next, r.truth.next)
	}
	pos, readable := st.Oldest, uint64(0)
	missing := func(to uint64) error {
		for ; pos < to; pos++ {
			if rec := r.truth.given[pos]; rec != nil && rec.sure && pos >= r.truth.old {
				return fmt.Errorf("position %d was synced and is gone", pos)
			}
		}
		return nil
	}
	for b, err := range r.Read(st.Oldest, math.MaxUint64) {
		if err != nil {
			return err
		}
		if b.First < pos || len(b.Samples) == 0 {
			return fmt.Errorf("batch %d of %d behind position %d", b.First, len(b.Samples), pos)
		}
		if err := missing(b.First); err != nil {
			return err
		}
		for i, s := range b.Samples {
			if want := r.truth.given[pos]; want == nil || want.pot != b.Pot || want.epoch != b.Epoch || !same(want.s, s) {
				return fmt.Errorf("position %d (%d of %d): %+v of %s, epoch %d; want %+v", pos, i, len(b.Samples), s, b.Pot, b.Epoch, want)
			}
			pos++
			readable++
		}
	}
	if err := missing(st.Next); err != nil {
		return err
	}
	after := r.Status()
	if r.truth.exact && after.Lost != st.Lost {
		return fmt.Errorf("%d lost were known, reading found %d", st.Lost, after.Lost)
	}
	if after.Acknowledged == 0 && readable+after.Lost != after.Next {
		return fmt.Errorf("%d can be read, %d are lost, of %d", readable, after.Lost, after.Next)
	}
	if after.Bytes > r.MaxBytes() {
		return fmt.Errorf("%d bytes", after.Bytes)
	}
	return nil
}

func (r *rig) MaxBytes() int64 { return r.Journal.o.MaxBytes }

// life appends, writes and syncs for a while; it ends early when the power is cut.
func (r *rig) life(rounds int) {
	for i := range rounds {
		for range 1 + r.rng.IntN(3) {
			r.put()
		}
		if r.work(i%3 == 2) != nil && r.disk.dead {
			return
		}
	}
}

var crashOptions = map[string]Options{
	"roomy": {Buffer: 64 << 10},
	"tight": {Buffer: 4 << 10, MaxBytes: 64 << 10},
	"young": {Buffer: 16 << 10, MaxAge: 8 * time.Second},
}

// The power is cut in every write, sync, creation and removal, again while starting anew, and once more after that.
func TestCutEverywhere(t *testing.T) {
	for name, o := range crashOptions {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			ends := 0
			for at := 1; ends < 3; at++ { // until nothing is left to be cut
				seed := uint64(at)
				rng := rand.New(rand.NewPCG(seed, 2))
				tr := &truth{given: map[uint64]*record{}, exact: name == "roomy"}
				d := newDisk(seed)
				d.cutAt = at
				rounds := 40
				if name != "tight" {
					rounds = 14
				}
				for generation := range 6 {
					r, err := begin(d, tr, rng, o)
					if err != nil {
						t.Fatalf("cut %d, start %d: %v", at, generation, err)
					}
					if !d.dead {
						if err := r.check(); err != nil {
							t.Fatalf("cut %d, after start %d: %v", at, generation, err)
						}
					}
					r.life(rounds)
					if generation == 0 && !d.dead {
						ends++
					}
					if !d.dead {
						if err := r.check(); err != nil {
							t.Fatalf("cut %d, in life %d: %v", at, generation, err)
						}
					}
					d = d.cut()
					switch generation {
					case 0, 2:
						d.cutAt = 1 + rng.IntN(8) // in the start
					case 1, 3:
						d.cutAt = 1 + rng.IntN(60)
					}
				}
			}
		})
	}
}

// Whatever is done and whatever goes wrong, in any order.
func TestAnything(t *testing.T) {
	rapid.Check(t, func(rt *rapid.T) {
		rng := rand.New(rand.NewPCG(rapid.Uint64().Draw(rt, "seed"), 3))
		names := []string{"roomy", "tight", "young"}
		o := crashOptions[rapid.SampledFrom(names).Draw(rt, "options")]
		tr := &truth{given: map[uint64]*record{}}
		d := newDisk(rng.Uint64())
		var r *rig
		start := func() {
			var waits []*record
			if r != nil {
				waits = r.waits
			}
			var err error
			if r, err = begin(d, tr, rng, o); err != nil {
				rt.Fatal(err)
			}
			r.former = waits
		}
		start()
		for range rapid.IntRange(1, 80).Draw(rt, "steps") {
			switch rapid.IntRange(0, 12).Draw(rt, "step") {
			case 0, 1, 2, 3:
				r.put()
			case 4, 5:
				_ = r.work(false)
			case 6, 7:
				_ = r.work(true)
			case 8:
				kind := rapid.SampledFrom([]string{"write", "sync", "create", "remove", "sync folder", "truncate"}).Draw(rt, "fault")
				n := rapid.IntRange(1, 4).Draw(rt, "times")
				d.fault = func(op, _ string) error {
					if op != kind || n == 0 {
						return nil
					}
					n--
					return errors.New("input/output error")
				}
			case 9:
				r.mono += time.Duration(rapid.IntRange(0, 70).Draw(rt, "seconds")) * time.Second
			case 10: // ended in order
				r.finish()
				ordered, next := r.Status().Fault == nil, r.Status().Next
				tr.old = max(tr.old, r.Status().Oldest)
				if err := r.Close(); err != nil {
					rt.Fatal(err)
				}
				if ordered {
					r.areSure(len(r.waits))
				}
				start()
				if got := r.Status(); ordered && (got.Next != next || got.Recovered.Positions != 0) {
					rt.Fatalf("after an end in order at %d: %+v", next, got)
				}
			case 11:
				d.cutAt = d.ops + rapid.IntRange(1, 10).Draw(rt, "cut in")
				for range 10 {
					r.put()
					if _ = r.work(rng.IntN(2) == 0); d.dead {
						break
					}
				}
				d = d.cut()
				start()
			case 12: // killed: what was written is there, and safe after the next start
				n := len(r.waits)
				written := r.attempt(false) == nil
				r.put()
				d = d.killed()
				if start(); written && r.Status().Fault == nil {
					for _, rec := range r.former[:n] {
						rec.sure = true
					}
					tr.sure += n
				}
			}
			if d.dead {
				continue
			}
			if err := r.check(); err != nil {
				rt.Fatal(err)
			}
		}
	})
}
