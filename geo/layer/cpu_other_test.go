//go:build !unix

package layer

func cpuSeconds() float64 { return 0 }
