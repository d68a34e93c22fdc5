package main

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"strings"
	"testing"
	"unsafe"

	"soilshed/risk"
)

// plausible fills a record, or a part of one, as an inventory may.
func plausible(dice *rand.Rand, v reflect.Value) {
	switch x := v.Addr().Interface().(type) {
	case *risk.Maybe[float64]:
		*x = risk.Maybe[float64]{}
		if dice.IntN(3) > 0 {
			*x = risk.Known(dice.NormFloat64() * 100)
		}
	case *risk.Maybe[int]:
		*x = risk.Maybe[int]{}
		if dice.IntN(3) > 0 {
			*x = risk.Known(1800 + dice.IntN(300))
		}
	case *string:
		*x = strings.Repeat(string(rune('a'+dice.IntN(26))), dice.IntN(4))
	case *int:
		*x = dice.IntN(13)
	case *bool:
		*x = dice.IntN(2) == 0
	default:
		v.SetUint(uint64(dice.IntN(4))) // stock, texture, answers
	}
}

// TestTreesKeepAll puts in records of which every field is filled by chance, and
// gets them back as they were: a field that packing forgets is seen here.
func TestTreesKeepAll(t *testing.T) {
	dice := rand.New(rand.NewPCG(7, 8))
	var list treeList
	var want []risk.Tree
	record := func(id string) (r risk.Tree) {
		v := reflect.ValueOf(&r).Elem()
		for f := range v.NumField() {
			plausible(dice, v.Field(f))
		}
		r.ID = id
		return r
	}
	for i := range 3000 {
		// Now and then a number longer than a block of them.
		r := record(fmt.Sprint(strings.Repeat("9", []int{0, 10, 200, idsTogether + 1}[dice.IntN(1+min(i%50, 3))]), i))
		want = append(want, r)
		list.add(&r)
	}
	for range 500 { // changed later
		i := dice.IntN(len(want))
		want[i] = record(want[i].ID)
		list.set(i, &want[i])
	}
	gone := func(i int) bool { return i%7 == 3 }
	kept := want[:0:0]
	for i := range want {
		if !gone(i) {
			kept = append(kept, want[i])
		}
	}
	list.keep(func(i int) bool { return !gone(i) })
	if list.len() != len(kept) {
		t.Fatalf("%d records, want %d", list.len(), len(kept))
	}
	for i, got := range list.all() {
		w := &kept[i]
		if got != *w {
			t.Fatalf("record %d:\n%+v, put in\n%+v", i, got, *w)
		}
		if list.id(i) != w.ID || list.species(i) != w.Species || list.street(i) != w.Street || list.site(i) != w.Site || list.removed(i) != w.Removed || list.dead(i) != w.Dead {
			t.Fatalf("record %d is told otherwise by its parts", i)
		}
	}
	list.remove(5)
	if kept[5].Removed = true; list.at(5) != kept[5] {
		t.Error("a tree that is removed is otherwise changed")
	}
}

func TestTreesArePacked(t *testing.T) {
	if n := unsafe.Sizeof(packedTree{}); n > 160 {
		t.Errorf("a packed record takes %d bytes", n)
	}
	var pointers func(reflect.Type) bool
	pointers = func(p reflect.Type) bool {
		switch p.Kind() {
		case reflect.Array:
			return pointers(p.Elem())
		case reflect.Struct:
			for i := range p.NumField() {
				if pointers(p.Field(i).Type) {
					return true
				}
			}
			return false
		case reflect.String, reflect.Slice, reflect.Map, reflect.Pointer, reflect.Interface, reflect.Func, reflect.Chan:
			return true
		}
		return false
	}
	if pointers(reflect.TypeFor[packedTree]()) {
		t.Error("a packed record holds a pointer")
	}
}
