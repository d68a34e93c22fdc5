package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"log/slog"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"github.com/schollz/progressbar/v3"
	"golang.org/x/term"

	"soilshed/geo/layer"
)

// progress tells how far a run has come, on standard error: a bar where that is
// a terminal, else a line every so often, or records in JSON (--log json). A nil
// progress tells nothing.
type progress struct {
	out io.Writer
	log *slog.Logger // --log json
	bar bool         // a terminal

	done, total atomic.Int64

	mu    sync.Mutex
	phase string
	noun  string // what is counted
	since time.Time
	shown *progressbar.ProgressBar
	// counts tells that the bar shown has a count: not while nothing is counted.
	counts bool
	stop   chan struct{}
	ended  sync.WaitGroup
}

// tellEvery is how often a line tells of progress where there is no terminal.
var tellEvery = 15 * time.Second

// newProgress begins to tell of a run.
func newProgress(o *options, stderr io.Writer) *progress {
	p := &progress{out: stderr, stop: make(chan struct{}), phase: "start", since: time.Now()}
	switch {
	case o.log == "json":
		p.log = slog.New(slog.NewJSONHandler(stderr, nil))
	case o.quiet:
		return nil
	default:
		f, ok := stderr.(*os.File)
		p.bar = ok && term.IsTerminal(int(f.Fd()))
	}
	every := tellEvery
	if p.bar {
		every = 150 * time.Millisecond
	}
	p.ended.Add(1)
	go func() {
		defer p.ended.Done()
		tick := time.NewTicker(every)
		defer tick.Stop()
		for {
			select {
			case <-p.stop:
				return
			case <-tick.C:
				p.tell()
			}
		}
	}()
	return p
}

// begin opens a phase of which the length is not known.
func (p *progress) begin(phase string) {
	if p == nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.phase, p.noun, p.since = phase, "records", time.Now()
	p.done.Store(0)
	p.total.Store(0)
	p.clear()
}

// expect says how many things the phase has to do.
func (p *progress) expect(n int, noun string) {
	if p == nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.noun = noun
	p.total.Store(int64(n))
	p.clear()
}

// add counts things done.
func (p *progress) add(n int) {
	if p != nil {
		p.done.Add(int64(n))
	}
}

// end closes a phase.
func (p *progress) end() {
	if p == nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.clear()
	if p.log != nil {
		attrs := []any{"phase", p.phase, "seconds", time.Since(p.since).Seconds()}
		if n := p.done.Load(); n > 0 {
			attrs = append(attrs, p.noun, n)
		}
		p.log.Info("phase done", attrs...)
	}
	p.phase = ""
}

// clear takes the bar off the terminal; p.mu is held.
func (p *progress) clear() {
	if p.shown != nil {
		p.shown.Clear()
		p.shown = nil
	}
}

// tell tells how far the phase has come.
func (p *progress) tell() {
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.phase == "" {
		return
	}
	done, total := p.done.Load(), p.total.Load()
	if total > 0 {
		done = min(done, total)
	}
	took := time.Since(p.since)
	rate := float64(done) / took.Seconds()
	left := time.Duration(-1)
	if total > 0 && done > 0 {
		left = time.Duration(float64(total-done) / rate * float64(time.Second))
	}
	switch {
	case p.log != nil:
		attrs := []any{"phase", p.phase, "done", done, "per_second", rate}
		if total > 0 {
			attrs = append(attrs, "total", total)
		}
		if left >= 0 {
			attrs = append(attrs, "seconds_left", left.Seconds())
		}
		p.log.Info("progress", attrs...)
	case p.bar:
		counts := done > 0 || total > 0
		if p.shown == nil || counts != p.counts {
			p.clear()
			p.counts = counts
			p.shown = newBar(p.out, p.phase, p.noun, total, counts)
		}
		p.shown.Set64(done)
	default:
		fmt.Fprintln(p.out, "soilshed:", progressLine(p.phase, p.noun, done, total, rate, left))
	}
}

// newBar makes a bar; one of unknown length when total is 0.
func newBar(w io.Writer, phase, noun string, total int64, counts bool) *progressbar.ProgressBar {
	options := []progressbar.Option{
		progressbar.OptionSetWriter(w), progressbar.OptionSetDescription(fmt.Sprintf("%-14s", phase)), progressbar.OptionSetWidth(24),
		progressbar.OptionClearOnFinish(), progressbar.OptionSpinnerType(14), progressbar.OptionSetSpinnerChangeInterval(0),
	}
	if counts {
		options = append(options, progressbar.OptionShowCount(), progressbar.OptionShowIts(), progressbar.OptionSetItsString(noun), progressbar.OptionSetPredictTime(true))
	}
	if total == 0 {
		total = -1
	}
	return progressbar.NewOptions64(total, options...)
}

// progressLine is a line of progress; left is below 0 where it is not known.
func progressLine(phase, noun string, done, total int64, rate float64, left time.Duration) string {
	s := phase
	switch {
	case done == 0:
		return s
	case total > 0:
		s += fmt.Sprintf(": %s of %s %s, %d %%", grouped(int(done)), grouped(int(total)), noun, 100*done/total)
	default:
		s += fmt.Sprintf(": %s %s", grouped(int(done)), noun)
	}
	s += fmt.Sprintf(", %s a second", grouped(int(rate)))
	if left >= 0 {
		s += fmt.Sprintf(", %s left", left.Round(time.Second))
	}
	return s
}

// close ends the telling. With --log json it tells the end of the run too, and
// marks an error as told.
func (p *progress) close(a *assessment, err error) error {
	if p == nil {
		return err
	}
	close(p.stop)
	p.ended.Wait()
	p.mu.Lock()
	p.clear()
	p.mu.Unlock()
	if p.log == nil {
		return err
	}
	for _, n := range a.in.report.Notes {
		p.log.Info("note", "text", n)
	}
	left := 0
	for _, l := range a.in.report.Layers {
		for _, f := range l.FirstFailed {
			p.log.Warn("left out", "text", f)
		}
		left += l.leftOut()
	}
	if err != nil {
		text := layer.ShownIn(err.Error())
		if errors.Is(err, context.Canceled) {
			text = stopped
		}
		p.log.Error("failed", "error", text, "status", statusOf(err))
		return toldError{err}
	}
	p.log.Info("done", "out", a.o.shownOut(), "trees", a.in.trees.len(), "left_out", left, "status", exitDone)
	return nil
}

// toldError was told already.
type toldError struct{ err error }

func (e toldError) Error() string { return e.err.Error() }
func (e toldError) Unwrap() error { return e.err }

// stopped counts n more things done, and tells whether the run is to stop.
func (p *progress) stopped(ctx context.Context, n int) bool {
	p.add(n)
	return ctx.Err() != nil
}
