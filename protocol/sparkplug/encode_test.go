package sparkplug

import (
	"bytes"
	"math"
	"testing"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug/payload"
)

// TestAsGenerated: what is encoded is, byte for byte, what the code writes that protobuf's own compiler makes of the
// standard's payload.proto, with fields in the order of their numbers.
func TestAsGenerated(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		as := rapid.SampledFrom([]form{birth, data, command}).Draw(t, "form")
		at := si.Instant(rapid.Int64Range(0, maxMillis-100).Draw(t, "at") * 1000)
		var seq *uint8
		if rapid.Bool().Draw(t, "numbered") {
			n := rapid.Uint8().Draw(t, "seq")
			seq = &n
		}
		ms := rapid.SliceOfN(rapid.Custom(anyMetric), 0, 40).Draw(t, "metrics")
		for i := range ms {
			ms[i].At = at + si.Instant(i*1000) // in order; how they are sorted is another test's
		}
		p := &payload.Payload{Timestamp: proto.Uint64(uint64(at) / 1000)}
		for i := range ms {
			p.Metrics = append(p.Metrics, wire(&ms[i], as))
		}
		if seq != nil {
			p.Seq = proto.Uint64(uint64(*seq))
		}
		want, err := proto.MarshalOptions{Deterministic: true}.Marshal(p)
		if err != nil {
			t.Fatal(err)
		}
		got, err := encode(at, seq, ms, as)
		if err != nil || !bytes.Equal(got, want) {
			t.Fatalf("%v\n got %x\nwant %x", err, got, want)
		}
	})
}

// anyMetric is a metric that can be encoded.
func anyMetric(t *rapid.T) Metric {
	m := Metric{Name: rapid.StringMatching(`[A-Za-z/ äß]{1,100}`).Draw(t, "name"), Aliased: rapid.Bool().Draw(t, "aliased"), Alias: rapid.Uint64().Draw(t, "alias"),
		Historical: rapid.Bool().Draw(t, "historical"), Null: rapid.Bool().Draw(t, "null"),
		Quality: rapid.SampledFrom([]points.Quality{points.Good, points.OutOfRange, points.NoReply}).Draw(t, "quality"),
		Unit:    rapid.SampledFrom([]string{"", "Pa"}).Draw(t, "unit")}
	switch m.Type = rapid.SampledFrom([]Type{Int32, UInt64, Float, Double, Boolean, String}).Draw(t, "type"); m.Type {
	case Int32:
		m.Value = Value{member: intMember, bits: uint64(rapid.Uint32().Draw(t, "int"))}
	case UInt64:
		m.Value = UintValue(rapid.Uint64().Draw(t, "long"))
	case Float:
		m.Value = FloatValue(rapid.Float32().Draw(t, "float"))
	case Double:
		m.Value = Value{member: doubleMember, bits: math.Float64bits(rapid.Float64().Draw(t, "double"))}
	case Boolean:
		m.Value = BoolValue(rapid.Bool().Draw(t, "bool"))
	case String:
		m.Value = TextValue(rapid.String().Draw(t, "text"))
	}
	return m
}

// wire is the metric as protobuf has it.
func wire(m *Metric, as form) *payload.Metric {
	w := &payload.Metric{}
	if as == birth || !m.Aliased {
		w.Name = proto.String(m.Name)
	}
	if m.Aliased {
		w.Alias = proto.Uint64(m.Alias)
	}
	if m.At != 0 {
		w.Timestamp = proto.Uint64(uint64(m.At) / 1000)
	}
	if as != data {
		w.Datatype = proto.Uint32(uint32(m.Type))
	}
	if m.Historical {
		w.IsHistorical = proto.Bool(true)
	}
	if m.Null {
		w.IsNull = proto.Bool(true)
	} else {
		setValue(w, m.Value)
	}
	if as == birth && m.Unit != "" {
		w.Properties = &payload.PropertySet{}
		addProperty(w.Properties, points.PropertyUnit, &payload.PropertyValue{Type: proto.Uint32(uint32(String)),
			Value: &payload.PropertyValue_StringValue{StringValue: m.Unit}})
	}
	if m.Quality != points.Good {
		if w.Properties == nil {
			w.Properties = &payload.PropertySet{}
		}
		addProperty(w.Properties, points.PropertyQuality, &payload.PropertyValue{Type: proto.Uint32(uint32(Int32)),
			Value: &payload.PropertyValue_IntValue{IntValue: uint32(m.Quality.Code())}})
	}
	return w
}

func addProperty(s *payload.PropertySet, key string, v *payload.PropertyValue) {
	s.Keys = append(s.Keys, key)
	s.Values = append(s.Values, v)
}

func setValue(w *payload.Metric, v Value) {
	switch v.member {
	case intMember:
		w.Value = &payload.Metric_IntValue{IntValue: uint32(v.bits)}
	case longMember:
		w.Value = &payload.Metric_LongValue{LongValue: v.bits}
	case floatMember:
		f, _ := v.Float()
		w.Value = &payload.Metric_FloatValue{FloatValue: float32(f)}
	case doubleMember:
		f, _ := v.Float()
		w.Value = &payload.Metric_DoubleValue{DoubleValue: f}
	case boolMember:
		w.Value = &payload.Metric_BooleanValue{BooleanValue: v.bits == 1}
	case textMember:
		w.Value = &payload.Metric_StringValue{StringValue: v.text}
	}
}

// BenchmarkEncodeData is a message of half a second of six points.
func BenchmarkEncodeData(b *testing.B) {
	const at = si.Instant(1_760_000_000_000_000)
	ms := make([]Metric, 0, 34)
	for i := range uint64(30) {
		ms = append(ms, Metric{Alias: 1025 + i%6, Aliased: true, At: at + si.Instant(i*16_000), Value: FloatValue(650_000), Type: Float, Quality: points.Good})
	}
	b.ReportAllocs()
	for b.Loop() {
		if _, err := EncodeData(at, 7, ms); err != nil {
			b.Fatal(err)
		}
	}
}
