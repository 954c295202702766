package sparkplug

import (
	"fmt"
	"slices"

	"google.golang.org/protobuf/encoding/protowire"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
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
	inOrder := func(a, b Metric) int { return int(max(-1, min(1, int64(a.At/1000)-int64(b.At/1000)))) }
	if !slices.IsSortedFunc(ms, inOrder) {
		slices.SortStableFunc(ms, inOrder)
	}
	if len(ms) > MaxMetrics {
		return nil, fmt.Errorf("payload of %d metrics; the most is %d", len(ms), MaxMetrics)
	}
	b := make([]byte, 0, 32+32*len(ms))
	b = appendVarint(b, 1, uint64(max(at, 0))/1000)
	var one [256]byte // what a metric has but for long names and texts
	for i := range ms {
		m := &ms[i]
		if why := checkName(m.Name); why != "" {
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
		b = protowire.AppendTag(b, 2, protowire.BytesType)
		b = protowire.AppendBytes(b, appendMetric(one[:0], m, as))
	}
	if seq != nil {
		b = appendVarint(b, 3, uint64(*seq))
	}
	if len(b) > MaxPayload {
		return nil, fmt.Errorf("payload of %d bytes; the most is %d", len(b), MaxPayload)
	}
	return b, nil
}

// appendMetric appends a metric's fields in the order of their numbers. It is written by hand, as reading is: a message has
// dozens of metrics, and the generated code wants each of their fields on the heap. The tests hold it to the generated code.
func appendMetric(b []byte, m *Metric, as form) []byte {
	if as == birth || !m.Aliased {
		b = appendText(b, 1, m.Name)
	}
	if m.Aliased {
		b = appendVarint(b, 2, m.Alias)
	}
	if m.At != 0 {
		b = appendVarint(b, 3, uint64(m.At)/1000)
	}
	if as != data {
		b = appendVarint(b, 4, uint64(m.Type))
	}
	if m.Historical {
		b = appendVarint(b, 5, 1)
	}
	if m.Null {
		b = appendVarint(b, 7, 1)
	}
	if unit := as == birth && m.Unit != ""; unit || m.Quality != points.Good {
		b = protowire.AppendTag(b, 9, protowire.BytesType)
		b = protowire.AppendBytes(b, appendProperties(nil, m, unit))
	}
	if m.Null {
		return b
	}
	switch v := m.Value; v.member {
	case intMember:
		b = appendVarint(b, 10, uint64(uint32(v.bits)))
	case longMember:
		b = appendVarint(b, 11, v.bits)
	case floatMember:
		b = protowire.AppendFixed32(protowire.AppendTag(b, 12, protowire.Fixed32Type), uint32(v.bits))
	case doubleMember:
		b = protowire.AppendFixed64(protowire.AppendTag(b, 13, protowire.Fixed64Type), v.bits)
	case boolMember:
		b = appendVarint(b, 14, v.bits)
	case textMember:
		b = appendText(b, 15, v.text)
	}
	return b
}

// appendProperties appends the unit, if asked for, and a quality that is not good: keys first, then values.
func appendProperties(b []byte, m *Metric, unit bool) []byte {
	bad := m.Quality != points.Good
	if unit {
		b = appendText(b, 1, points.PropertyUnit)
	}
	if bad {
		b = appendText(b, 1, points.PropertyQuality)
	}
	if unit {
		v := appendVarint(nil, 1, uint64(String))
		b = protowire.AppendTag(b, 2, protowire.BytesType)
		b = protowire.AppendBytes(b, appendText(v, 8, m.Unit))
	}
	if bad {
		v := appendVarint(nil, 1, uint64(Int32))
		b = protowire.AppendTag(b, 2, protowire.BytesType)
		b = protowire.AppendBytes(b, appendVarint(v, 3, uint64(uint32(m.Quality.Code()))))
	}
	return b
}

func appendVarint(b []byte, field protowire.Number, v uint64) []byte {
	return protowire.AppendVarint(protowire.AppendTag(b, field, protowire.VarintType), v)
}

func appendText(b []byte, field protowire.Number, s string) []byte {
	return protowire.AppendString(protowire.AppendTag(b, field, protowire.BytesType), s)
}
