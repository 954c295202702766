package live

import (
	"reflect"
	"testing"

	msg "gritwatch/protocol/live"
)

// TestSame: two estimates that differ in any one value, however deep, are not the same. The values are found by the type, so
// that a new field which same does not know fails.
func TestSame(t *testing.T) {
	fields := 0
	var walk func(path string, at func(*msg.Pot) reflect.Value)
	walk = func(path string, at func(*msg.Pot) reflect.Value) {
		var a, b msg.Pot
		v := at(&b)
		switch v.Kind() {
		case reflect.Struct:
			for i := range v.NumField() {
				walk(path+"."+v.Type().Field(i).Name, func(p *msg.Pot) reflect.Value { return at(p).Field(i) })
			}
			return
		case reflect.String:
			v.SetString("x")
		case reflect.Bool:
			v.SetBool(true)
		case reflect.Float64:
			v.SetFloat(1)
		case reflect.Int:
			v.SetInt(1)
		case reflect.Pointer: // 0 is not absent
			if elem := v.Type().Elem(); elem.Kind() == reflect.Struct {
				for i := range elem.NumField() {
					walk(path+"."+elem.Field(i).Name, func(p *msg.Pot) reflect.Value {
						at := at(p)
						if at.IsNil() {
							at.Set(reflect.New(elem))
						}
						return at.Elem().Field(i)
					})
				}
				v.Set(reflect.New(elem))
				break
			}
			v.Set(reflect.New(v.Type().Elem()))
			var c msg.Pot // not a copy of b: they would share what lies between
			one := reflect.New(v.Type().Elem())
			one.Elem().SetFloat(1)
			at(&c).Set(one)
			if same(&b, &c) {
				t.Errorf("%s: 0 is the same as 1", path)
			}
		case reflect.Slice:
			v.Set(reflect.MakeSlice(v.Type(), 1, 1))
		case reflect.Map:
			v.Set(reflect.ValueOf(map[string]string{"x": "y"}))
		default:
			t.Fatalf("%s is of a kind that the test does not know: %v", path, v.Kind())
		}
		fields++
		if same(&a, &b) || same(&b, &a) {
			t.Errorf("%s makes no difference", path)
		}
		c := b
		if !same(&b, &c) {
			t.Errorf("%s: not the same as itself", path)
		}
	}
	walk("Pot", func(p *msg.Pot) reflect.Value { return reflect.ValueOf(p).Elem() })
	if fields < 30 {
		t.Errorf("only %d values were looked at", fields)
	}
}
