package sparkplug_test

import (
	"bytes"
	"errors"
	"math"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protowire"
	"pgregory.net/rapid"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug"
)

func TestTopics(t *testing.T) {
	for _, topic := range []string{
		"spBv1.0/harrow-quay/NBIRTH/quay-1", "spBv1.0/harrow-quay/NDEATH/quay-1", "spBv1.0/harrow-quay/NDATA/quay-1",
		"spBv1.0/harrow-quay/NCMD/quay-1", "spBv1.0/harrow-quay/DBIRTH/quay-1/alder", "spBv1.0/harrow-quay/DDEATH/quay-1/alder",
		"spBv1.0/harrow-quay/DDATA/quay-1/alder", "spBv1.0/harrow-quay/DCMD/quay-1/alder", "spBv1.0/STATE/gritwatch",
	} {
		p, err := sparkplug.ParseTopic(topic)
		if err != nil || p.String() != topic {
			t.Errorf("%s: read as %+v, %v", topic, p, err)
		}
	}
	for _, topic := range []string{
		"", "spBv1.0", "spAv1.0/a/NBIRTH/b", "spBv1.0/a/NBIRTH", "spBv1.0/a/NBIRTH/b/c", "spBv1.0/a/DDATA/b", "spBv1.0/a/XDATA/b",
		"spBv1.0/a/STATE/b", "spBv1.0//NDATA/b", "spBv1.0/a/NDATA/", "spBv1.0/+/NDATA/b", "spBv1.0/a/NDATA/#", "spBv1.0/STATE/a/b",
		"spBv1.0/a/DDATA/b/c/d", "spBv1.0/a/NDATA/\xff", "spBv1.0/a/NDATA/b\x00", "spBv1.0/STATE/NDATA/b",
		"spBv1.0/a/NDATA/" + strings.Repeat("b", 129), strings.Repeat("x", 1<<16),
	} {
		if p, err := sparkplug.ParseTopic(topic); err == nil {
			t.Errorf("%.60q: read as %+v", topic, p)
		}
	}
}

func TestState(t *testing.T) {
	s := sparkplug.State{Online: true, At: at}
	if got := string(s.Encode()); got != `{"online":true,"timestamp":1760000000123}` {
		t.Errorf("encodes to %s", got)
	}
	if got, err := sparkplug.DecodeState(s.Encode()); err != nil || got != s {
		t.Errorf("reads %+v, %v", got, err)
	}
	for _, text := range []string{"ONLINE", "{}", `{"online":"true","timestamp":1}`, `{"online":true,"timestamp":"1"}`,
		`{"online":true,"timestamp":-1}`, `{"online":true,"timestamp":1.5}`, `{"online":true}`, strings.Repeat(" ", 5000)} {
		if got, err := sparkplug.DecodeState([]byte(text)); err == nil {
			t.Errorf("%.40q: read as %+v", text, got)
		}
	}
}

func TestSeq(t *testing.T) {
	var c sparkplug.Counter
	var o sparkplug.Order
	if o.Take(0) {
		t.Error("a message before any birth is in order")
	}
	o.Birth(c.Birth())
	for i := range 1000 {
		n := c.Next()
		if int(n) != (i+1)%256 || !o.Take(n) {
			t.Fatalf("message %d has number %d", i+1, n)
		}
	}
	c.Next()
	if o.Take(c.Next()) || !o.Take(c.Next()) {
		t.Error("a hole is told once, where it is")
	}
	if n := c.Birth(); n != 0 || c.Next() != 1 {
		t.Error("a birth does not begin anew")
	}
	if sparkplug.NextBdSeq(255) != 0 || sparkplug.NextBdSeq(6) != 7 {
		t.Error("bdSeq does not run 0 to 255")
	}
}

func TestAhead(t *testing.T) {
	var o sparkplug.Order
	if o.Ahead(7) != 0 {
		t.Error("ahead of nothing")
	}
	o.Birth(0)
	for seq := range 255 {
		if !o.Take(uint8(seq + 1)) {
			t.Fatal("not in order")
		}
	}
	for seq, want := range map[uint8]uint8{0: 0, 1: 1, 31: 31, 255: 255} {
		if got := o.Ahead(seq); got != want {
			t.Errorf("%d is %d ahead, want %d", seq, got, want)
		}
	}
}

// Aliases mean what the last birth said, and nothing else.
func TestAliases(t *testing.T) {
	var a sparkplug.Aliases
	m := func(name string, alias uint64) sparkplug.Metric {
		return sparkplug.Metric{Name: name, Alias: alias, Aliased: true, Type: sparkplug.Float}
	}
	resolve := func(ms ...sparkplug.Metric) ([]sparkplug.Metric, error) { return ms, a.Resolve(ms) }
	if _, err := resolve(m("", 0)); err == nil {
		t.Error("an alias before any birth")
	}
	if err := a.Born([]sparkplug.Metric{m("x", 0), m("y", 1<<63), {Name: "z"}}); err != nil {
		t.Fatal(err)
	}
	got, err := resolve(m("", 1<<63), m("x", 0), sparkplug.Metric{Name: "z"}, sparkplug.Metric{Alias: 0, Aliased: true})
	if err != nil || got[0].Name != "y" || got[1].Name != "x" || got[2].Name != "z" || got[3].Name != "x" || got[3].Type != sparkplug.Float {
		t.Errorf("%+v, %v", got, err)
	}
	for _, bad := range []sparkplug.Metric{m("", 2), m("y", 0)} {
		if _, err := resolve(bad); err == nil {
			t.Errorf("%+v taken", bad)
		} else if u, ok := errors.AsType[*sparkplug.UnknownAliasError](err); !ok || u.Alias != bad.Alias || u.Name != bad.Name {
			t.Errorf("%+v: %v", bad, err)
		}
	}
	if err := a.Born([]sparkplug.Metric{m("x", 5), m("y", 5)}); err == nil {
		t.Error("one alias for two names")
	}
	for _, n := range []uint64{0, 5} {
		if _, err := resolve(m("", n)); err == nil {
			t.Errorf("alias %d known after a birth that was refused", n)
		}
	}
	if err := a.Born([]sparkplug.Metric{m("", 5)}); err == nil {
		t.Error("a birth without a name")
	}
}

// Samples survive the wire: time cut to ms, value to 32 bits, quality as it was.
func TestSamplesSurvive(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		electric := rapid.Bool().Draw(t, "electric")
		in := points.Sample{
			Point:   points.Point(rapid.IntRange(0, points.Count-1).Draw(t, "point")),
			Quality: points.Quality(rapid.IntRange(0, 2).Draw(t, "quality")),
			At:      si.Instant(rapid.Int64Range(1000, 4e15).Draw(t, "at")),
			Value:   si.GaugePressure(rapid.Float64Range(-1e5, 3e6).Draw(t, "value")),
		}
		if electric && in.Point == points.Control {
			in.Pressed, in.Value = rapid.Bool().Draw(t, "pressed"), 0
		}
		want := in
		want.At -= want.At % 1000
		want.Value = si.GaugePressure(float32(want.Value))
		if in.Quality == points.NoReply {
			want.Value, want.Pressed = 0, false
		}
		for name, encode := range map[string]func(si.Instant, uint8, []sparkplug.Metric) ([]byte, error){
			"birth": sparkplug.EncodeBirth, "data": sparkplug.EncodeData} {
			b, err := encode(at, 3, []sparkplug.Metric{sparkplug.OfSample(in, electric)})
			if err != nil {
				t.Fatal(err)
			}
			m, err := sparkplug.Decode(b)
			if err != nil || len(m.Metrics) != 1 {
				t.Fatalf("%s: %v", name, err)
			}
			got, ok := m.Metrics[0].Sample()
			if !ok || got != want {
				t.Fatalf("%s: %+v came back as %+v", name, in, got)
			}
		}
	})
}

func TestNothingIsNeverGood(t *testing.T) {
	vessel := points.Vessel.Metric()
	for name, m := range map[string]sparkplug.Metric{
		"null":      {Name: vessel, Null: true, Value: sparkplug.FloatValue(1), Quality: points.Good},
		"no value":  {Name: vessel, Quality: points.Good},
		"text":      {Name: vessel, Value: sparkplug.TextValue("0"), Quality: points.Good},
		"NaN":       {Name: vessel, Value: sparkplug.FloatValue(float32(math.NaN())), Quality: points.Good},
		"infinite":  {Name: vessel, Value: sparkplug.FloatValue(float32(math.Inf(-1))), Quality: points.Good},
		"no switch": {Name: points.MetricControlPressed, Value: sparkplug.UintValue(0), Quality: points.Good},
	} {
		if s, ok := m.Sample(); !ok || s.Quality == points.Good || s.Value != 0 {
			t.Errorf("%s: read as %+v", name, s)
		}
	}
	m := sparkplug.OfSample(points.Sample{Point: points.Vessel, Quality: points.Good, At: at, Value: si.GaugePressure(math.NaN())}, false)
	if !m.Null || m.Quality != points.OutOfRange {
		t.Errorf("a reading that is not a number goes out as %+v", m)
	}
}

func TestEncodeRefuses(t *testing.T) {
	live, late := sparkplug.Bool("a", at, true), sparkplug.Bool("b", at, true)
	late.Historical = true
	if _, err := sparkplug.EncodeData(at, 0, []sparkplug.Metric{live, late}); err == nil {
		t.Error("live and historical in one message")
	}
	if _, err := sparkplug.EncodeData(at, 0, []sparkplug.Metric{sparkplug.Bool("a", 0, true)}); err == nil {
		t.Error("data without a time")
	}
	if _, err := sparkplug.EncodeData(at, 0, []sparkplug.Metric{sparkplug.Bool("a", -1, true)}); err == nil {
		t.Error("a time before 1970")
	}
	if _, err := sparkplug.EncodeBirth(at, 0, []sparkplug.Metric{{Name: "a", Value: sparkplug.BoolValue(true)}}); err == nil {
		t.Error("a birth without a type")
	}
	if _, err := sparkplug.EncodeBirth(at, 0, []sparkplug.Metric{{Name: "a", Type: sparkplug.Float}}); err == nil {
		t.Error("a birth with neither value nor null")
	}
	for name, m := range map[string]sparkplug.Metric{
		"no name":                {Type: sparkplug.Boolean, At: at, Value: sparkplug.BoolValue(true)},
		"alias without a name":   {Alias: 3, Aliased: true, Type: sparkplug.Boolean, At: at, Value: sparkplug.BoolValue(true)},
		"rebirth with an alias":  {Name: points.MetricRebirth, Alias: 3, Aliased: true, Type: sparkplug.Boolean, At: at, Value: sparkplug.BoolValue(true)},
		"value of another type":  {Name: "a", Type: sparkplug.Float, At: at, Value: sparkplug.BoolValue(true)},
		"whole number for float": {Name: "a", Type: sparkplug.Float, At: at, Value: sparkplug.UintValue(1)},
		"UInt32":                 {Name: "a", Type: sparkplug.UInt32, At: at, Value: sparkplug.UintValue(1)},
	} {
		if _, err := sparkplug.EncodeBirth(at, 0, []sparkplug.Metric{m}); err == nil {
			t.Errorf("birth of a metric with %s", name)
		}
	}
	for name, m := range map[string]sparkplug.Metric{
		"no name":                    {At: at, Value: sparkplug.BoolValue(true)},
		"value of another type":      {Name: "a", Type: sparkplug.Float, At: at, Value: sparkplug.BoolValue(true)},
		"neither a value nor null":   {Name: "a", At: at},
		"alias, and nothing besides": {Alias: 3, Aliased: true, At: at},
	} {
		if _, err := sparkplug.EncodeData(at, 0, []sparkplug.Metric{m}); err == nil {
			t.Errorf("data of a metric with %s", name)
		}
	}
	if _, err := sparkplug.EncodeData(at, 0, make([]sparkplug.Metric, sparkplug.MaxMetrics+1)); err == nil {
		t.Error("too many metrics")
	}
}

// build makes a payload of one metric from raw fields.
func build(metric ...[]byte) []byte {
	return protowire.AppendBytes(protowire.AppendTag(nil, 2, protowire.BytesType), bytes.Join(metric, nil))
}

func text(n protowire.Number, s string) []byte {
	return protowire.AppendString(protowire.AppendTag(nil, n, protowire.BytesType), s)
}

func varint(n protowire.Number, v uint64) []byte {
	return protowire.AppendVarint(protowire.AppendTag(nil, n, protowire.VarintType), v)
}

func TestDecodeSaysWhere(t *testing.T) {
	good := build(text(1, "a"), varint(11, 1))
	for name, c := range map[string]struct {
		b      []byte
		offset int
		metric int
		why    string
	}{
		"cut short":      {good[:len(good)-1], 0, -1, "field 2"},
		"long name":      {append(good, build(text(1, strings.Repeat("n", 257)))...), len(good) + 3, 1, "name of 257 bytes"},
		"name not UTF-8": {build(text(1, "\xff")), 2, 0, "UTF-8"},
		"seq":            {varint(3, 256), 0, -1, "seq 256"},
		"far future":     {build(varint(3, 1<<62)), 2, 0, "year 9999"},
		"wire type":      {build(text(12, "x")), 2, 0, "wire type"},
		"data type":      {build(varint(4, 35)), 2, 0, "data type 35"},
		"group":          {protowire.AppendTag(nil, 9, protowire.StartGroupType), 0, -1, "group"},
		"properties":     {build(text(9, string(text(1, "Quality")))), 4, 0, "1 property keys, 0 values"},
		"too many":       {bytes.Repeat([]byte{0x12, 0}, sparkplug.MaxMetrics+1), 2 * sparkplug.MaxMetrics, -1, "more than 20000"},
		"too long":       {make([]byte, sparkplug.MaxPayload+1), sparkplug.MaxPayload, -1, "the most is"},
		"zero bytes":     {make([]byte, 8), 0, -1, "tag"},
	} {
		m, err := sparkplug.Decode(c.b)
		where, ok := errors.AsType[*sparkplug.CorruptError](err)
		if !ok {
			t.Errorf("%s: %v, %+v", name, err, m)
			continue
		}
		if where.Offset != c.offset || where.Metric != c.metric || !strings.Contains(where.Why, c.why) {
			t.Errorf("%s: %v, want byte %d, metric %d, %q", name, err, c.offset, c.metric, c.why)
		}
	}
}

// A property named Quality that cannot be understood takes the reading's worth away.
func TestQualityNotUnderstood(t *testing.T) {
	for name, value := range map[string][]byte{
		"text": text(8, "192"), "null": append(varint(2, 1), varint(3, 192)...), "none": nil, "unknown code": varint(3, 7),
		"negative": varint(3, math.MaxUint32),
	} {
		props := append(text(1, "Quality"), text(2, string(value))...)
		b := build(text(1, "Pressure/Vessel"), varint(3, 1), append(protowire.AppendTag(nil, 12, protowire.Fixed32Type), 0, 0, 0, 0), text(9, string(props)))
		m, err := sparkplug.Decode(b)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if s, ok := m.Metrics[0].Sample(); !ok || s.Quality != points.OutOfRange {
			t.Errorf("%s: read as %+v", name, s)
		}
	}
}

// The largest payload allowed, of the smallest metrics, takes memory in proportion.
func TestDecodeMemory(t *testing.T) {
	b := bytes.Repeat([]byte{0x12, 0}, sparkplug.MaxMetrics)
	if n := testing.AllocsPerRun(3, func() {
		if _, err := sparkplug.Decode(b); err != nil {
			t.Fatal(err)
		}
	}); n > 2*sparkplug.MaxMetrics+10 {
		t.Errorf("%v allocations for %d metrics", n, sparkplug.MaxMetrics)
	}
	nested := make([]byte, 0, sparkplug.MaxPayload)
	nested = protowire.AppendTag(nested, 17, protowire.BytesType)
	nested = protowire.AppendBytes(nested, bytes.Repeat([]byte{0x22, 0}, 400_000)) // 400,000 empty rows of a data set
	if n := testing.AllocsPerRun(3, func() {
		if _, err := sparkplug.Decode(build(nested)); err != nil {
			t.Fatal(err)
		}
	}); n > 20 {
		t.Errorf("%v allocations for a data set that is not read", n)
	}
}
