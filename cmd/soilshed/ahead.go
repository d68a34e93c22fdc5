package main

import (
	"iter"

	"soilshed/geo/layer"
)

// read is a step of reading: a feature, or what went wrong.
type read struct {
	f   layer.Feature
	err error
}

// ahead reads features on a goroutine of its own while the loop works on those
// before. reused tells that the source uses its values again, so that they must
// be copied.
func ahead(src iter.Seq2[layer.Feature, error], reused bool) iter.Seq2[layer.Feature, error] {
	const batch, waiting = 512, 4
	return func(yield func(layer.Feature, error) bool) {
		full := make(chan []read, waiting)
		stop := make(chan struct{})
		go func() {
			defer close(full)
			list := make([]read, 0, batch)
			send := func() bool {
				select {
				case full <- list:
					list = make([]read, 0, batch)
					return true
				case <-stop:
					return false
				}
			}
			for f, err := range src {
				if reused && len(f.Values) > 0 {
					f.Values = append([]layer.Value(nil), f.Values...)
				}
				if list = append(list, read{f, err}); len(list) == batch && !send() {
					return
				}
			}
			if len(list) > 0 {
				send()
			}
		}()
		// A loop that breaks off must not leave the reader at work on a source
		// that is closed next.
		defer func() {
			close(stop)
			for range full {
			}
		}()
		for list := range full {
			for i := range list {
				if !yield(list[i].f, list[i].err) {
					return
				}
			}
		}
	}
}
