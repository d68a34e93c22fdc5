package ground

import (
	"bytes"
	"errors"
	"io"
	"math"
	"math/rand/v2"
	"reflect"
	"testing"

	"soilshed/geo"
)

// everything is a map of all kinds, with long rings, copies and holes.
func everything(t testing.TB, dice *rand.Rand) *Map {
	t.Helper()
	s := block(dice)
	b := NewBuilder()
	s.build(t)(b)
	var road []geo.XY
	for k := range 700 {
		a := 2 * math.Pi * float64(k) / 700
		road = append(road, geo.XY{X: 200 + 90*math.Cos(a) + dice.Float64(), Y: 90 * math.Sin(a)})
	}
	for k := range 30 {
		x := float64(10 * k)
		if err := b.Bed([][]geo.XY{rect(x, 40, x+dice.Float64()+1, 43)}); err != nil {
			t.Fatal(err)
		}
	}
	for _, err := range []error{
		b.Hard([][]geo.XY{road, rect(190, -10, 210, 10)}, 3), b.Hard([][]geo.XY{road}, 3), b.Hard([][]geo.XY{road}, 3), b.Rootable([][]geo.XY{rect(0, 0, 9, 9)}, 0.7, 0.2),
		b.Soil([][]geo.XY{rect(-80, -80, 300, 80)}, 0.8, 7), b.Target([][]geo.XY{rect(3, 3, 9, 5)}, 2), b.Barrier([]geo.XY{{X: 1, Y: 1}, {X: 9, Y: 8}}),
	} {
		if err != nil {
			t.Fatal(err)
		}
	}
	if dice.IntN(3) == 0 {
		if err := b.Study([][]geo.XY{rect(-70, -70, 250, 70)}); err != nil {
			t.Fatal(err)
		}
	}
	return b.Freeze(Defaults())
}

func written(t testing.TB, m *Map) []byte {
	t.Helper()
	var b bytes.Buffer
	if err := m.Write(&b); err != nil {
		t.Fatal(err)
	}
	return b.Bytes()
}

// A map that is written and read again is the same in all its parts.
func TestMapIsReadAgain(t *testing.T) {
	for round := range 50 {
		m := everything(t, rand.New(rand.NewPCG(uint64(round), 3)))
		b := written(t, m)
		back, err := ReadMap(bytes.NewReader(b), int64(len(b)))
		if err != nil {
			t.Fatal(err)
		}
		if !reflect.DeepEqual(m, back) {
			t.Fatalf("round %d: another map", round)
		}
		if m.copied == 0 || len(m.boxes) == 0 || len(m.tree.levels) < 2 || m.cover == nil && !m.has[study] {
			t.Fatalf("round %d: little was tried: %d copies, %d boxes, %d levels", round, m.copied, len(m.boxes), len(m.tree.levels))
		}
	}
	empty := written(t, NewBuilder().Freeze(Defaults()))
	back, err := ReadMap(bytes.NewReader(empty), int64(len(empty)))
	if err != nil || back.Polygons() != 0 || back.Sealed() || !bytes.Equal(written(t, back), empty) {
		t.Errorf("a map of nothing: %v", err)
	}
	// A field that is added to a map must be written too.
	for _, c := range []struct {
		of   any
		want int
	}{{Map{}, 8}, {vertices{}, 2}, {ring{}, 6}, {part{}, 5}, {box{}, 4}, {packed{}, 2}, {coverage{}, 6}} {
		if n := reflect.TypeOf(c.of).NumField(); n != c.want {
			t.Errorf("a %T has %d fields, and %d are written", c.of, n, c.want)
		}
	}
}

// Damaged bytes give no map, or one that can be asked.
func TestDamagedMap(t *testing.T) {
	dice := rand.New(rand.NewPCG(5, 6))
	m := everything(t, dice)
	whole := written(t, m)
	ask := func(b []byte) error {
		m, err := ReadMap(bytes.NewReader(b), int64(len(b)))
		if err != nil {
			if !errors.Is(err, ErrNoMap) {
				t.Fatal(err)
			}
			return err
		}
		for i := range m.rings {
			m.ringOf(&m.rings[i])
		}
		m.tree.query(boxAround(geo.XY{}, 1e5), nil)
		m.covered(geo.XY{X: 3, Y: 4})
		m.SoilAt(geo.XY{X: 3, Y: 4})
		return nil
	}
	for n := range len(whole) {
		if n%7 == 0 && ask(whole[:n]) == nil {
			t.Fatalf("%d of %d bytes were enough", n, len(whole))
		}
	}
	if ask(append(bytes.Clone(whole), 0)) == nil {
		t.Error("a byte too many")
	}
	if _, err := ReadMap(io.LimitReader(bytes.NewReader(whole), 1000), int64(len(whole))); !errors.Is(err, ErrNoMap) {
		t.Errorf("cut short while it is read: %v", err)
	}
	refused := 0
	for range 3000 {
		b := bytes.Clone(whole)
		for range 1 + dice.IntN(3) {
			b[dice.IntN(len(b))] = byte(dice.Uint32())
		}
		if ask(b) != nil {
			refused++
		}
	}
	if refused < 100 {
		t.Errorf("%d were refused", refused)
	}
	if w := (failing{}); m.Write(w) == nil {
		t.Error("an error of writing is not told")
	}
}

type failing struct{}

func (failing) Write([]byte) (int, error) { return 0, io.ErrClosedPipe }

func BenchmarkReadMap(b *testing.B) {
	m := everything(b, rand.New(rand.NewPCG(1, 2)))
	all := written(b, m)
	b.SetBytes(int64(len(all)))
	for b.Loop() {
		if _, err := ReadMap(bytes.NewReader(all), int64(len(all))); err != nil {
			b.Fatal(err)
		}
	}
}
