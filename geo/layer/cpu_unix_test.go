//go:build unix

package layer

import "syscall"

// cpuSeconds is the processor time of this process: what else the machine does
// is not in it.
func cpuSeconds() float64 {
	var u syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &u) != nil {
		return 0
	}
	return float64(u.Utime.Nano()+u.Stime.Nano()) / 1e9
}
