package yamlfile

import (
	"fmt"
	"strconv"
	"strings"
)

// A Map is a mapping of a file. The zero Map, and one whose problem was noted already, gives zero values and notes
// nothing more.
type Map struct {
	d        *Doc
	n        *node
	field    string
	optional bool
}

// A Value is a value of a file: of a key, or of a place in a list. The zero Value is absent.
type Value struct {
	d     *Doc
	n     *node
	field string
}

// Optional is the same mapping, whose getters give the zero value for an absent key without noting a problem. A key
// with nothing behind it is a problem all the same.
func (m Map) Optional() Map {
	m.optional = true
	return m
}

// Has tells whether the mapping has the key, and counts as asking for it.
func (m Map) Has(key string) bool {
	e := m.ask(key)
	return e != nil
}

// Field is the path of the mapping, such as "pots[1].vessel"; empty for the file itself.
func (m Map) Field() string { return m.field }

// Keys lists the keys as they stand in the file. It counts as asking for all of them.
func (m Map) Keys() []string {
	if m.n == nil {
		return nil
	}
	var out []string
	for _, e := range m.n.entries {
		e.asked = true
		out = append(out, e.key)
	}
	return out
}

// ask finds the entry of a key and notes that the key is known here.
func (m Map) ask(key string) *entry {
	if m.n == nil {
		return nil
	}
	known := false
	for _, k := range m.n.asked {
		known = known || k == key
	}
	if !known {
		m.n.asked = append(m.n.asked, key)
	}
	e := m.n.entry(key)
	if e != nil {
		e.asked = true
	}
	return e
}

// Get is the value of a key; absent (and noted as missing, unless optional) where there is none.
func (m Map) Get(key string) Value { return m.get(key, "") }

func (m Map) get(key, example string) Value {
	e := m.ask(key)
	if e == nil {
		if m.n != nil && !m.optional {
			text := "is missing"
			if example != "" {
				text += "; write for example " + key + ": " + example
			}
			m.d.note(m.n.line, join(m.field, key), text)
		}
		return Value{}
	}
	v := Value{m.d, e.value, join(m.field, key)}
	if e.value.kind == empty {
		v.n = &node{line: e.line}
		v.Fail("is empty", "give it a value or take the key out")
		return Value{}
	}
	return v
}

// Fail notes a problem with the value of a key, at its line, or at the mapping's where the key is absent.
func (m Map) Fail(key, problem, hint string) {
	if m.n == nil {
		return
	}
	line := m.n.line
	if e := m.ask(key); e != nil {
		line = e.line
	}
	m.d.note(line, join(m.field, key), withHint(problem, hint))
}

// String is the text of a key's single value, never empty but for an optional key that is absent.
func (m Map) String(key string) string { return m.get(key, "").Text() }

// Choice is the text of a key's value, which must be one of those given; "" where absent or wrong.
func (m Map) Choice(key string, choices ...string) string {
	v := m.get(key, choices[0])
	s := v.Text()
	for _, c := range choices {
		if s == c {
			return s
		}
	}
	if s != "" {
		v.Fail(fmt.Sprintf("%q is not one of the choices", s), "choices: "+strings.Join(choices, ", "))
	}
	return ""
}

// Int is a whole number from lo to hi.
func (m Map) Int(key string, lo, hi int) int {
	v := m.get(key, strconv.Itoa(lo))
	s := v.Text()
	if s == "" {
		return 0
	}
	i, err := strconv.Atoi(s)
	if err != nil || i < lo || i > hi {
		v.Fail(fmt.Sprintf("%q is not a whole number from %d to %d", s, lo, hi), "")
		return 0
	}
	return i
}

// Bool is true or false.
func (m Map) Bool(key string) bool { return m.Choice(key, "true", "false") == "true" }

// Map is the mapping of a key; the zero Map where absent.
func (m Map) Map(key string) Map { return m.Get(key).Map() }

// List lists the values of a key.
func (m Map) List(key string) []Value { return m.Get(key).List() }

// Maps lists the mappings of a key.
func (m Map) Maps(key string) []Map {
	var out []Map
	for _, v := range m.List(key) {
		if mm := v.Map(); mm.n != nil {
			out = append(out, mm)
		}
	}
	return out
}

// Strings lists the single values of a key.
func (m Map) Strings(key string) []string {
	var out []string
	for _, v := range m.List(key) {
		if s := v.Text(); s != "" {
			out = append(out, s)
		}
	}
	return out
}

// Scalar is a key's single value, read by parse, whose error is noted; the zero value where absent or wrong.
// Example stands in the hint for a missing key.
func Scalar[T any](m Map, key, example string, parse func(string) (T, error)) T {
	return ScalarOf(m.get(key, example), parse)
}

// ScalarOf is Scalar for a value in hand.
func ScalarOf[T any](v Value, parse func(string) (T, error)) T {
	var zero T
	s := v.Text()
	if s == "" {
		return zero
	}
	out, err := parse(s)
	if err != nil {
		v.Fail(err.Error(), "")
		return zero
	}
	return out
}

// Present tells whether there is a value.
func (v Value) Present() bool { return v.n != nil }

// Line is the value's line in the file; 0 where absent.
func (v Value) Line() int {
	if v.n == nil {
		return 0
	}
	return v.n.line
}

// IsMap tells whether the value is a mapping.
func (v Value) IsMap() bool { return v.n != nil && v.n.kind == mapping }

// IsList tells whether the value is a list.
func (v Value) IsList() bool { return v.n != nil && v.n.kind == list }

// Text is the text of a single value, quotes taken off; "" where absent or not a single value.
func (v Value) Text() string {
	if !v.is(scalar) {
		return ""
	}
	if v.n.text == "" {
		v.Fail("is empty", "give it a value or take the key out")
	}
	return v.n.text
}

// Map is the value as a mapping; the zero Map where absent or not one.
func (v Value) Map() Map {
	if !v.is(mapping) {
		return Map{}
	}
	v.n.opened = true
	return Map{d: v.d, n: v.n, field: v.field}
}

// List lists the values of a list.
func (v Value) List() []Value {
	if !v.is(list) {
		return nil
	}
	out := make([]Value, len(v.n.items))
	for i, n := range v.n.items {
		out[i] = Value{v.d, n, fmt.Sprintf("%s[%d]", v.field, i)}
	}
	return out
}

// Fail notes a problem with the value.
func (v Value) Fail(problem, hint string) {
	if v.n != nil {
		v.d.note(v.n.line, v.field, withHint(problem, hint))
	}
}

func (v Value) is(k kind) bool {
	if v.n == nil {
		return false
	}
	if v.n.kind != k {
		v.Fail(fmt.Sprintf("is %s where %s should be", kindNames[v.n.kind], kindNames[k]), "")
		return false
	}
	return true
}

func withHint(problem, hint string) string {
	if hint == "" {
		return problem
	}
	return problem + "; " + hint
}
