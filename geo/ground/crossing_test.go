package ground

import (
	"math"
	"math/rand/v2"
	"testing"

	"soilshed/geo"
)

// Long rings are searched by boxes; what is found is what all pairs tell.
func TestCrossesIsWhatAllPairsTell(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	var c crossing
	found := 0
	for k := range 2000 {
		n := 4 + r.IntN(200)
		v := make([]geo.XY, n)
		for i := range v { // a star, so it crosses only where a spike is bent
			a := 2 * math.Pi * float64(i) / float64(n)
			l := 1 + r.Float64()
			v[i] = geo.XY{X: l * math.Cos(a), Y: l * math.Sin(a)}
		}
		if k%2 == 0 {
			i := r.IntN(n)
			j := (i + 1 + r.IntN(3)) % n
			v[i], v[j] = v[j], v[i]
		}
		want := false
		for i := range v {
			for j := range i - 1 {
				if i == n-1 && j == 0 {
					continue
				}
				a, b, p, q := v[i], v[(i+1)%n], v[j], v[j+1]
				want = want || turn(a, b, p)*turn(a, b, q) < 0 && turn(p, q, a)*turn(p, q, b) < 0
			}
		}
		if want {
			found++
		}
		if got := c.crosses(v); got != want {
			t.Fatalf("ring %d of %d vertices: %v, want %v", k, n, got, want)
		}
	}
	if found < 200 || found > 1800 {
		t.Errorf("%d of 2000 rings cross: the test tests little", found)
	}
}

// comb is a ring of n teeth side by side along x, each as long as the comb.
func comb(n int) []geo.XY {
	long := float64(n)
	r := []geo.XY{{X: 0, Y: -1}}
	for i := range n {
		x := float64(i)
		r = append(r, geo.XY{X: x, Y: long}, geo.XY{X: x + .5, Y: long}, geo.XY{X: x + .5, Y: 0}, geo.XY{X: x + 1, Y: 0})
	}
	return append(r, geo.XY{X: long, Y: -1})
}

func BenchmarkCrossesComb(b *testing.B) {
	v := comb(20000)
	for i, p := range v { // lying, which is the worse way for a sweep along x
		v[i] = geo.XY{X: p.Y, Y: p.X}
	}
	var c crossing
	for b.Loop() {
		if c.crosses(v) {
			b.Fatal("a comb does not cross itself")
		}
	}
}

func BenchmarkCrossesFootprint(b *testing.B) {
	v := make([]geo.XY, 12)
	for i := range v {
		sin, cos := math.Sincos(float64(i))
		v[i] = geo.XY{X: (5 + float64(i%2)) * cos, Y: 5 * sin}
	}
	var c crossing
	for b.Loop() {
		c.crosses(v)
	}
}
