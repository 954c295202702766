package vent_test

import (
	"encoding/binary"
	"math"
	"testing"
	"time"

	"gritwatch/internal/vent"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// change is one thing done to a stream: 12 bytes, of which the last 8 are any bits at all.
const change = 12

// spoil changes items of a stream: readings get any bits, any quality, any time, come twice, late or never.
func spoil(in []item, data []byte) []item {
	out := append([]item(nil), in...)
	for ; len(data) >= change && len(out) > 0; data = data[change:] {
		i := int(binary.LittleEndian.Uint16(data)) % len(out)
		bits := binary.LittleEndian.Uint64(data[4:])
		s := &out[i].sample
		switch data[2] % 10 {
		case 0:
			s.Value = si.GaugePressure(math.Float64frombits(bits))
		case 1:
			s.Value = si.GaugePressure(int32(bits)) // 2 GPa at most
		case 2:
			s.Value += si.GaugePressure(int16(bits)) // 33 kPa at most
		case 3:
			s.Quality = points.Quality(data[3] % 4)
		case 4:
			s.At = si.Instant(bits >> 8) // up to the year 4253
		case 5:
			s.At = s.At.Add(time.Duration(int32(bits)) * time.Microsecond)
		case 6: // from here on all times are shifted
			for j := i; j < len(out); j++ {
				out[j].sample.At = out[j].sample.At.Add(time.Duration(int32(bits)) * time.Microsecond)
			}
		case 7:
			out = append(out[:i], out[min(len(out), i+1+int(data[3])%50):]...)
		case 8: // a stretch stands still
			for j := i; j < min(len(out), i+int(bits%200)); j++ {
				if out[j].sample.Point == s.Point {
					out[j].sample.Value = s.Value
				}
			}
		case 9:
			s.Point, s.Pressed = points.Point(data[3]), bits&1 != 0
		}
	}
	return out
}

// FuzzJudge: whatever the readings are, nothing panics, and an answer of vented has behind it what the rules demand, as
// the oracle reckons it over all samples.
func FuzzJudge(f *testing.F) {
	f.Add(byte(0), []byte{})
	f.Add(byte(1), []byte{200, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0xf8, 0x7f}) // NaN
	f.Add(byte(2), []byte{10, 2, 6, 0, 0, 0, 0, 0x80, 0, 0, 0, 0})
	f.Add(byte(3), []byte{250, 1, 8, 0, 150, 0, 0, 0, 0, 0, 0, 0, 20, 2, 7, 30, 0, 0, 0, 0, 0, 0, 0, 0})
	f.Fuzz(func(t *testing.T, kind byte, data []byte) {
		if len(data) > 40*change {
			return // more would only be slower
		}
		p := alder()
		p.HoldsPressure, p.Electric = kind&1 != 0, kind&2 != 0
		if kind&4 != 0 {
			p = commissioned(p, 8*time.Second)
		}
		p.Inverse = kind&8 != 0 && !p.Electric
		s := newStory(p)
		s.rest(2)
		s.press(8)
		s.release(12)
		s.press(6)
		s.release(8)
		j, or := vent.NewJudge(p, vent.Options{}), newOracle(p, vent.Options{})
		w := vent.NewWatch(vent.WatchParams{Pot: p})
		var infer vent.Inference
		last := false
		for i, it := range spoil(s.stream(), data) {
			x := it.sample
			j.Step(x)
			w.Step(x, j.Handle())
			infer.Step(x)
			if int(x.Point) < points.Count {
				if v := float64(x.Value); math.IsNaN(v) || math.IsInf(v, 0) {
					if x.Quality == points.Good && !(p.Electric && x.Point == points.Control) {
						x.Quality = points.OutOfRange // no number is no reading
					}
				}
				or.step(x)
			}
			a := j.Answer()
			brief := last && i%16 != 0
			last = a.Word == vent.Vented
			for _, why := range or.wrong(a, brief) {
				t.Fatalf("sample %d, %+v: %v %v: %s", i, it.sample, a.Word, a.Because.Strings(), why)
			}
		}
	})
}
