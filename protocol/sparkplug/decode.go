package sparkplug

import (
	"fmt"
	"math"
	"unicode/utf8"

	"google.golang.org/protobuf/encoding/protowire"

	"gritwatch/protocol/points"
	"gritwatch/protocol/si"
)

// Bounds of a payload. What passes them is refused whole.
const (
	MaxPayload = 1 << 20 // bytes
	MaxMetrics = 20_000
	MaxName    = 256     // bytes
	maxText    = 1 << 16 // bytes of a string value
	maxProps   = 64      // properties of one metric
	maxMillis  = 253_402_300_799_999
)

// A Message is a payload that was read.
type Message struct {
	At      si.Instant // of publishing; 0: absent
	Seq     uint8
	HasSeq  bool
	Metrics []Metric
}

// BdSeq is the number that ties births to deaths; false where there is none or it is not 0 to 255.
func (m Message) BdSeq() (uint8, bool) {
	for i := range m.Metrics {
		if m.Metrics[i].Name == points.MetricBdSeq {
			n, ok := m.Metrics[i].Value.Uint()
			return uint8(n), ok && n <= 255 && !m.Metrics[i].Null
		}
	}
	return 0, false
}

// Find is the last metric of a name; nil where there is none.
func (m Message) Find(name string) *Metric {
	for i := len(m.Metrics) - 1; i >= 0; i-- {
		if m.Metrics[i].Name == name {
			return &m.Metrics[i]
		}
	}
	return nil
}

// A CorruptError says where a payload cannot be read, and why.
type CorruptError struct {
	Offset int    // byte in the payload
	Metric int    // index of the metric; -1: not within one
	Why    string // "name of 300 bytes; the most is 256"
}

func (e *CorruptError) Error() string {
	if e.Metric >= 0 {
		return fmt.Sprintf("Sparkplug payload: byte %d, metric %d: %s", e.Offset, e.Metric, e.Why)
	}
	return fmt.Sprintf("Sparkplug payload: byte %d: %s", e.Offset, e.Why)
}

// reader walks protobuf fields and knows where it is. It is written by hand rather than generated so that a small
// payload cannot unfold into a large structure, and so that errors name a byte.
type reader struct {
	b      []byte
	base   int // offset of b in the payload
	metric int
}

func (r *reader) fail(at int, format string, args ...any) error {
	return &CorruptError{Offset: r.base + at, Metric: r.metric, Why: fmt.Sprintf(format, args...)}
}

// A field is one field of a message: number, wire type, and its value by that type.
type field struct {
	num  protowire.Number
	typ  protowire.Type
	n    uint64 // varint, fixed32, fixed64
	b    []byte // bytes
	at   int    // offset of the field in the reader
	body int    // offset of b in the reader
}

// each calls f for every field in order.
func (r *reader) each(f func(field) error) error {
	for i := 0; i < len(r.b); {
		num, typ, n := protowire.ConsumeTag(r.b[i:])
		if n < 0 {
			return r.fail(i, "tag: %v", protowire.ParseError(n))
		}
		fl := field{num: num, typ: typ, at: i}
		i += n
		rest := r.b[i:]
		switch typ {
		case protowire.VarintType:
			fl.n, n = protowire.ConsumeVarint(rest)
		case protowire.Fixed32Type:
			var v uint32
			v, n = protowire.ConsumeFixed32(rest)
			fl.n = uint64(v)
		case protowire.Fixed64Type:
			fl.n, n = protowire.ConsumeFixed64(rest)
		case protowire.BytesType:
			fl.b, n = protowire.ConsumeBytes(rest)
			fl.body = i + n - len(fl.b)
		default:
			// Groups are long out of use; none of the format's fields is one.
			return r.fail(fl.at, "field %d is a group", num)
		}
		if n < 0 {
			return r.fail(fl.at, "field %d: %v", num, protowire.ParseError(n))
		}
		i += n
		if err := f(fl); err != nil {
			return err
		}
	}
	return nil
}

// within is a reader of the bytes of a field.
func (r *reader) within(f field) *reader {
	return &reader{b: f.b, base: r.base + f.body, metric: r.metric}
}

// Decode reads a payload. Fields, value kinds and properties that the project does not use are skipped. Errors are
// *CorruptError. Strings are copies; the payload may be reused.
func Decode(b []byte) (Message, error) {
	var m Message
	r := &reader{b: b, metric: -1}
	if len(b) > MaxPayload {
		return m, r.fail(MaxPayload, "payload of %d bytes; the most is %d", len(b), MaxPayload)
	}
	count := 0
	err := r.each(func(f field) error {
		if f.num == 2 && f.typ == protowire.BytesType {
			count++
			if count > MaxMetrics {
				return r.fail(f.at, "more than %d metrics", MaxMetrics)
			}
		}
		return nil
	})
	if err != nil {
		return Message{}, err
	}
	m.Metrics = make([]Metric, 0, count)
	err = r.each(func(f field) error {
		switch {
		case f.num == 1 && f.typ == protowire.VarintType:
			at, err := r.instant(f)
			m.At = at
			return err
		case f.num == 3 && f.typ == protowire.VarintType:
			if f.n > 255 {
				return r.fail(f.at, "seq %d; it runs from 0 to 255", f.n)
			}
			m.Seq, m.HasSeq = uint8(f.n), true
		case f.num == 2 && f.typ == protowire.BytesType:
			in := r.within(f)
			in.metric = len(m.Metrics)
			metric, err := in.readMetric()
			if err != nil {
				return err
			}
			m.Metrics = append(m.Metrics, metric)
		case f.num <= 3:
			return r.fail(f.at, "field %d has wire type %d", f.num, f.typ)
		}
		return nil
	})
	if err != nil {
		return Message{}, err
	}
	return m, nil
}

func (r *reader) instant(f field) (si.Instant, error) {
	if f.n > maxMillis {
		return 0, r.fail(f.at, "time of %d ms lies after the year 9999", f.n)
	}
	return si.Instant(f.n * 1000), nil
}

// metricWire are the wire types of a metric's fields, by number; fields 8, 9, 17 to 19 are messages.
var metricWire = [20]protowire.Type{1: protowire.BytesType, 2: protowire.VarintType, 3: protowire.VarintType,
	4: protowire.VarintType, 5: protowire.VarintType, 6: protowire.VarintType, 7: protowire.VarintType,
	8: protowire.BytesType, 9: protowire.BytesType, 10: protowire.VarintType, 11: protowire.VarintType,
	12: protowire.Fixed32Type, 13: protowire.Fixed64Type, 14: protowire.VarintType, 15: protowire.BytesType,
	16: protowire.BytesType, 17: protowire.BytesType, 18: protowire.BytesType, 19: protowire.BytesType}

func (r *reader) readMetric() (Metric, error) {
	m := Metric{Quality: points.Good}
	err := r.each(func(f field) error {
		if f.num < 20 && f.typ != metricWire[f.num] {
			return r.fail(f.at, "field %d has wire type %d", f.num, f.typ)
		}
		switch f.num {
		case 1:
			m.Name = string(f.b)
			if why := checkName(m.Name); why != "" {
				return r.fail(f.at, "%s", why)
			}
		case 2:
			m.Alias, m.Aliased = f.n, true
		case 3:
			var err error
			m.At, err = r.instant(f)
			return err
		case 4:
			if f.n > uint64(lastType) {
				return r.fail(f.at, "data type %d is none of Sparkplug's", f.n)
			}
			m.Type = Type(f.n)
		case 5:
			m.Historical = f.n != 0
		case 7:
			m.Null = f.n != 0
		case 9:
			return r.within(f).properties(&m)
		case 10:
			m.Value = Value{member: intMember, bits: uint64(uint32(f.n))}
		case 11:
			m.Value = Value{member: longMember, bits: f.n}
		case 12:
			m.Value = Value{member: floatMember, bits: f.n}
		case 13:
			m.Value = Value{member: doubleMember, bits: f.n}
		case 14:
			m.Value = BoolValue(f.n != 0)
		case 15:
			if len(f.b) > maxText {
				return r.fail(f.at, "text of %d bytes; the most is %d", len(f.b), maxText)
			}
			if !utf8.Valid(f.b) {
				return r.fail(f.at, "text is not UTF-8")
			}
			m.Value = TextValue(string(f.b))
		case 16, 17, 18, 19:
			m.Value = Value{} // the last member of the oneof counts; this one is not read here
		}
		return nil
	})
	return m, err
}

// checkName says what is wrong with a metric's name; "" nothing.
func checkName(s string) string {
	switch {
	case len(s) > MaxName:
		return fmt.Sprintf("name of %d bytes; the most is %d", len(s), MaxName)
	case !utf8.ValidString(s):
		return "name is not UTF-8"
	}
	return ""
}

// properties reads quality and unit out of a property set.
func (r *reader) properties(m *Metric) error {
	quality, unit, keys, values := -1, -1, 0, 0
	err := r.each(func(f field) error {
		if f.num > 2 {
			return nil
		}
		if f.typ != protowire.BytesType {
			return r.fail(f.at, "property field %d has wire type %d", f.num, f.typ)
		}
		switch f.num {
		case 1:
			switch string(f.b) {
			case points.PropertyQuality:
				quality = keys
			case points.PropertyUnit:
				unit = keys
			}
			keys++
		case 2:
			values++
		}
		if keys > maxProps || values > maxProps {
			return r.fail(f.at, "more than %d properties", maxProps)
		}
		return nil
	})
	if err != nil {
		return err
	}
	if keys != values {
		return r.fail(0, "%d property keys, %d values", keys, values)
	}
	i := 0
	return r.each(func(f field) error {
		if f.num != 2 {
			return nil
		}
		at := i
		i++
		if at != quality && at != unit {
			return nil
		}
		v, err := r.within(f).property()
		if err != nil {
			return err
		}
		if at == quality {
			// A quality that cannot be read is not good.
			m.Quality = points.OutOfRange
			if n, ok := v.Uint(); ok && n <= math.MaxInt32 {
				m.Quality = points.QualityOf(int32(n))
			}
		} else {
			m.Unit, _ = v.Text()
		}
		return nil
	})
}

func (r *reader) property() (Value, error) {
	var v Value
	null := false
	err := r.each(func(f field) error {
		switch {
		case f.num == 2 && f.typ == protowire.VarintType:
			null = f.n != 0
		case f.num == 3 && f.typ == protowire.VarintType:
			v = Value{member: intMember, bits: uint64(uint32(f.n))}
		case f.num == 4 && f.typ == protowire.VarintType:
			v = Value{member: longMember, bits: f.n}
		case f.num == 8 && f.typ == protowire.BytesType:
			if len(f.b) > MaxName || !utf8.Valid(f.b) {
				return r.fail(f.at, "text of a property is not UTF-8 of at most %d bytes", MaxName)
			}
			v = TextValue(string(f.b))
		case f.num >= 3:
			v = Value{}
		}
		return nil
	})
	if null {
		v = Value{}
	}
	return v, err
}
