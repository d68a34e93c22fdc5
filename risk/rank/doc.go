// Package rank puts root collars in the order in which to excavate them, and the
// order into crew days.
//
// It orders work; it rates and clears no tree. Before anybody digs: call before
// you dig, mind traffic and lines, and leave the cutting of roots to a certified
// arborist.
package rank
