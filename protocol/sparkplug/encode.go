package sparkplug

import (
	"fmt"
	"slices"

	"google.golang.org/protobuf/proto"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
	"gritwatch/protocol/sparkplug/payload"
)

// EncodeBirth is the payload of an NBIRTH or DBIRTH published at at: names, data types and units stand with every metric,
// and the alias where it has one. It sorts ms by time, in place; a metric without a time gets at.
func EncodeBirth(at si.Instant, seq uint8, ms []Metric) ([]byte, error) {
	for i := range ms {
		if ms[i].At == 0 {
			ms[i].At = at
		}
		if ms[i].Type == Unknown {
			return nil, fmt.Errorf("birth metric %q has no data type", ms[i].Name)
		}
		if ms[i].Value.IsNone() && !ms[i].Null {
			return nil, fmt.Errorf("birth metric %q has neither a value nor null", ms[i].Name)
		}
		if ms[i].Name == points.MetricRebirth && ms[i].Aliased {
			return nil, fmt.Errorf("birth metric %q has an alias; every host must be able to name it", ms[i].Name)
		}
	}
	return encode(at, &seq, ms, birth)
}

// EncodeData is the payload of an NDATA or DDATA published at at; a metric with an alias goes without its name. It sorts
// ms by time, in place. All are live, or all are historical.
func EncodeData(at si.Instant, seq uint8, ms []Metric) ([]byte, error) {
	for i := range ms {
		if ms[i].At == 0 {
			return nil, fmt.Errorf("data metric %q has no time", ms[i].Name)
		}
		if ms[i].Value.IsNone() && !ms[i].Null {
			return nil, fmt.Errorf("data metric %q has neither a value nor null", ms[i].Name)
		}
		if ms[i].Historical != ms[0].Historical {
			return nil, fmt.Errorf("data metric %q: live and historical metrics in one message", ms[i].Name)
		}
	}
	return encode(at, &seq, ms, data)
}

// EncodeNodeDeath is the payload of an NDEATH: bdSeq alone, no sequence number.
func EncodeNodeDeath(at si.Instant, bdSeq uint8) []byte {
	b, err := encode(at, nil, []Metric{BdSeq(at, bdSeq)}, birth)
	if err != nil {
		panic("sparkplug: node death does not encode: " + err.Error())
	}
	return b
}

// EncodeDeviceDeath is the payload of a DDEATH.
func EncodeDeviceDeath(at si.Instant, seq uint8) []byte {
	b, err := encode(at, &seq, nil, data)
	if err != nil {
		panic("sparkplug: device death does not encode: " + err.Error())
	}
	return b
}

// EncodeCommand is the payload of an NCMD or DCMD: no sequence number. Data types stand with it, although they should not:
// npm's sparkplug-payload finds no value in a metric without one, and edge nodes made with it would not obey.
func EncodeCommand(at si.Instant, ms []Metric) ([]byte, error) { return encode(at, nil, ms, command) }

// A form is what stands with a metric.
type form uint8

const (
	birth   form = iota // name and alias, data type, unit
	data                // name, or alias where there is one
	command             // name, or alias where there is one; data type
)

func encode(at si.Instant, seq *uint8, ms []Metric, as form) ([]byte, error) {
	slices.SortStableFunc(ms, func(a, b Metric) int {
		return int(max(-1, min(1, int64(a.At/1000)-int64(b.At/1000))))
	})
	at = max(at, 0)
	p := &payload.Payload{Timestamp: proto.Uint64(uint64(at) / 1000), Metrics: make([]*payload.Metric, 0, len(ms))}
	if seq != nil {
		p.Seq = proto.Uint64(uint64(*seq))
	}
	if len(ms) > MaxMetrics {
		return nil, fmt.Errorf("payload of %d metrics; the most is %d", len(ms), MaxMetrics)
	}
	for i := range ms {
		m := &ms[i]
		if why := checkName([]byte(m.Name)); why != "" {
			return nil, fmt.Errorf("metric %.40q: %s", m.Name, why)
		}
		if m.Name == "" && (as == birth || !m.Aliased) {
			return nil, fmt.Errorf("metric %d of the payload has no name", i)
		}
		if m.Type != Unknown && !m.Null && !m.Type.Holds(m.Value) {
			return nil, fmt.Errorf("metric %q: its value is not of data type %d", m.Name, m.Type)
		}
		if m.At < 0 || m.At > maxMillis*1000 {
			return nil, fmt.Errorf("metric %q: time %d us is not between 1970 and 9999", m.Name, m.At)
		}
		p.Metrics = append(p.Metrics, wire(m, as))
	}
	b, err := proto.MarshalOptions{Deterministic: true}.Marshal(p)
	if err != nil {
		return nil, fmt.Errorf("payload: %w", err)
	}
	if len(b) > MaxPayload {
		return nil, fmt.Errorf("payload of %d bytes; the most is %d", len(b), MaxPayload)
	}
	return b, nil
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
