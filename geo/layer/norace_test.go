//go:build !race

package layer

// raced: the race detector makes everything ten times slower.
const raced = false
