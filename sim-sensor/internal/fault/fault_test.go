package fault_test

import (
	"bytes"
	"math"
	"math/bits"
	"reflect"
	"slices"
	"testing"
	"time"

	"gritwatch/protocol/modbus"
	"gritwatch/protocol/si"
	"gritwatch/sim-sensor/internal/fault"
)

const (
	ms = time.Millisecond
	s  = time.Second
)

var always fault.Window

func frame(unit uint8, registers ...uint16) []byte {
	return modbus.AppendReadReply(nil, unit, modbus.ReadInputRegisters, registers)
}

// Every second from 0 to 100 s by the words of the definition.
func TestWindow(t *testing.T) {
	for _, tt := range []struct {
		w    fault.Window
		open func(at int) bool
	}{
		{fault.Window{}, func(int) bool { return true }},
		{fault.Window{At: 5 * s}, func(at int) bool { return at >= 5 }},
		{fault.Window{At: 5 * s, For: 3 * s}, func(at int) bool { return at >= 5 && at < 8 }},
		{fault.Window{For: 3 * s, Every: 10 * s}, func(at int) bool { return at%10 < 3 }},
		{fault.Window{At: 5 * s, For: 3 * s, Every: 10 * s}, func(at int) bool { return at >= 5 && (at-5)%10 < 3 }},
	} {
		for at := range 100 {
			now := time.Duration(at) * s
			since, open := tt.w.Since(now)
			if open != tt.open(at) || open && since < 0 {
				t.Fatalf("%+v at %d s: %v, %v", tt.w, at, since, open)
			}
			want, changes := 0, false
			for next := at + 1; next < 200 && !changes; next++ {
				if changes = tt.open(next) != open; changes {
					want = next
				}
			}
			if got, ok := tt.w.Change(now); ok != changes || ok && got != time.Duration(want)*s {
				t.Fatalf("%+v after %d s: changes at %v, %v, want %d s, %v", tt.w, at, got, ok, want, changes)
			}
		}
	}
}

// Of n independent trials with probability p, np plus or minus five standard deviations succeed but for one run in a
// million (normal approximation of the binomial).
func within(t *testing.T, what string, got, n int, p float64) {
	t.Helper()
	if off := math.Abs(float64(got) - p*float64(n)); off > 5*math.Sqrt(float64(n)*p*(1-p)) {
		t.Errorf("%s: %d of %d, want a share of %v", what, got, n, p)
	}
}

func TestShares(t *testing.T) {
	const n = 20000
	kinds := []fault.Kind{fault.CRC, fault.Truncated, fault.Late, fault.Exception, fault.Silence, fault.Noise, fault.Stray}
	shares := []float64{0.3, 0.2, 0.1, 0.1, 0.5, 0.2, 0.05}
	for seed := range uint64(3) {
		var faults []fault.Fault
		for i, k := range kinds {
			faults = append(faults, fault.Fault{Window: always, Kind: k, Share: si.Ratio(shares[i]), By: 150 * ms})
		}
		p := fault.NewPlayer(faults, seed)
		p.Gave(7, frame(7, 1, 2))
		var count, twice, again [fault.Kinds]int
		busy := 0
		last := []fault.Kind{}
		for range n {
			v := p.Request(0, 7)
			for _, k := range v.Played {
				count[k]++
				if slices.Contains(last, k) {
					again[k]++
				}
				if slices.Contains(v.Played, fault.Silence) {
					twice[k]++
				}
			}
			last = v.Played
			if v.Late != 0 != slices.Contains(v.Played, fault.Late) || v.Late != 0 && v.Late != 150*ms ||
				v.Silence != slices.Contains(v.Played, fault.Silence) || v.Code != 0 != slices.Contains(v.Played, fault.Exception) {
				t.Fatalf("%+v", v)
			}
			if v.Code == modbus.DeviceBusy {
				busy++
			} else if v.Code != 0 && v.Code != modbus.DeviceFailure {
				t.Fatalf("code %d", v.Code)
			}
		}
		for i, k := range kinds {
			within(t, k.String(), count[k], n, shares[i])
			within(t, k.String()+" twice running", again[k], n, shares[i]*shares[i]) // one request says nothing of the next
			if k != fault.Silence {
				within(t, k.String()+" with silence", twice[k], n, shares[i]*0.5) // nor one fault of another
			}
		}
		within(t, "busy", busy, count[fault.Exception], 0.5)
	}
}

// The same seed and requests give the same faults; another seed does not; a fault more does not shift the others.
func TestSeed(t *testing.T) {
	run := func(seed uint64, more ...fault.Fault) (out [][]byte) {
		p := fault.NewPlayer(append([]fault.Fault{{Kind: fault.CRC, Share: 0.5}, {Kind: fault.Truncated, Share: 0.5}, {Kind: fault.Noise, Share: 0.5}}, more...), seed)
		for i := range 200 {
			v := p.Request(0, 1)
			b, _ := v.Dress(nil, frame(1, uint16(i), 2), fault.Frame)
			out = append(out, b)
		}
		return out
	}
	if !reflect.DeepEqual(run(1), run(1)) {
		t.Error("the same seed gives other faults")
	}
	if reflect.DeepEqual(run(1), run(2)) {
		t.Error("another seed gives the same faults")
	}
	if !reflect.DeepEqual(run(1), run(1, fault.Fault{Kind: fault.Late, Share: 0.5, By: s})) {
		t.Error("one fault more changes the others")
	}
	a, b := fault.NewPlayer(nil, 3), fault.NewPlayer(nil, 3)
	if x := a.Babble(nil, 1000); !bytes.Equal(x, b.Babble(nil, 1000)) || len(x) != 1000 || bytes.Count(x, []byte{0}) > 30 { // 1000/256 = 4
		t.Errorf("babble %x", x)
	}
}

func TestUnitAndWindow(t *testing.T) {
	p := fault.NewPlayer([]fault.Fault{{Window: fault.Window{At: 5 * s, For: s}, Kind: fault.Silence, Share: 1, Unit: 3},
		{Window: fault.Window{At: 2 * s, For: s}, Kind: fault.Babble}, {Window: fault.Window{At: 2500 * ms}, Kind: fault.Echo}}, 1)
	for _, tt := range []struct {
		at   time.Duration
		unit uint8
		want bool
	}{{4 * s, 3, false}, {5 * s, 3, true}, {5 * s, 4, false}, {5 * s, 0, false}, {6 * s, 3, false}} {
		if v := p.Request(tt.at, tt.unit); v.Silence != tt.want {
			t.Errorf("unit %d at %v: %+v", tt.unit, tt.at, v)
		}
	}
	for at, want := range map[time.Duration][2]bool{s: {}, 2 * s: {true, false}, 2600 * ms: {true, true}, 3 * s: {false, true}} {
		if got := [2]bool{p.Holds(fault.Babble, at), p.Holds(fault.Echo, at)}; got != want || p.Holds(fault.Unplugged, at) {
			t.Errorf("at %v: %v", at, got)
		}
	}
	for at, want := range map[time.Duration]time.Duration{0: 2 * s, 2 * s: 2500 * ms, 2500 * ms: 3 * s, 3 * s: 0} { // Silence is not of the line
		if got, ok := p.Change(at); got != want || ok != (want != 0) {
			t.Errorf("after %v: changes at %v, %v", at, got, ok)
		}
	}
}

// A spoilt frame never passes its check, whatever its length, and one to three bits of it are turned.
func TestSpoiltFrame(t *testing.T) {
	p := fault.NewPlayer([]fault.Fault{{Kind: fault.CRC, Share: 1}}, 5)
	turned := map[int]int{}
	for i := range 20000 {
		good := frame(9, make([]uint16, 1+i%125)...)
		v := p.Request(0, 9)
		bad, _ := v.Dress(nil, good, fault.Frame)
		n := 0
		for k := range good {
			n += bits.OnesCount8(good[k] ^ bad[k])
		}
		if turned[n]++; len(bad) != len(good) || modbus.CRC(bad) == 0 || n < 1 || n > 3 || v.Whole() || modbus.CRC(good) != 0 {
			t.Fatalf("%x becomes %x", good, bad)
		}
	}
	if len(turned) != 3 {
		t.Errorf("bits turned: %v", turned)
	}
}

func TestSpoiltText(t *testing.T) {
	good := []byte("P=+012.34 psi*5A\r\n")
	for style, fits := range map[fault.Style]func(byte) bool{
		fault.Checked: func(c byte) bool { return c >= ' ' && c <= '~' },
		fault.Plain:   func(c byte) bool { return c >= 0x80 },
	} {
		p := fault.NewPlayer([]fault.Fault{{Kind: fault.CRC, Share: 1}}, 5)
		where := map[int]bool{}
		for range 2000 {
			v := p.Request(0, 1)
			bad, _ := v.Dress(nil, good, style)
			n := 0
			for k := range good {
				if bad[k] != good[k] {
					n++
					where[k] = true
					if !fits(bad[k]) {
						t.Fatalf("%q", bad)
					}
				}
			}
			if n != 1 || len(bad) != len(good) || !bytes.HasSuffix(bad, []byte("\r\n")) {
				t.Fatalf("%q", bad)
			}
		}
		if len(where) != len(good)-2 {
			t.Errorf("spoils only %v", where)
		}
	}
}

func TestTruncated(t *testing.T) {
	p := fault.NewPlayer([]fault.Fault{{Kind: fault.Truncated, Share: 1}}, 5)
	good, lengths := frame(1, 2, 3), map[int]bool{}
	for range 1000 {
		v := p.Request(0, 1)
		cut, _ := v.Dress(nil, good, fault.Frame)
		if lengths[len(cut)] = true; !bytes.HasPrefix(good, cut) || v.Whole() {
			t.Fatalf("%x", cut)
		}
	}
	if len(lengths) != len(good)-1 || lengths[0] || lengths[len(good)] {
		t.Errorf("lengths %v", lengths)
	}
	v := p.Request(0, 1)
	if b, _ := v.Dress(nil, []byte("5"), fault.Plain); string(b) != "5" { // nothing to cut
		t.Errorf("%q", b)
	}
}

// Noise comes at each of its four places, 1 to 8 bytes long.
func TestNoise(t *testing.T) {
	p := fault.NewPlayer([]fault.Fault{{Kind: fault.Noise, Share: 1}}, 5)
	good, places, lengths := frame(1, 2, 3), map[string]int{}, map[int]bool{}
	for range 4000 {
		v := p.Request(0, 1)
		b, seams := v.Dress(nil, good, fault.Frame)
		n := len(b) - len(good)
		switch {
		case len(v.Early) == 1 && n == 0:
			places["early"]++
			if n = len(v.Early[0].Bytes); v.Early[0].Share < 0 || v.Early[0].Share >= 1 {
				t.Fatalf("%+v", v)
			}
		case len(v.After) == 1 && n == 0:
			places["after"]++
			if n = len(v.After[0].Bytes); v.After[0].Wait < 2*ms || v.After[0].Wait > 20*ms {
				t.Fatalf("%+v", v)
			}
		case bytes.HasSuffix(b, good) && slices.Equal(seams, []int{n}):
			places["front"]++
		case bytes.HasPrefix(b, good) && slices.Equal(seams, []int{len(good)}):
			places["behind"]++
		}
		if lengths[n] = true; n < 1 || n > 8 || !v.Whole() {
			t.Fatalf("%d bytes: %+v", n, v)
		}
	}
	for place, n := range places {
		within(t, place, n, 4000, 0.25)
	}
	if len(places) != 4 || len(lengths) != 8 {
		t.Errorf("places %v, lengths %v", places, lengths)
	}
}

// A stray is one of the last eight replies, whole, and never alone in the place of the unit's own reply.
func TestStray(t *testing.T) {
	p := fault.NewPlayer([]fault.Fault{{Kind: fault.Stray, Share: 1}}, 5)
	if v := p.Request(0, 1); len(v.Played) != 0 {
		t.Errorf("a stray of nothing: %+v", v)
	}
	for i := range 10 {
		p.Gave(uint8(1+i%2), frame(uint8(1+i%2), uint16(i))) // 0 and 1 are forgotten again
	}
	own, places, seen := frame(1, 99), map[string]int{}, map[byte]bool{}
	for range 4000 {
		v := p.Request(0, 1)
		b, seams := v.Dress(nil, own, fault.Frame)
		var stray []byte
		place := ""
		switch {
		case len(v.Early) == 1 && bytes.Equal(b, own):
			place, stray = "early", v.Early[0].Bytes
		case bytes.HasPrefix(b, own):
			place, stray = "behind", b[len(own):]
		case bytes.HasSuffix(b, own):
			place, stray = "front", b[:len(b)-len(own)]
		}
		if len(stray) != len(own) || modbus.CRC(stray) != 0 || place == "early" && stray[0] == 1 || place != "early" && len(seams) != 1 {
			t.Fatalf("%s %x: %+v", place, stray, v)
		}
		places[place]++
		seen[stray[4]] = true
	}
	if len(seen) != 8 || seen[0] || seen[1] {
		t.Errorf("of the replies %v", seen)
	}
	within(t, "early", places["early"], 4000, 0.5/3)
	within(t, "front", places["front"], 4000, 0.25+0.5/3)
}
