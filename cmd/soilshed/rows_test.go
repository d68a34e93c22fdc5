package main

import (
	"math"
	"reflect"
	"testing"
	"unsafe"

	"soilshed/risk/soil"
)

// Every field of a row comes back as it was set: a new one that is not packed
// fails here.
func TestRowsKeepAll(t *testing.T) {
	var r row
	n := 0
	var fill func(v reflect.Value, path string)
	fill = func(v reflect.Value, path string) {
		if !v.CanSet() {
			v = reflect.NewAt(v.Type(), unsafe.Pointer(v.UnsafeAddr())).Elem()
		}
		switch n++; v.Kind() {
		case reflect.Struct:
			for k := range v.NumField() {
				f := v.Type().Field(k)
				if path+f.Name == "Reasons" { // kept as they are
					continue
				}
				fill(v.Field(k), path+f.Name+".")
			}
		case reflect.Array:
			if v.Type() == reflect.TypeOf(r.res.Reasons) {
				return
			}
			for k := range v.Len() {
				fill(v.Index(k), path)
			}
		case reflect.Float64:
			v.SetFloat(float64(n) + 0.25)
		case reflect.Bool:
			v.SetBool(true)
		case reflect.Int, reflect.Int32:
			v.SetInt(int64(1000 + n))
		case reflect.Uint8, reflect.Uint32:
			v.SetUint(uint64(1 + n%3))
		case reflect.String:
			v.SetString(decidesWords[1+n%2])
		default:
			t.Fatalf("%s is a %s, which this test cannot set", path, v.Kind())
		}
	}
	fill(reflect.ValueOf(&r).Elem(), "")
	s := make(rows, 2)
	s.set(1, r)
	if got := *s.at(1); got != r {
		t.Errorf("got %+v\nset %+v", got, r)
	}

	r = row{}
	r.res.HarmYr, r.res.Class = math.NaN(), soil.Class(0)
	s.set(0, r)
	if got := s.at(0); !math.IsNaN(got.res.HarmYr) || got.res.OutgrownYear.Known || got.res.Assessed || got.res.Decides != "" {
		t.Errorf("an empty row came back as %+v", got)
	}
	t.Logf("%d bytes a tree, %d unpacked", unsafe.Sizeof(packedRow{}), unsafe.Sizeof(row{}))
}
