package frame_test

import (
	"encoding/hex"
	"hash/crc32"
	"math"
	"slices"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"gritwatch/agent/internal/journal/frame"
	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

var id = frame.ID{0: 0xde, 15: 0xad}

func same(a, b points.Sample) bool {
	return a.Point == b.Point && a.Quality == b.Quality && a.Pressed == b.Pressed && a.At == b.At &&
		math.Float32bits(float32(a.Value)) == math.Float32bits(float32(b.Value))
}

// The bytes of a frame, reckoned by hand from the package's documentation. 700000 Pa is the float32 0x492ae600 and
// 700000.5 Pa the one 8 steps above it (IEEE 754). The check is that of 32 zeros in RFC 3720, appendix B.4, where only its
// table is tried; that of the frame was reckoned with the RFC's polynomial, bit by bit, in this test.
func TestBytes(t *testing.T) {
	if got := crc32.Checksum(make([]byte, 32), crc32.MakeTable(crc32.Castagnoli)); got != 0x8a9136aa || castagnoli(0, make([]byte, 32)) != got {
		t.Errorf("CRC-32C of 32 zeros: %08x, bit by bit %08x", got, castagnoli(0, make([]byte, 32)))
	}
	b := frame.Batch{First: 300, Pot: "alder", Epoch: 1000, Samples: []points.Sample{
		{Point: points.Vessel, Quality: points.Good, At: 1500, Value: 700_000},
		{Point: points.Control, Quality: points.OutOfRange, Pressed: true, At: 1600},
		{Point: points.Vessel, Quality: points.Good, At: 1700, Value: 700_000.5},
		{Point: points.Hose, Quality: points.NoReply, At: 1690},
	}}
	body := "ac02" + "04" + "05616c646572" + "e807" + "e807" + // 300, 4, alder, 1000, +500
		"d2" + "00" + "00e62a49" + // vessel, good, 4 bytes; no step; the value's bits
		"2d" + "c801" + // control, out of range, pressed, the value 0; +100
		"52" + "c801" + "0800" + // vessel, good, 2 bytes; +100; 8 up
		"03" + "13" // hose, no reply; -10
	n := len(body) / 2
	raw, _ := hex.DecodeString(body)
	crc := castagnoli(castagnoli(0, id[:]), append([]byte{'b', byte(n), 0}, raw...))
	want := "b16a" + "62" + hex.EncodeToString([]byte{byte(n), 0, byte(crc), byte(crc >> 8), byte(crc >> 16), byte(crc >> 24)}) + body
	got := frame.AppendBatch(nil, id.Salt(), b)
	if hex.EncodeToString(got) != want {
		t.Errorf("got  %x\nwant %s", got, want)
	}
	f, ok := frame.At(append(got, 1, 2, 3), id.Salt())
	var back frame.Batch
	if !ok || f.Kind != frame.KindBatch || f.Size != len(got) || back.Decode(f.Body) != nil {
		t.Fatalf("%+v, %v", f, ok)
	}
	if back.First != b.First || back.Pot != b.Pot || back.Epoch != b.Epoch || !slices.EqualFunc(back.Samples, b.Samples, same) {
		t.Errorf("read back %+v", back)
	}
	if _, ok := frame.At(got, (frame.ID{1}).Salt()); ok {
		t.Error("a frame of another journal is taken for one of this")
	}
}

// castagnoli is the CRC of RFC 3720 bit by bit: polynomial 0x1edc6f41, reflected.
func castagnoli(crc uint32, b []byte) uint32 {
	crc = ^crc
	for _, c := range b {
		crc ^= uint32(c)
		for range 8 {
			crc = crc>>1 ^ 0x82f63b78*(crc&1)
		}
	}
	return ^crc
}

func drawBatch(t *rapid.T) frame.Batch {
	at := rapid.OneOf(rapid.Int64Range(0, 1e16), rapid.Int64()).Draw(t, "at")
	b := frame.Batch{First: rapid.Uint64Max(math.MaxUint64-1000).Draw(t, "first"), Epoch: rapid.Uint64().Draw(t, "epoch"),
		Pot: rapid.StringMatching(`[a-z0-9-]{1,32}`).Draw(t, "pot")}
	value := rapid.OneOf(rapid.Float32Range(-101e3, 2e6), rapid.Float32(), rapid.SampledFrom([]float32{0, float32(math.Copysign(0, -1)),
		float32(math.Inf(1)), float32(math.Inf(-1)), float32(math.NaN())}))
	for range rapid.IntRange(1, 60).Draw(t, "samples") {
		at += rapid.OneOf(rapid.Int64Range(-10, 30_000), rapid.Int64()).Draw(t, "step")
		s := points.Sample{Point: points.Point(rapid.IntRange(0, points.Count-1).Draw(t, "point")),
			Quality: points.Quality(rapid.IntRange(0, 2).Draw(t, "quality")), Pressed: rapid.Bool().Draw(t, "pressed"), At: si.Instant(at)}
		if s.Quality != points.NoReply {
			s.Value = si.GaugePressure(value.Draw(t, "value"))
		}
		b.Samples = append(b.Samples, s)
	}
	return b
}

// Whatever is written comes back, and no bit of a frame can be turned without its being noticed.
func TestRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		b := drawBatch(t)
		if !b.Fits() {
			t.Fatal("does not fit")
		}
		raw := frame.AppendBatch([]byte("before"), id.Salt(), b)[len("before"):]
		if len(raw) > frame.Room(b.Pot, len(b.Samples)) || len(raw) > frame.Max {
			t.Fatalf("%d bytes, more than %d", len(raw), frame.Room(b.Pot, len(b.Samples)))
		}
		f, ok := frame.At(raw, id.Salt())
		back := frame.Batch{Pot: "other", Samples: make([]points.Sample, 3)}
		if !ok || f.Size != len(raw) {
			t.Fatal("not found")
		}
		if err := back.Decode(f.Body); err != nil {
			t.Fatal(err)
		}
		span, err := frame.Span(f.Body)
		if err != nil || span.From != b.First || span.To != b.First+uint64(len(b.Samples)) {
			t.Fatalf("span %+v, %v", span, err)
		}
		if back.First != b.First || back.Pot != b.Pot || back.Epoch != b.Epoch || !slices.EqualFunc(back.Samples, b.Samples, same) {
			t.Fatalf("%+v\n%+v", b, back)
		}
		bit := rapid.IntRange(0, 8*len(raw)-1).Draw(t, "bit")
		raw[bit/8] ^= 1 << (bit % 8)
		if _, ok := frame.At(raw, id.Salt()); ok {
			t.Fatalf("bit %d turned, and not noticed", bit)
		}
	})
}

func TestMarks(t *testing.T) {
	m := frame.Mark{ID: id, Segment: 7, Next: 1000, Limit: 2024, Oldest: 12, Lost: 40, Acknowledged: 900, Running: 90 * time.Minute,
		Holes: []frame.Range{{From: 0, To: 12}, {From: 500, To: 528}}}
	for _, k := range []frame.Kind{frame.KindHead, frame.KindMark} {
		raw := frame.AppendMark(nil, k, &m)
		f, ok := frame.At(raw, 0)
		got, err := frame.DecodeMark(f.Kind, f.Body)
		if !ok || err != nil || got.ID != m.ID || got.Segment != 7 || got.Next != 1000 || got.Limit != 2024 || got.Oldest != 12 ||
			got.Lost != 40 || got.Acknowledged != 900 || got.Running != m.Running || k == frame.KindHead && !slices.Equal(got.Holes, m.Holes) {
			t.Errorf("%c: %+v, %v, %v", k, got, ok, err)
		}
		for n := range len(f.Body) {
			if _, err := frame.DecodeMark(k, f.Body[:n]); err != frame.ErrBody {
				t.Errorf("%c: %d of %d bytes: %v", k, n, len(f.Body), err)
			}
		}
	}
	for name, bad := range map[string]frame.Mark{"limit before next": {Next: 2, Limit: 1}, "oldest behind next": {Next: 1, Limit: 1, Oldest: 2},
		"empty hole": {Holes: []frame.Range{{From: 3, To: 3}}}} {
		f, ok := frame.At(frame.AppendMark(nil, frame.KindHead, &bad), 0)
		if _, err := frame.DecodeMark(f.Kind, f.Body); !ok || err != frame.ErrBody {
			t.Errorf("%s: %v", name, err)
		}
	}
}

func TestFits(t *testing.T) {
	good := frame.Batch{Pot: "alder", Samples: make([]points.Sample, frame.MaxSamples)}
	if !good.Fits() {
		t.Error("the largest batch does not fit")
	}
	for name, change := range map[string]func(*frame.Batch){
		"no samples":           func(b *frame.Batch) { b.Samples = nil },
		"too many":             func(b *frame.Batch) { b.Samples = make([]points.Sample, frame.MaxSamples+1) },
		"no name":              func(b *frame.Batch) { b.Pot = "" },
		"a long name":          func(b *frame.Batch) { b.Pot = strings.Repeat("a", frame.MaxName+1) },
		"no such point":        func(b *frame.Batch) { b.Samples = []points.Sample{{Point: points.Count}} },
		"no such quality":      func(b *frame.Batch) { b.Samples = []points.Sample{{Quality: 3}} },
		"positions that ended": func(b *frame.Batch) { b.First = math.MaxUint64 },
	} {
		b := good
		if change(&b); b.Fits() {
			t.Errorf("%s: fits", name)
		}
	}
}

func TestMarker(t *testing.T) {
	for text, want := range map[string]int{"": 0, "abc": 3, "\xb1j": 0, "a\xb1j": 1, "\xb1\xb1j": 1, "ab\xb1": 2, "\xb1k\xb1": 2} {
		if got := frame.Marker([]byte(text)); got != want {
			t.Errorf("%q: %d, want %d", text, got, want)
		}
	}
}

// FuzzDecode: whatever bytes come, nothing panics, no more is made of them than they can hold, and what is read
// comes back from being written again.
func FuzzDecode(f *testing.F) {
	b := frame.Batch{First: 9, Pot: "alder", Epoch: 1e15, Samples: []points.Sample{{Point: points.Vessel, Quality: points.Good, At: 1e15, Value: 7e5}, {At: 1e15 + 9}}}
	f.Add(frame.AppendBatch(nil, id.Salt(), b))
	f.Add(frame.AppendBatch(nil, id.Salt(), b)[frame.Overhead:])
	m := frame.Mark{ID: id, Next: 5, Limit: 9, Holes: []frame.Range{{From: 1, To: 2}}}
	f.Add(frame.AppendMark(nil, frame.KindHead, &m))
	f.Add(frame.AppendMark(nil, frame.KindHead, &m)[frame.Overhead:])
	f.Fuzz(func(t *testing.T, raw []byte) {
		if fr, ok := frame.At(raw, id.Salt()); ok && (fr.Size > len(raw) || len(fr.Body) != fr.Size-frame.Overhead) {
			t.Fatalf("%+v of %d bytes", fr, len(raw))
		}
		if n := frame.Marker(raw); n < 0 || n > len(raw) {
			t.Fatalf("marker at %d", n)
		}
		var got frame.Batch
		if got.Decode(raw) == nil {
			if cap(got.Samples) > max(8, 2*len(raw)) || !got.Fits() {
				t.Fatalf("%d samples (room for %d) of %d bytes", len(got.Samples), cap(got.Samples), len(raw))
			}
			again := frame.AppendBatch(nil, id.Salt(), got)
			var back frame.Batch
			if back.Decode(again[frame.Overhead:]) != nil || back.First != got.First || back.Pot != got.Pot || back.Epoch != got.Epoch ||
				!slices.EqualFunc(back.Samples, got.Samples, same) {
				t.Fatalf("%+v\n%+v", got, back)
			}
		} else if cap(got.Samples) > max(8, 2*len(raw)) {
			t.Fatalf("room for %d samples of %d bytes", cap(got.Samples), len(raw))
		}
		for _, k := range []frame.Kind{frame.KindHead, frame.KindMark} {
			m, err := frame.DecodeMark(k, raw)
			if err != nil {
				continue
			}
			again := frame.AppendMark(nil, k, &m)
			back, err := frame.DecodeMark(k, again[frame.Overhead:])
			if err != nil || back.Limit != m.Limit || back.Running != m.Running || !slices.Equal(back.Holes, m.Holes) {
				t.Fatalf("%+v\n%+v", m, back)
			}
		}
	})
}
