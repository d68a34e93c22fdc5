//go:build race

package layer

const raced = true
