package messages_test

import (
	"reflect"
	"slices"
	"testing"

	"gritwatch/internal/messages"
	"gritwatch/protocol/live"
)

// Every type that a message is made of is one of the messages, every list that a field names is one of the lists, and has
// words.
func TestComplete(t *testing.T) {
	all, err := messages.All()
	if err != nil {
		t.Fatal(err)
	}
	named := map[string]bool{}
	lists := map[string]bool{"": true}
	for _, l := range messages.Lists() {
		lists[l.Name] = true
		if len(l.Words) < 2 || l.Says == "" || l.Names == "" {
			t.Errorf("list %+v", l)
		}
	}
	for _, m := range all {
		if m.Says == "" && m.Name != "Problem" {
			t.Errorf("%s has no comment", m.Name)
		}
		for _, f := range m.Fields {
			typ := f.Type
			for typ.Kind() == reflect.Pointer || typ.Kind() == reflect.Slice {
				typ = typ.Elem()
			}
			if typ.Kind() == reflect.Struct && !named[typ.Name()] {
				t.Errorf("%s.%s is of type %s, which is no message before it", m.Name, f.Name, typ.Name())
			}
			if !lists[f.Closer.List] || !lists[f.Closer.Keys] {
				t.Errorf("%s.%s names a list that is none: %+v", m.Name, f.Name, f.Closer)
			}
		}
		named[m.Name] = true
	}
}

// What JSON makes of a pot is what its description says.
func TestFields(t *testing.T) {
	all, err := messages.All()
	if err != nil {
		t.Fatal(err)
	}
	i := slices.IndexFunc(all, func(m messages.Message) bool { return m.Name == "Pot" })
	pot := all[i]
	if len(pot.Fields) != len(slices.DeleteFunc(reflect.VisibleFields(reflect.TypeFor[live.Pot]()), func(f reflect.StructField) bool { return f.Anonymous })) {
		t.Errorf("%d fields described", len(pot.Fields))
	}
	f := map[string]messages.Field{}
	for _, field := range pot.Fields {
		f[field.Name] = field
	}
	if f["rated_pa"].Optional || !f["age_s"].Optional || f["state"].Closer.List != "State" || f["quality"].Closer.Keys != "Point" ||
		f["age_s"].Says != "its age, s, worst case, at sending" {
		t.Errorf("fields %+v", f)
	}
}
