package scenario

import (
	"fmt"
	"math"

	"gritwatch/internal/yamlfile"
)

// relay reads the outputs of a unit that is written to.
func (r *reader) relay(m yamlfile.Map, u *Unit) {
	u.Watchdog = m.Optional().Duration("watchdog")
	type address struct {
		register bool
		number   uint16
	}
	used := map[address]bool{}
	for _, om := range m.Maps("outputs") {
		o := r.output(om)
		a := address{o.Register, o.Address}
		if used[a] {
			key := "coil"
			if o.Register {
				key = "register"
			}
			om.Fail(key, fmt.Sprintf("%d belongs to another output of this unit", o.Address), "")
		}
		used[a] = true
		if o.Feeds && u.Watchdog == 0 {
			om.Fail("feeds", "has no watchdog to feed", "give the unit one, for example watchdog: 2 s, or take this out")
		}
		u.Outputs = append(u.Outputs, o)
	}
	if len(u.Outputs) == 0 && m.Has("outputs") {
		m.Fail("outputs", "has none", "write for example outputs: [{pot: alder, name: beacon, coil: 0}]")
	}
}

func (r *reader) output(m yamlfile.Map) Output {
	o := Output{Pot: m.String("pot"), Name: m.String("name")}
	switch there := r.s.pot(o.Pot); {
	case o.Pot == "" || o.Name == "":
	case there == nil:
		m.Fail("pot", fmt.Sprintf("%s is not a pot of this file", o.Pot), "name the pot in whose truth this output stands")
	case r.outputs[[2]string{o.Pot, o.Name}]:
		m.Fail("name", fmt.Sprintf("%s has an output of this name already", o.Pot), "give every output of a pot its own name")
	}
	r.outputs[[2]string{o.Pot, o.Name}] = true
	switch key := one(m, []string{"coil", "register"}, "pot", "what is written"); key {
	case "coil", "register":
		o.Register = key == "register"
		o.Address = uint16(m.Int(key, 0, math.MaxUint16))
	}
	opt := m.Optional()
	o.Feeds, o.Welded = opt.Bool("feeds"), opt.Bool("welded")
	o.Toggled = opt.Duration("toggled")
	return o
}

// pot is the pot of a name; nil where there is none.
func (s *Scenario) pot(name string) *Pot {
	for i := range s.Pots {
		if s.Pots[i].Name == name {
			return &s.Pots[i]
		}
	}
	return nil
}
