package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"syscall"

	"soilshed/geo/layer"
)

// Exit codes.
const (
	exitDone     = 0
	exitFailed   = 1 // something went wrong that is not the input's fault
	exitUsage    = 2 // wrong use: an unknown flag, a missing one, a bad value
	exitData     = 3 // bad data: a file that cannot be used as it is
	exitSkipped  = 4 // done, with more records left out than --max-skipped allows
	exitStatuses = `Exit status:
  0  done
  1  failed
  2  wrong use
  3  bad data; an older output is as it was
  4  done, with more records left out than --max-skipped allows
`
)

// usageError is a mistake in how the command was called.
type usageError struct{ err error }

func (e usageError) Error() string { return e.err.Error() }
func (e usageError) Unwrap() error { return e.err }

func usagef(format string, args ...any) error { return usageError{fmt.Errorf(format, args...)} }

// dataError is bad input that is told of by more than a place in a file.
type dataError struct{ err error }

func (e dataError) Error() string { return e.err.Error() }
func (e dataError) Unwrap() error { return e.err }

// skippedError says that more records were left out than allowed.
type skippedError struct {
	left, allowed int
	written       bool // whether there was an output to write
}

func (e skippedError) Error() string {
	what := "nothing was computed"
	if e.written {
		what = "the output was written"
	}
	return fmt.Sprintf("%d records were left out, more than the %d that --max-skipped allows; %s", e.left, e.allowed, what)
}

// stopped is said of a run that a signal has ended.
const stopped = "stopped by a signal before the end; an older output is as it was"

// codeOf maps an error to the exit code, and tells the person.
func codeOf(err error, stderr io.Writer) int {
	var told toldError
	switch {
	case err == nil || errors.As(err, &told):
	case errors.Is(err, context.Canceled):
		fmt.Fprintf(stderr, "soilshed: %s\n", stopped)
	default:
		// A password may stand in whatever was given where it does not belong.
		fmt.Fprintf(stderr, "soilshed: %s\n", layer.ShownIn(err.Error()))
	}
	return statusOf(err)
}

// statusOf maps an error to the exit code.
func statusOf(err error) int {
	if err == nil {
		return exitDone
	}
	var use usageError
	var skipped skippedError
	var data dataError
	var le *layer.Error
	var re *layer.RecordError
	switch {
	case errors.Is(err, layer.ErrDatabase):
		return exitFailed
	case errors.As(err, &use):
		return exitUsage
	case errors.As(err, &skipped):
		return exitSkipped
	case errors.Is(err, context.Canceled):
		return exitFailed
	case errors.Is(err, layer.ErrWriting), errors.Is(err, syscall.ENOSPC), errors.Is(err, syscall.EIO):
		return exitFailed // the disk's fault, in whatever file
	case errors.As(err, &data), errors.As(err, &le), errors.As(err, &re):
		return exitData
	}
	return exitFailed
}
