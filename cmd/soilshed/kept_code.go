package main

import (
	"encoding/binary"
	"errors"
	"fmt"
	"math"
	"reflect"
)

// Values are kept as plain bytes, field by field in the order of their types:
// numbers with all their bits, texts and lists with their length before them.
// Types are followed by reflection, so that a field that is added is kept
// without anybody's having to think of it here.

// coding turns values of one type into bytes and back.
type coding struct {
	put func(b []byte, v reflect.Value) []byte
	get func(b []byte, v reflect.Value) ([]byte, error)
}

var errShort = errors.New("kept bytes end too soon")

// codingOf makes the coding of a type of numbers, texts, lists and records of
// such; another is a mistake of ours, and panics.
func codingOf(t reflect.Type) coding {
	whole := func(size int, put func(v reflect.Value) uint64, set func(v reflect.Value, x uint64)) coding {
		return coding{
			func(b []byte, v reflect.Value) []byte {
				x := put(v)
				for range size {
					b, x = append(b, byte(x)), x>>8
				}
				return b
			},
			func(b []byte, v reflect.Value) ([]byte, error) {
				if len(b) < size {
					return nil, errShort
				}
				var x uint64
				for k := range size {
					x |= uint64(b[k]) << (8 * k)
				}
				set(v, x)
				return b[size:], nil
			},
		}
	}
	switch t.Kind() {
	case reflect.Bool:
		return whole(1, func(v reflect.Value) uint64 {
			if v.Bool() {
				return 1
			}
			return 0
		}, func(v reflect.Value, x uint64) { v.SetBool(x != 0) })
	case reflect.Int, reflect.Int8, reflect.Int16, reflect.Int32, reflect.Int64:
		return whole(8, func(v reflect.Value) uint64 { return uint64(v.Int()) }, func(v reflect.Value, x uint64) { v.SetInt(int64(x)) })
	case reflect.Uint, reflect.Uint8, reflect.Uint16, reflect.Uint32, reflect.Uint64:
		return whole(int(t.Size()), reflect.Value.Uint, reflect.Value.SetUint)
	case reflect.Float64:
		return whole(8, func(v reflect.Value) uint64 { return math.Float64bits(v.Float()) }, func(v reflect.Value, x uint64) { v.SetFloat(math.Float64frombits(x)) })
	case reflect.Float32:
		return whole(4, func(v reflect.Value) uint64 { return uint64(math.Float32bits(float32(v.Float()))) },
			func(v reflect.Value, x uint64) { v.SetFloat(float64(math.Float32frombits(uint32(x)))) })
	case reflect.String:
		return coding{
			func(b []byte, v reflect.Value) []byte {
				return append(binary.AppendUvarint(b, uint64(v.Len())), v.String()...)
			},
			func(b []byte, v reflect.Value) ([]byte, error) {
				n, k := binary.Uvarint(b)
				if k <= 0 || n > uint64(len(b)-k) {
					return nil, errShort
				}
				v.SetString(string(b[k : k+int(n)]))
				return b[k+int(n):], nil
			},
		}
	case reflect.Array:
		of := codingOf(t.Elem())
		return coding{
			func(b []byte, v reflect.Value) []byte {
				for i := range v.Len() {
					b = of.put(b, v.Index(i))
				}
				return b
			},
			func(b []byte, v reflect.Value) (_ []byte, err error) {
				for i := 0; i < v.Len() && err == nil; i++ {
					b, err = of.get(b, v.Index(i))
				}
				return b, err
			},
		}
	case reflect.Slice:
		of := codingOf(t.Elem())
		return coding{
			func(b []byte, v reflect.Value) []byte {
				b = binary.AppendUvarint(b, uint64(v.Len()))
				for i := range v.Len() {
					b = of.put(b, v.Index(i))
				}
				return b
			},
			func(b []byte, v reflect.Value) (_ []byte, err error) {
				n, k := binary.Uvarint(b)
				if k <= 0 || n > uint64(len(b)-k) { // each takes a byte at least
					return nil, errShort
				}
				b = b[k:]
				v.SetZero()
				if n > 0 {
					v.Set(reflect.MakeSlice(t, int(n), int(n)))
				}
				for i := 0; i < int(n) && err == nil; i++ {
					b, err = of.get(b, v.Index(i))
				}
				return b, err
			},
		}
	case reflect.Struct:
		var fields []coding
		var at []int
		for i := range t.NumField() {
			f := t.Field(i)
			if !f.IsExported() {
				panic(fmt.Sprintf("soilshed: %v.%s cannot be kept", t, f.Name))
			}
			fields, at = append(fields, codingOf(f.Type)), append(at, i)
		}
		return coding{
			func(b []byte, v reflect.Value) []byte {
				for k, i := range at {
					b = fields[k].put(b, v.Field(i))
				}
				return b
			},
			func(b []byte, v reflect.Value) (_ []byte, err error) {
				for k := 0; k < len(at) && err == nil; k++ {
					b, err = fields[k].get(b, v.Field(at[k]))
				}
				return b, err
			},
		}
	}
	panic(fmt.Sprintf("soilshed: a %v cannot be kept", t))
}
