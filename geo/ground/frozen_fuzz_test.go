package ground

import (
	"bytes"
	"errors"
	"math/rand/v2"
	"testing"
)

// FuzzReadMap reads bytes that may be no map: they are refused, or are a map that
// is written as it was read, but for bytes that a yes may be written by and kinds
// of polygon that there are not.
func FuzzReadMap(f *testing.F) {
	for round := range uint64(3) {
		whole := written(f, everything(f, rand.New(rand.NewPCG(round, 5))))
		f.Add(whole)
		f.Add(whole[:len(whole)/2])
		bent := bytes.Clone(whole)
		bent[len(bent)/3] ^= 0x40
		f.Add(bent)
	}
	f.Add(written(f, NewBuilder().Freeze(Defaults())))
	f.Fuzz(func(t *testing.T, b []byte) {
		m, err := ReadMap(bytes.NewReader(b), int64(len(b)))
		if err != nil {
			if m != nil || !errors.Is(err, ErrNoMap) {
				t.Fatalf("%v, %v", m, err)
			}
			return
		}
		again := written(t, m)
		if len(again) != len(b) {
			t.Fatalf("%d bytes were read and %d written", len(b), len(again))
		}
		// Once more, so that a yes is written in one way.
		second, err := ReadMap(bytes.NewReader(again), int64(len(again)))
		if err != nil || !bytes.Equal(written(t, second), again) {
			t.Fatalf("what was read and written is another map when it is read again: %v", err)
		}
	})
}
