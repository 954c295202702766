package gauges

import (
	"reflect"
	"testing"
	"unsafe"
)

// fill gives every field below v a value of its own that is not zero.
func fill(v reflect.Value, n *int) {
	*n++
	switch v.Kind() {
	case reflect.Struct:
		for i := range v.NumField() {
			f := v.Field(i)
			fill(reflect.NewAt(f.Type(), unsafe.Pointer(f.UnsafeAddr())).Elem(), n)
		}
	case reflect.Array:
		for i := range v.Len() {
			fill(v.Index(i), n)
		}
	case reflect.Bool:
		v.SetBool(true)
	case reflect.Uint8:
		v.SetUint(uint64(*n%250 + 1))
	case reflect.Int, reflect.Int64:
		v.SetInt(int64(*n) * 1_000_003)
	case reflect.Float32, reflect.Float64:
		v.SetFloat(float64(*n) + 0.25)
	default:
		panic(v.Kind().String() + ": say here how to fill it")
	}
}

// Nothing of a watch is forgotten in its state but what follows from its parameters: a field that is added and not saved
// fails here, whether or not anything goes wrong without it.
func TestStateHasEveryField(t *testing.T) {
	given := map[string]bool{"params": true, "spans": true, "zeros": true, "floors": true, "stale": true}
	a, b := New(Params{}), New(Params{})
	n := 0
	v := reflect.ValueOf(a).Elem()
	for i := range v.NumField() {
		if f := v.Field(i); !given[v.Type().Field(i).Name] {
			fill(reflect.NewAt(f.Type(), unsafe.Pointer(f.UnsafeAddr())).Elem(), &n)
		}
	}
	if err := b.SetState(a.AppendState(nil)); err != nil {
		t.Fatal(err)
	}
	if n < 500 {
		t.Errorf("only %d fields filled", n)
	}
	w := reflect.ValueOf(b).Elem()
	for i := range v.NumField() {
		name := v.Type().Field(i).Name
		at := func(x reflect.Value) any {
			f := x.Field(i)
			return reflect.NewAt(f.Type(), unsafe.Pointer(f.UnsafeAddr())).Elem().Interface()
		}
		if !reflect.DeepEqual(at(v), at(w)) {
			t.Errorf("%s: saved %+v, restored %+v", name, at(v), at(w))
		}
	}
}
