package main

import (
	"math"
	"testing"

	"soilshed/scripts/plat"
)

const small = `key,level,unit,low,high,mean,sd,share,weight,spread,source,note
prior,,,,,,,,-2,0,x,
flare_cm,,cm,0,30,6,6,,0.1,0,x,
stock,balled,,,,,,0.75,0.2,0,x,
stock,bare root,,,,,,0.25,-0.6,0,x,
genus,Acer,,,,,,0.2,0.5,0,x,
genus,Acer platanoides,,,,,,0.1,1,0,x,
genus,other,,,,,,0.7,0,0,x,
supplier,*,,,,,,,0,0.6,x,
`

// The model that truth is drawn by is that of the table: every factor counts
// against the average tree.
func TestTruthIsDrawnByTheTable(t *testing.T) {
	d := plat.NewDice(1, 1)
	e, err := newTable([]byte(small), d)
	if err != nil {
		t.Fatal(err)
	}
	for what, v := range map[string][2]float64{
		"prior":            {e.draws["prior:"], -2},
		"average flare":    {e.degree("flare_cm", 6), 0},
		"deep flare":       {e.degree("flare_cm", 16), 1},
		"beyond the range": {e.degree("flare_cm", 90), 2.4},
		"balled":           {e.level("stock", "balled"), 0.2},
		"bare root":        {e.level("stock", "bare root"), -0.6},
		"average genus":    {0.2*e.level("genus", "Acer") + 0.1*e.level("genus", "Acer platanoides") + 0.7*e.level("genus", "other"), 0},
		"a member twice":   {e.member("supplier", "A") - e.member("supplier", "A"), 0},
	} {
		if math.Abs(v[0]-v[1]) > 1e-12 {
			t.Errorf("%s: %g, want %g", what, v[0], v[1])
		}
	}
	for name, want := range map[string]string{"Acer platanoides": "Acer platanoides", "Acer rubrum": "Acer", "Ulmus americana": "other"} {
		if got := e.genus(name); got != want {
			t.Errorf("%s counts as %s", name, got)
		}
	}
	n := 0
	for range 10000 {
		if e.pick("stock", d) == "balled" {
			n++
		}
	}
	if math.Abs(float64(n)-7500) > 200 { // 4.6 standard deviations
		t.Errorf("%d of 10,000 are balled, want 7,500", n)
	}
	sum, n := 0.0, 2000
	for i := range n {
		v := e.member("supplier", string(rune('a'))+string(rune(0x100+i)))
		sum += v * v
	}
	if sd := math.Sqrt(sum / float64(n)); math.Abs(sd-0.6) > 0.05 {
		t.Errorf("suppliers differ by %.3f, want 0.6", sd)
	}
}

func TestOrdersAndHarm(t *testing.T) {
	trees := []tree{
		{id: "a", rank: 2, byFinds: 3, p: 0.5, dbhCm: 10, openM2: 3, girdled: true, harm: 0.2},
		{id: "b", rank: 1, byFinds: 2, p: 0.1, dbhCm: 40, openM2: 1, harm: 0.9},
		{id: "c", rank: 3, byFinds: 1, p: 0.5, dbhCm: 20, openM2: 1, girdled: true, harm: 0.1},
	}
	want := []string{"bac", "acb", "cba", "bca", "bca"}
	for i, o := range orders {
		got := ""
		for _, x := range by(trees, o) {
			got += x.id
		}
		if got != want[i] {
			t.Errorf("%s: %s, want %s", o.name, got, want[i])
		}
	}
	if h := harmOf(trees); math.Abs(h-0.3) > 1e-12 || girdled(trees) != 2 {
		t.Errorf("harm of girdling %g, %d girdled", h, girdled(trees))
	}
}
