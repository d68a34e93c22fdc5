package main

import (
	"bufio"
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/binary"
	"encoding/hex"
	"encoding/json"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"os"
	"slices"
	"strings"
	"sync"
	"sync/atomic"

	"github.com/spf13/pflag"

	"soilshed/geo"
	"soilshed/geo/ground"
	"soilshed/geo/layer"
	"soilshed/risk"
)

// A run with --since keeps, beside its output, the ground that it found for each
// tree: NAME-kept.bin. The next run takes from it what must come out the same and
// works out the rest, so that its output has the same bytes as if it had worked
// out all.
//
// What must come out the same is not guessed from the changes of the files. The
// file holds of each tree from which parts of the plane its ground was worked out
// (ground.Basis), and a digest of all that lay there. The digest is taken anew of
// this run's input, and only where both agree is the older answer taken. What
// counts for all trees at once (version, settings, evidence, weather, gusts) is
// held as words at the head of the file: where one of them differs, nothing is
// taken, and the run says which.
//
// The steps after the ground hang on all trees of its genus, by way of the
// cohorts. A second digest is of what they are given of a tree (taker.chainKey);
// where it is the same too, their result is taken over with the ground.

// keptMagic begins the file, with the version of its form.
const (
	keptName    = "soilshed kept "
	keptVersion = "3"
	keptMagic   = keptName + keptVersion + "\n"
)

// keptPath is where the kept results of an output lie: NAME-kept.bin.
func keptPath(out string) string {
	return strings.TrimSuffix(layer.TablePath(out, "kept"), ".csv") + ".bin"
}

// kept is what an older run has kept, ready to be looked up.
type kept struct {
	file *os.File
	size int64
	at   map[ground.Key][]lies // by the digest of the stand
	sum  string                // of the file, as the manifest tells it

	// Where the table of the output lies (kept_table.go).
	tableAt, tableBytes int64
}

// lies is where a record lies.
type lies struct {
	at int64
	n  int32
}

// reuse is the part of a run that takes over results.
type reuse struct {
	old    *kept  // nil when nothing can be taken over
	why    string // why not
	from   string // where they are kept
	common map[string]string
	new    *keptWriter
	sum    string       // of what is kept; "" before it is
	sites  atomic.Int64 // grounds taken over
	chains atomic.Int64 // with all that was reckoned on them
}

// commonWords is what counts for all trees.
func (a *assessment) commonWords() (map[string]string, error) {
	inputs, err := a.inputs.wait()
	if err != nil {
		return nil, err
	}
	settings, layers := a.survey.Globals()
	m := map[string]string{
		"program":             version + ", build " + ownDigest(),
		"ground settings":     settings,
		"kinds of layers":     layers,
		"the local plane":     a.in.plane.String(),
		"the year":            fmt.Sprint(a.year),
		"the winds' law":      fmt.Sprintf("%v %v %s", a.model.Wind.MuMS, a.model.Wind.BetaMS, a.o.terrain),
		"settings of a model": fmt.Sprintf("%+v", a.model.Settings),
	}
	for _, role := range []string{"weather", "gusts", "evidence"} {
		words := "none"
		for _, in := range inputs {
			if in.Role == role {
				words = in.SHA256
			}
		}
		m["the "+role+" file"] = words
	}
	if a.o.weather != "" {
		lat := a.o.latitude
		if lat == 0 {
			var err error
			if lat, err = a.in.latitude(); err != nil {
				return nil, err
			}
		}
		m["place of the weather station"] = fmt.Sprint(lat, a.o.elevation)
	}
	a.o.flags.VisitAll(func(f *pflag.Flag) {
		if !f.Hidden && !slices.Contains(notOfResults, f.Name) {
			m["--"+f.Name] = fmt.Sprint(flagValue(a.o.flags, f))
		}
	})
	return m, nil
}

// notOfResults are the flags that the result of a tree does not hang on, but by
// what is held as words or goes into the digests: a flag that is not named here
// counts.
var notOfResults = []string{
	"config", "trees", "pavement", "bed", "rootable", "barrier", "soil", "target", "study-area", "weather", "gusts", "evidence", "excavations",
	"out", "since", "list-by", "field", "soil-field", "rootable-field", "excavation-field", "class-field", "crs", "encoding", "xy", "tree-layer", "year", "latitude",
	"crew-days", "crew-hours", "crew-speed", "page", "charts", "tiles", "tile-paving", "in-format", "out-format", "page-details", "keep", "workers", "max-skipped", "quiet", "log",
}

// ownDigest tells this build of the program from others.
var ownDigest = sync.OnceValue(func() string {
	path, err := os.Executable()
	if err == nil {
		var f *os.File
		if f, err = os.Open(path); err == nil {
			defer f.Close()
			h := sha256.New()
			if _, err = io.Copy(h, f); err == nil {
				return hex.EncodeToString(h.Sum(nil)[:8])
			}
		}
	}
	return "not known: " + err.Error()
})

// beginReuse opens what an older run has kept, and begins what this one keeps.
func (a *assessment) beginReuse(ctx context.Context) error {
	r := &reuse{from: keptPath(a.o.since)}
	a.reuse = r
	a.survey.Digest()
	var err error
	if r.common, err = a.commonWords(); err != nil {
		return err
	}
	r.old, r.why, err = openKept(ctx, r.from, r.common)
	if err != nil {
		return err
	}
	r.new, err = createKept(keptPath(a.o.out), keptMagic, r.common)
	return err
}

// openKept reads through what is kept at path. Where it is of no use it says why.
func openKept(ctx context.Context, path string, common map[string]string) (k *kept, why string, err error) {
	f, err := os.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, "the older run has kept nothing (there is no " + path + ")", nil
	}
	if err != nil {
		return nil, fmt.Sprintf("%s cannot be read: %v", path, err), nil
	}
	damaged := path + " is damaged"
	defer func() {
		if k == nil {
			f.Close()
		}
	}()
	info, err := f.Stat()
	if err != nil || info.Size() < int64(len(keptMagic)+sha256.Size) {
		return nil, damaged, nil
	}
	sum := sha256.New()
	body := io.LimitReader(f, info.Size()-sha256.Size)
	in := bufio.NewReaderSize(io.TeeReader(body, sum), 1<<20)
	head := make([]byte, len(keptMagic)+4)
	if _, err := io.ReadFull(in, head); err != nil {
		return nil, damaged, nil
	}
	if form, ok := strings.CutPrefix(string(head[:len(keptMagic)]), keptName); !ok {
		return nil, path + " is no file of kept results", nil
	} else if form != keptVersion+"\n" {
		was, _, _ := strings.Cut(form, "\n")
		return nil, fmt.Sprintf("%s is of version %s, and this program reads version %s (it is written anew beside this output)", path, was, keptVersion), nil
	}
	n := int64(binary.LittleEndian.Uint32(head[len(keptMagic):]))
	at := int64(len(head)) + n
	if at > info.Size() {
		return nil, damaged, nil
	}
	text := make([]byte, n)
	was := map[string]string{}
	if _, err := io.ReadFull(in, text); err != nil || json.Unmarshal(text, &was) != nil {
		return nil, damaged, nil
	}
	if d := differing(was, common); d != "" {
		return nil, d, nil
	}
	k = &kept{file: f, size: info.Size(), at: map[ground.Key][]lies{}}
	var start [4 + len(ground.Key{})]byte
	for records := 0; ; records++ {
		if records%4096 == 0 && ctx.Err() != nil {
			return nil, "", ctx.Err()
		}
		_, err := io.ReadFull(in, start[:4])
		n := int(binary.LittleEndian.Uint32(start[:]))
		if err == nil && n == 0 {
			break
		}
		if err != nil || n < keptHead || int64(n) > info.Size()-at {
			return nil, damaged, nil
		}
		if _, err = io.ReadFull(in, start[4:]); err == nil {
			_, err = in.Discard(n - len(ground.Key{}))
		}
		if err != nil {
			return nil, damaged, nil
		}
		stand := ground.Key(start[4:])
		k.at[stand] = append(k.at[stand], lies{at + 4, int32(n)})
		at += 4 + int64(n)
	}
	k.tableAt = at + 4
	var end [sha256.Size]byte
	if k.tableBytes, err = io.Copy(io.Discard, in); err == nil {
		_, err = f.ReadAt(end[:], info.Size()-sha256.Size)
	}
	if err != nil || !bytes.Equal(end[:], sum.Sum(nil)) {
		return nil, damaged, nil
	}
	k.sum = hex.EncodeToString(end[:])
	return k, "", nil
}

// differing tells in words what counts for all trees and is another; "" when
// nothing is.
func differing(was, is map[string]string) string {
	var list []string
	names := make([]string, 0, len(is))
	for n := range is {
		names = append(names, n)
	}
	for n := range was {
		if _, ok := is[n]; !ok {
			names = append(names, n)
		}
	}
	slices.Sort(names)
	flags := false
	for _, n := range names {
		x, y := was[n], is[n]
		switch {
		case x == y:
		case strings.HasPrefix(n, "--"):
			flags = true
			list = append(list, fmt.Sprintf("%s is %s, was %s", n, orNone(y), orNone(x)))
		case n == "the year":
			list = append(list, fmt.Sprintf("trees are assessed for %s, then for %s", y, x))
		case n == "program" && strings.SplitN(x, ",", 2)[0] == strings.SplitN(y, ",", 2)[0]:
			list = append(list, "the program is another build of "+version)
		case n == "program":
			list = append(list, "the program is "+version+", then "+strings.SplitN(x, ",", 2)[0])
		default:
			if flags && (n == "ground settings" || n == "settings of a model" || n == "the winds' law") {
				continue // as the flags say
			}
			list = append(list, n+" is another")
		}
	}
	return strings.Join(list, "; ")
}

// keptReader reads records for one goroutine, some ahead: those of a cell lie
// together.
type keptReader struct {
	k    *kept
	at   int64
	have []byte // what lies at `at`
}

const keptAhead = 1 << 17

// record returns a record; it holds until the next call.
func (r *keptReader) record(p lies) ([]byte, error) {
	if p.at < r.at || p.at+int64(p.n) > r.at+int64(len(r.have)) {
		n := min(max(int64(p.n), keptAhead), r.k.size-p.at)
		r.have = slices.Grow(r.have[:0], int(n))[:n]
		r.at = p.at
		if _, err := r.k.file.ReadAt(r.have, p.at); err != nil {
			r.have = r.have[:0]
			return nil, err
		}
	}
	return r.have[p.at-r.at:][:p.n:p.n], nil
}

// find returns the older record of stand i, when its ground must come out the
// same; it holds until the next call.
func (r *keptReader) find(w *ground.Worker, i int32, stand ground.Key, place *ground.Site) (old record, ok bool) {
	for _, p := range r.k.at[stand] {
		b, err := r.record(p)
		if err != nil {
			continue
		}
		if old, err = recordOf(b); err != nil {
			continue
		}
		if takePlace(old.place, place); w.Key(i, &place.Basis) == old.ground {
			return old, true
		}
	}
	return record{}, false
}

func (k *kept) close() {
	if k != nil {
		k.file.Close()
	}
}

// keptWriter writes what a run keeps. What goes wrong with it does not end the
// run: it is told at the end, and the next run finds nothing to take over.
type keptWriter struct {
	file *layer.File
	buf  *bufio.Writer
	sum  hash.Hash
	err  error
}

// createKept begins a file of what is kept: its magic, and the words on which all
// of it hangs.
func createKept(path, magic string, words map[string]string) (*keptWriter, error) {
	text, err := json.Marshal(words)
	if err != nil {
		return nil, err
	}
	f, err := layer.CreateFile(path)
	if err != nil {
		return nil, err
	}
	w := &keptWriter{file: f, sum: sha256.New()}
	w.buf = bufio.NewWriterSize(io.MultiWriter(f, w.sum), 1<<20)
	w.write([]byte(magic))
	w.list(text)
	return w, nil
}

// write adds bytes. An error is held until the end.
func (w *keptWriter) write(b []byte) {
	if w.err == nil {
		_, w.err = w.buf.Write(b)
	}
}

// list adds bytes behind their length.
func (w *keptWriter) list(b []byte) {
	w.write(binary.LittleEndian.AppendUint32(nil, uint32(len(b))))
	w.write(b)
}

// commit puts the file in its place, and returns its digest.
func (w *keptWriter) commit() (sum string, err error) {
	if w.err == nil {
		w.err = w.buf.Flush()
	}
	end := w.sum.Sum(nil)
	if w.err == nil {
		_, w.err = w.file.Write(end)
	}
	if w.err != nil {
		w.file.Abort()
		return "", w.err
	}
	if err := w.file.Commit(); err != nil {
		return "", err
	}
	return hex.EncodeToString(end), nil
}

func (w *keptWriter) abort() {
	if w != nil {
		w.file.Abort()
	}
}

// abort takes away what was begun, and is not finished.
func (r *reuse) abort() {
	if r != nil {
		r.old.close()
		r.new.abort()
	}
}

// finish puts what is kept beside the output.
func (r *reuse) finish(a *assessment) {
	r.old.close()
	sum, err := r.new.commit()
	r.sum = sum
	if err = errors.Join(err, a.reuseMap.finish()); err != nil {
		r.why = strings.TrimPrefix(r.why+"; ", "; ") + "what the next run could take over was not kept: " + err.Error()
	}
}

// sentence tells what was taken over, or why nothing was.
func (r *reuse) sentence(a *assessment) string {
	ground := ""
	switch m := a.reuseMap; {
	case m == nil:
	case m.taken:
		ground = " The layers of the ground are those of that run, and were not read again."
	case m.why != "":
		ground = " Of the map of the ground: " + m.why + "."
	}
	if r.old == nil {
		return "Nothing was taken over from the older run: " + r.why + "." + ground
	}
	s := fmt.Sprintf("The ground of %s of %s trees was taken over from the older run, as all that it hangs on is the same; of %s of them, what is reckoned on it too.",
		grouped(int(r.sites.Load())), grouped(len(a.rows)), grouped(int(r.chains.Load())))
	if r.why != "" {
		s += " But " + r.why + "."
	}
	return s + ground
}

// taker takes over what it can of a cell, and works out the rest. It belongs to
// one goroutine; a.reuse may be nil.
type taker struct {
	a    *assessment
	w    *ground.Worker
	site ground.Site
	old  keptReader
	tree risk.Tree
	buf  []byte
	// whole holds the records of a cell that were taken over whole: one piece of
	// memory for all of them.
	whole []byte
	rest  []int32
	at    []int // of rest, in the cell
}

// cell does a cell: the rows, its shares and what is to be kept of them, in the
// order of its stands.
func (t *taker) cell(c ground.Cell, stopped func() bool) (shapes []shape, records [][]byte) {
	a := t.a
	found := make([]shape, len(c.Stands))
	keep := make([][]byte, len(c.Stands))
	show := func(k int, i int32, share [][][]geo.XY) {
		if len(share) > 0 && a.rows[i].how != uncoveredGround && !a.in.trees.removed(int(i)) {
			found[k] = shape{i, share}
		}
	}
	t.rest, t.at = t.rest[:0], t.at[:0]
	t.whole = make([]byte, 0, len(t.whole)) // as many as the last cell had
	for k, i := range c.Stands {
		if a.reuse != nil && a.reuse.old != nil && !stopped() {
			if record, share, ok := t.takeOver(i); ok {
				show(k, i, share)
				keep[k] = record
				continue
			}
		}
		t.rest, t.at = append(t.rest, i), append(t.at, k)
	}
	n := 0
	t.w.Do(ground.Cell{X: c.X, Y: c.Y, Stands: t.rest}, func(i int32, site *ground.Site) {
		k := t.at[n]
		n++
		if stopped() {
			return
		}
		a.rows.set(int(i), a.one(i, site, nil))
		show(k, i, site.Share)
		if a.reuse != nil {
			keep[k] = t.fresh(i, site)
		}
	})
	for k := range found {
		if found[k].polygon != nil {
			shapes = append(shapes, found[k])
		}
	}
	return shapes, keep
}

// takeOver takes the ground of tree i from the older run, and where it can the
// whole row; it returns what is to be kept.
func (t *taker) takeOver(i int32) (record []byte, share [][][]geo.XY, ok bool) {
	a := t.a
	old, ok := t.old.find(t.w, i, a.survey.StandKey(i), &t.site)
	if !ok {
		return nil, nil, false
	}
	odd := a.odd(i)
	chain := t.chainOf(i, t.site.At, odd)
	if chain == old.chain {
		share, err := takeShare(old.share)
		if err == nil && t.takeRow(i, &old, odd) == nil {
			a.reuse.sites.Add(1)
			a.reuse.chains.Add(1)
			first := len(t.whole)
			t.whole = old.whole(t.whole)
			return t.whole[first:], share, true
		}
	}
	if err := old.takeSite(&t.site); err != nil {
		return nil, nil, false
	}
	a.reuse.sites.Add(1)
	a.rows.set(int(i), a.one(i, &t.site, nil))
	return t.again(i, &old, chain), t.site.Share, true
}
