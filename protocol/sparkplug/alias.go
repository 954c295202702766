package sparkplug

import "fmt"

// Aliases are the names that the last birth of a node, or of a device, gave numbers to, and the data types that data
// leave out. The zero value knows none. Its memory is bounded by the size of a payload.
type Aliases struct {
	names  map[uint64]named
	signed map[string]Type // of metrics without an alias, where the type tells how the number is to be read
}

type named struct {
	name string
	typ  Type
}

// An UnknownAliasError says that data speak of a number that no birth explained, or contradict the birth.
type UnknownAliasError struct {
	Alias uint64
	Name  string // "": the alias came alone
}

func (e *UnknownAliasError) Error() string {
	if e.Name == "" {
		return fmt.Sprintf("alias %d is not one of the last birth", e.Alias)
	}
	return fmt.Sprintf("alias %d was not born as %q", e.Alias, e.Name)
}

// Born takes the metrics of a birth in the place of those before. After an error, one alias for two names, it knows
// none.
func (a *Aliases) Born(ms []Metric) error {
	clear(a.names)
	clear(a.signed)
	for i := range ms {
		m := &ms[i]
		if !m.Aliased {
			if m.Type.signed() {
				if a.signed == nil {
					a.signed = map[string]Type{}
				}
				a.signed[m.Name] = m.Type
			}
			continue
		}
		if before, ok := a.names[m.Alias]; ok && before.name != m.Name || m.Name == "" {
			*a = Aliases{}
			return fmt.Errorf("alias %d is born for %q and for %q", m.Alias, before.name, m.Name)
		}
		if a.names == nil {
			a.names = make(map[uint64]named, len(ms))
		}
		a.names[m.Alias] = named{m.Name, m.Type}
	}
	return nil
}

// Resolve gives data and commands their names and, where they lack it, their data type, in place. The error is an
// *UnknownAliasError; the metrics must not be used then.
func (a *Aliases) Resolve(ms []Metric) error {
	for i := range ms {
		m := &ms[i]
		if !m.Aliased {
			if len(a.signed) != 0 && m.Type == Unknown {
				m.Type = a.signed[m.Name]
			}
			continue
		}
		n, ok := a.names[m.Alias]
		if !ok || m.Name != "" && m.Name != n.name {
			return &UnknownAliasError{m.Alias, m.Name}
		}
		m.Name = n.name
		if m.Type == Unknown {
			m.Type = n.typ
		}
	}
	return nil
}
