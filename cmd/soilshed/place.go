package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"github.com/spf13/pflag"
	"golang.org/x/sync/errgroup"

	"soilshed/geo"
	"soilshed/geo/ground"
	"soilshed/geo/layer"
	"soilshed/risk"
	"soilshed/risk/soil"
)

const aboutPlace = `soilshed place looks for ground. For each tree that has less than it needs it finds
the smallest enlargement of its opening, within the paving that may be opened, that
gives it enough and leaves no neighbour short. With --new-tree it finds the spots
along a line where a new tree would have ground enough as it is. It takes the flags
of assess too.

  soilshed place --config city.toml --may-open may-open.geojson --out places.gpkg
  soilshed place --config city.toml --new-tree medium --along lines.geojson --out spots.gpkg`

// placeOptions are the flags of place beside those of assess.
type placeOptions struct {
	options
	mayOpen []string
	within  string
	upTo    float64
	newTree string
	along   []string
	every   float64
	spacing float64
	size    soil.Size
}

func placeFlags(o *placeOptions) *pflag.FlagSet {
	f := flagsOf(&o.options, "place")
	f.StringArrayVar(&o.mayOpen, "may-open", nil, "paving that may be opened `FILE`: polygons; give it once for each layer")
	f.StringVar(&o.within, "within", "", "corridor `FILE`: polygons; trees and spots outside are left aside")
	f.Float64Var(&o.upTo, "up-to", 100, "`PERCENT` of its need that a tree shall have")
	f.StringVar(&o.newTree, "new-tree", "", "look for spots for new trees of this mature `SIZE`: small, medium or large")
	f.StringArrayVar(&o.along, "along", nil, "lines along which new trees may stand `FILE`")
	f.Float64Var(&o.every, "every", 0.5, "`METRES` between the spots that are tried along a line")
	f.Float64Var(&o.spacing, "spacing", 6, "least `METRES` from a new stem to any other")
	return f
}

func runPlace(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	var o placeOptions
	f := placeFlags(&o)
	if err := parse(f, args, "place", aboutPlace, stdout); err != nil {
		if err == pflag.ErrHelp {
			return nil
		}
		return err
	}
	if f.NArg() > 0 {
		return usagef("place takes flags alone, not %q; paving that may be opened is --may-open FILE", f.Arg(0))
	}
	if err := o.check(); err != nil {
		return err
	}
	p := &placing{o: &o, a: &assessment{o: &o.options}}
	hold, notes, err := holdForRun(o.files())
	if err != nil {
		return err
	}
	defer hold.release()
	p.a.in.report.Notes = append(p.a.in.report.Notes, notes...)
	pr := newProgress(&o.options, stderr)
	p.a.progress, p.a.in.progress = pr, pr
	err = p.run(ctx)
	if err == nil && o.out != "" {
		err = p.write(ctx, hold)
	}
	if err = pr.close(p.a, err); err != nil {
		return err
	}
	if !o.quiet {
		p.tell(stdout)
	}
	return p.a.tooMany(o.out != "")
}

// check checks the flags.
func (o *placeOptions) check() error {
	switch {
	case len(o.mayOpen) == 0 && o.newTree == "":
		return usagef("nothing to look for: --may-open FILE for larger openings, --new-tree SIZE with --along FILE for spots for new trees")
	case !(o.upTo > 0 && o.upTo <= 1000):
		return usagef("--up-to %g: must lie above 0 and up to 1000", o.upTo)
	case (o.newTree == "") != (len(o.along) == 0):
		return usagef("--new-tree SIZE and --along FILE go together")
	case !(o.every >= 0.1 && o.every <= 100):
		return usagef("--every %g: must lie in 0.1 to 100", o.every)
	case !(o.spacing >= 0 && o.spacing <= 100):
		return usagef("--spacing %g: must lie in 0 to 100", o.spacing)
	}
	if o.newTree != "" {
		k := slices.Index(sizeNames(), o.newTree)
		if k < 0 {
			return usagef("--new-tree %s: one of %s", o.newTree, strings.Join(sizeNames(), ", "))
		}
		o.size = soil.Size(k)
	}
	if err := o.understand(); err != nil {
		return err
	}
	o.jitters = 0 // no spread is told
	if o.out == "" {
		return nil
	}
	for _, in := range slices.Concat(o.mayOpen, o.along, []string{o.within}) {
		if in == o.out {
			return usagef("--out %s: would be written over the input of this name (give another name)", o.out)
		}
	}
	return o.checkDestination()
}

// files are the names of the files that it writes.
func (o *placeOptions) files() []string {
	if o.out == "" {
		return nil
	}
	return slices.DeleteFunc([]string{o.out, layer.TablePath(o.out, "table")}, layer.IsDatabase)
}

func sizeNames() []string { return []string{"small", "medium", "large"} }

// placing is a search for ground.
type placing struct {
	o      *placeOptions
	a      *assessment
	region *ground.Map
	offers [][][]geo.XY // polygons that may be opened
	lines  [][]geo.XY

	places []shortTree // of each short tree, in the order of the inventory
	spots  []spot
	tried  int // spots
	short  int // trees that are short
}

// shortTree is what was found for one short tree.
type shortTree struct {
	tree    int
	was     *row
	needM3  float64
	grown   *ground.Enlargement // nil when refused
	refusal *ground.Refusal
	takenID string // of the neighbour that would be left short
}

// spot is a place where a new tree has ground enough.
type spot struct {
	line           int
	alongM         float64
	at             geo.XY
	site           ground.Site
	needM3, reachM float64
	shared         bool
}

func (p *placing) run(ctx context.Context) error {
	o, a := p.o, p.a
	if err := a.prepare(ctx); err != nil {
		return err
	}
	a.in.source.Close()
	if o.within != "" {
		var err error
		if p.region, _, err = (&scheme{a: a}).readWithin(ctx, o.within); err != nil {
			return err
		}
	}
	for _, file := range o.mayOpen {
		if err := a.in.readPolygons(ctx, &o.options, ground.NewBuilder(), file, "may open", []string{}, func(*layer.Schema) (polygonFunc, error) {
			return func(_ *layer.Feature, rings [][]geo.XY) error {
				var kept [][]geo.XY
				for _, r := range rings {
					kept = append(kept, slices.Clone(r))
				}
				if len(kept) == 0 || len(kept[0]) < 3 {
					return errors.New("the outer ring has fewer than 3 vertices")
				}
				p.offers = append(p.offers, kept)
				return nil
			}, nil
		}); err != nil {
			return err
		}
	}
	for _, file := range o.along {
		if err := a.in.readLines(ctx, &o.options, file, "along", func(line []geo.XY) error {
			p.lines = append(p.lines, line)
			return nil
		}); err != nil {
			return err
		}
	}
	if len(p.offers) > 0 {
		if err := a.phase("look for ground", func() error { return p.enlarge(ctx) }); err != nil {
			return err
		}
	}
	if len(p.lines) > 0 {
		return a.phase("look for spots", func() error { return p.newTrees(ctx) })
	}
	return nil
}

// counts tells whether a tree is one for which ground is looked for.
func (p *placing) counts(i int) bool {
	in := &p.a.in
	return !in.trees.removed(i) && !in.trees.dead(i) && in.kinds[i] == singleTree && (p.region == nil || p.region.Covers(in.at[i]))
}

// enlarge finds an enlargement for each short tree, each by itself: what is
// opened for one tree is not there for the next.
func (p *placing) enlarge(ctx context.Context) error {
	a := p.a
	a.only = make([]bool, a.in.trees.len())
	for i := range a.in.trees.len() {
		a.only[i] = p.counts(i)
	}
	if err := a.run(ctx, func([]shape) error { return nil }); err != nil {
		return err
	}
	for i := range a.rows {
		if r := a.rows.at(i); a.only[i] && r.res.Graded && r.res.SoilPct < p.o.upTo {
			p.places = append(p.places, shortTree{tree: i, was: r, needM3: r.res.Need * p.o.upTo / 100})
		}
	}
	p.short = len(p.places)
	a.progress.expect(len(p.places), "trees")
	g, ctx := errgroup.WithContext(ctx)
	g.SetLimit(p.o.workers)
	for k := range p.places {
		if ctx.Err() != nil {
			break
		}
		g.Go(func() error {
			defer a.progress.add(1)
			if err := ctx.Err(); err != nil {
				return err
			}
			return p.find(&p.places[k])
		})
	}
	return g.Wait()
}

// need is what tree i needs on a site, by the rule of the run.
func (p *placing) need(i int32, s *ground.Site) float64 {
	a := p.a
	t := a.in.trees.at(int(i))
	size := a.model.Size(&t)
	g := a.in.ground(a.survey.Stand(i), s)
	return a.model.NeedM3(&t, &size, &g)
}

// floor is the least that a neighbour keeps: what it has, or what it needs where
// it has more.
func floor(has, need float64) float64 { return min(has, need) }

func (p *placing) find(x *shortTree) error {
	l := p.a.survey.Local(int32(x.tree))
	var near [][][]geo.XY
	for _, rings := range p.offers {
		if ringNear(rings[0], l.At, l.ReachM+p.o.snap) {
			near = append(near, rings)
		}
	}
	grown, refusal, err := l.Enlarge(near, ground.Wish{
		NeedM3:  func(s *ground.Site) float64 { return p.need(l.IDs[0], s) * p.o.upTo / 100 },
		FloorM3: func(k int, now *ground.Site) float64 { return floor(now.SoilM3, p.need(l.IDs[k], now)) },
	})
	if err != nil {
		return err
	}
	x.grown, x.refusal = grown, refusal
	if grown != nil {
		x.needM3 = p.need(l.IDs[0], &grown.After) * p.o.upTo / 100
	} else if refusal.Taken >= 0 {
		x.takenID = p.a.in.trees.id(int(l.IDs[refusal.Taken]))
	}
	return nil
}

// ringNear tells whether the box of a ring comes within r of c.
func ringNear(ring []geo.XY, c geo.XY, r float64) bool {
	box := noBox
	for _, q := range ring {
		box[0], box[1] = min(box[0], q.X), min(box[1], q.Y)
		box[2], box[3] = max(box[2], q.X), max(box[3], q.Y)
	}
	return meets(box, [4]float64{c.X, c.Y, c.X, c.Y}, r)
}

// newReachM is how far the roots of a new tree are counted once it is grown, by
// its mature size: the reach of stems of 25, 50 and 75 cm at 12 x DBH. Common
// practice, no source.
var newReachM = [3]float64{3, 6, 9}

// measureM is what a tape does not tell: a spot that much too near is not.
const measureM = 0.01

// newTrees goes along the lines and takes each spot at which a new tree has ground
// enough, with those that were taken before it.
func (p *placing) newTrees(ctx context.Context) error {
	a := p.a
	reach := newReachM[p.o.size]
	if p.o.reach > 0 {
		reach = p.o.reach
	}
	need := func(s *ground.Site) float64 {
		return soil.NeedStandardM3(p.o.size, s.Mates > 0, a.model.Standard) * p.o.upTo / 100
	}
	var taken []ground.Stand
	for n, line := range p.lines {
		err := walk(line, p.o.every, func(alongM float64, at geo.XY) error {
			if p.region != nil && !p.region.Covers(at) {
				return nil
			}
			if p.tried++; p.tried%256 == 0 && ctx.Err() != nil {
				return ctx.Err()
			}
			for _, t := range taken {
				if t.At.Distance(at) < p.o.spacing-measureM {
					return nil
				}
			}
			st := ground.Stand{At: at, ReachM: reach, CrownM2: a.newCrownM2()}
			l := a.survey.LocalWith(st, taken)
			for _, k := range l.Touched {
				if l.Stands[k].At.Distance(at) < p.o.spacing-measureM {
					return nil
				}
			}
			of := append([]int{0}, l.Touched...)
			sites, err := l.Sites(nil, of...)
			if err != nil {
				return err
			}
			s := &sites[0]
			if s.How != ground.Measured && s.How != ground.Open || s.SoilM3 < need(s) {
				return nil
			}
			l.Absent(0, true)
			before, err := l.Sites(nil, l.Touched...)
			if err != nil {
				return err
			}
			for m, k := range l.Touched {
				now := &before[m]
				asks := need(now)
				if id := l.IDs[k]; id >= 0 {
					asks = p.need(id, now)
				}
				if sites[m+1].SoilM3 < floor(now.SoilM3, asks)-1e-6 {
					return nil
				}
			}
			taken = append(taken, st)
			p.spots = append(p.spots, spot{line: n + 1, alongM: alongM, at: at, site: *s, needM3: need(s), reachM: reach, shared: s.Mates > 0})
			return nil
		})
		if err != nil {
			return err
		}
	}
	return nil
}

// newCrownM2 is the crown of a new tree where shares go by crown area: that of the
// middle of the inventory.
func (a *assessment) newCrownM2() float64 {
	if a.o.share != "crown" || a.in.trees.len() == 0 {
		return 0
	}
	all := make([]float64, a.in.trees.len())
	for i := range a.in.trees.len() {
		all[i] = a.survey.Stand(int32(i)).CrownM2
	}
	return median(all)
}

// walk calls do at each step along a line, from its beginning.
func walk(line []geo.XY, stepM float64, do func(alongM float64, at geo.XY) error) error {
	next, done := 0.0, 0.0
	for i := 0; i+1 < len(line); i++ {
		a, b := line[i], line[i+1]
		long := a.Distance(b)
		for long > 0 && next <= done+long+measureM {
			t := min(1, (next-done)/long)
			if err := do(next, geo.XY{X: a.X + t*(b.X-a.X), Y: a.Y + t*(b.Y-a.Y)}); err != nil {
				return err
			}
			next += stepM
		}
		done += long
	}
	return nil
}

// sidesSay names the sides that move.
func sidesSay(e *ground.Enlargement) string {
	if len(e.Sides) == 4 {
		return "all round"
	}
	var words []string
	for _, b := range e.Sides {
		words = append(words, risk.Compass(float64(b)))
	}
	return strings.Join(words, " and ")
}

// why says in words what was found, or why nothing was; in SI.
func (p *placing) why(x *shortTree) string {
	switch g, r := x.grown, x.refusal; {
	case g != nil:
		where, by := sidesSay(g), ""
		if len(g.Sides) < 4 {
			where = "to the " + where
		}
		if g.ByM >= 0.005 {
			by = fmt.Sprintf(", %.2f m outwards", g.ByM)
		}
		return fmt.Sprintf("open %.1f m2 %s%s, %.2f m deep: %.1f m3 become %.1f m3, as it needs", g.AreaM2, where, by, g.DepthM, x.was.soilM3, g.After.SoilM3)
	case math.IsInf(r.NeedM3, 1):
		return "no volume of soil gives it enough by the rule of need"
	case r.Nothing:
		return "no paving that may be opened touches its opening within reach"
	case r.Taken >= 0:
		return fmt.Sprintf("what would be enough takes ground from tree %s, which would be left with less than its own", x.takenID)
	}
	return fmt.Sprintf("all that may be opened within reach gives it %.1f of %.1f m3", x.refusal.MostM3, x.refusal.NeedM3)
}

// result is what was found, in a word.
func (x *shortTree) result() string {
	switch {
	case x.grown != nil:
		return "enlarge"
	case x.refusal.Nothing:
		return "nothing to open"
	case x.refusal.Taken >= 0:
		return "takes from a neighbour"
	}
	return "not enough"
}

// placeCaution goes with everything that may be dug.
const placeCaution = "Call before you dig: lines lie under walks. Cut no root: that is for a certified arborist. Local rules and permits for walks, kerbs and access come first."

// cautions are those of a place.
func (p *placing) cautions(x *shortTree) string {
	s := placeCaution
	switch x.was.how {
	case ground.Assumed:
		s += " Its pit is assumed: measure it first."
	case ground.Recorded:
		s += " Its pit is from the inventory, not from the map."
	case ground.Snapped:
		s += fmt.Sprintf(" Its stem is drawn on paving, %.1f m off: check the place.", x.was.movedM)
	}
	if x.grown != nil && len(x.grown.Sides) == 4 {
		s += " Opened all round it leaves no walk beside the stem: is there another way past?"
	}
	return s
}
