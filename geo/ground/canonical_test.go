package ground

import (
	"math/rand/v2"
	"slices"
	"testing"

	"soilshed/geo"
)

// The canonical form is the least of all starts in both directions, by trying
// each.
func TestCanonicalIsTheLeastOfAllWays(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	for range 3000 {
		v := make([]geo.XY, 3+r.IntN(8))
		for i := range v { // few places, so that rings come back to them
			v[i] = geo.XY{X: float64(r.IntN(2)), Y: float64(r.IntN(3))}
		}
		var least []geo.XY
		ways := [][]geo.XY{}
		for range 2 {
			for i := range v {
				w := slices.Concat(v[i:], v[:i])
				ways = append(ways, w)
				if least == nil || slices.CompareFunc(w, least, compareXY) < 0 {
					least = w
				}
			}
			v = slices.Clone(v)
			slices.Reverse(v)
		}
		for _, w := range ways {
			got := slices.Clone(w)
			canonical(got, true, nil)
			if !slices.Equal(got, least) {
				t.Fatalf("%v becomes %v, the least is %v", w, got, least)
			}
		}
		line, back := slices.Clone(v), slices.Clone(v)
		slices.Reverse(back)
		canonical(line, false, nil)
		canonical(back, false, nil)
		if !slices.Equal(line, back) {
			t.Fatalf("a line from one end is %v, from the other %v", line, back)
		}
	}
}

// A polygon drawn again counts once, wherever its rings begin; one of another
// depth, or with another hole, is another polygon.
func TestCopiesCountOnce(t *testing.T) {
	a := rect(0, 0, 10, 10)
	hole := rect(2, 2, 4, 4)
	again := slices.Concat(a[2:], a[:2])
	slices.Reverse(again)
	b := NewBuilder()
	must(t, b.Hard(poly(a, hole), 1))
	must(t, b.Hard(poly(again, hole), 1))
	must(t, b.Hard(poly(a, hole), 1))
	must(t, b.Hard(poly(a), 1))
	must(t, b.Hard(poly(a, hole), 2))
	must(t, b.Bed(poly(a, hole)))
	must(t, b.Rootable(poly(a), 1, .5))
	must(t, b.Rootable(poly(a), 1, .25))
	must(t, b.Barrier([]geo.XY{{X: 1}, {X: 2, Y: 5}}))
	must(t, b.Barrier([]geo.XY{{X: 2, Y: 5}, {X: 1}}))
	if n := b.Freeze(Defaults()).Copies(); n != 3 {
		t.Errorf("%d copies, want 3", n)
	}
}
