package main

import (
	"context"
	"fmt"
	"io"
	"regexp"
	"slices"
	"strconv"
	"strings"

	"github.com/paulmach/orb"

	"soilshed/geo"
	"soilshed/geo/ground"
	"soilshed/geo/layer"
	"soilshed/risk"
	"soilshed/risk/collar"
	"soilshed/risk/rank"
	"soilshed/risk/soil"
)

// workStop is a line of the worklist.
type workStop struct {
	tree          int
	job           rank.Job
	day, stop     int // 0 where no crew days were asked for
	travelH, from float64
}

// worklist is what a crew takes along.
type worklist struct {
	stops    []workStop
	plan     rank.Plan             // for twice the days asked for
	jobs     int                   // trees that wait
	restGain float64               // by jobs too late in the list to be planned with
	dug      int                   // ranked trees that were excavated before, and wait no more
	roots    []foundRoot           // of what was found at them
	digs     map[string]excavation // the latest of each tree; nil where no file is given
}

// listRows caps the worklist where no number of crew days cuts it off: more than
// a crew does in a season, and a file that a spreadsheet opens at once (setting,
// no source).
const listRows = 500

// jobsADay is how many of the best jobs are planned with for each crew day: many
// times what a day holds, so that those near one another are among them.
const jobsADay = 400

// work lays out the worklist. A tree that was excavated before takes no place.
func (a *assessment) work() (*worklist, error) {
	dug, err := a.excavated()
	if err != nil {
		return nil, err
	}
	w := &worklist{digs: dug}
	days := a.o.crewDays
	// What comes so late in the list that no crew of these days gets there need
	// not be planned with.
	most := listRows
	if days > 0 {
		most = 2 * days * jobsADay
	}
	var jobs []rank.Job
	for _, i := range a.byRank {
		if _, was := dug[a.in.trees.id(int(i))]; was {
			w.dug++
			continue
		}
		w.jobs++
		if len(jobs) < most {
			jobs = append(jobs, a.job(int(i)))
		} else if days > 0 {
			w.restGain += a.job(int(i)).Gain
		}
	}
	if days == 0 {
		for _, j := range jobs {
			w.stops = append(w.stops, workStop{tree: j.Key, job: j})
		}
		return w, nil
	}
	w.plan = rank.CrewDays(jobs, 2*days, rank.Crew{HoursPerDay: a.o.crewHours, SpeedKMH: a.o.crewSpeed})
	w.plan.AllGain += w.restGain
	for d, day := range w.plan.Days[:min(days, len(w.plan.Days))] {
		for s, stop := range day.Stops {
			w.stops = append(w.stops, workStop{stop.Key, stop.Job, d + 1, s + 1, stop.TravelH, stop.StartH})
		}
	}
	return w, nil
}

// excavated are the trees of the file of excavations, when one is given.
func (a *assessment) excavated() (map[string]excavation, error) {
	if a.o.excavations == "" {
		return nil, nil
	}
	x, err := readExcavations(a.o.excavations, a.o.excavationFields, a.o.units == "us")
	if err != nil {
		return nil, err
	}
	a.in.report.Notes = append(a.in.report.Notes, x.Notes...)
	return x.latest(), nil
}

// tell says what the days do, and what as many again would.
func (w *worklist) tell(a *assessment, out io.Writer) {
	fmt.Fprintf(out, "\nWorklist: %s\n", layer.TablePath(a.o.out, "worklist"))
	if w.dug > 0 {
		fmt.Fprintf(out, "  %s were excavated before and take no place in it\n", countOf(w.dug, "tree", "trees"))
	}
	if n := len(w.roots); n > 0 {
		fmt.Fprintf(out, "  what was found at %s of them, cutting set beside keeping: %s\n", grouped(n), layer.TablePath(a.o.out, "found"))
	}
	if a.o.crewDays == 0 {
		fmt.Fprintf(out, "  the first %s of %s, in the order of the list; --crew-days N makes days of a crew of it\n", grouped(len(w.stops)), countOf(w.jobs, "tree", "trees"))
		return
	}
	for _, days := range []int{a.o.crewDays, 2 * a.o.crewDays} {
		n, gain, of := w.plan.After(days)
		if a.o.listBy == byGirdling {
			fmt.Fprintf(out, "  %s: %s looked at, of which %.0f are to be expected girdled, of %.0f among all %s\n",
				countOf(days, "crew day", "crew days"), countOf(n, "tree", "trees"), gain, w.plan.AllGain, grouped(w.jobs))
			continue
		}
		fmt.Fprintf(out, "  %s: %s looked at, averting %.0f %% of the harm that looking at all %s would\n",
			countOf(days, "crew day", "crew days"), countOf(n, "tree", "trees"), 100*of, grouped(w.jobs))
	}
	if len(w.plan.Days) < 2*a.o.crewDays {
		fmt.Fprintf(out, "  the work ends after %s\n", countOf(len(w.plan.Days), "day", "days"))
	}
}

// workField is a field of the worklist: its name and units as in treeFields.
type workField struct {
	outField
	of func(a *assessment, s *workStop) layer.Value
}

// words makes a text, null when it is empty.
func words(s string) layer.Value {
	if s == "" {
		return layer.Value{}
	}
	return layer.String(s)
}

// placed makes a whole number, null for 0: not planned.
func placed(n int) layer.Value {
	if n == 0 {
		return layer.Value{}
	}
	return layer.Whole(int64(n))
}

// lonLat gives a coordinate on WGS 84, for a telephone's map; null where the
// local grid leads nowhere on earth.
func lonLat(k int) func(*assessment, *workStop) layer.Value {
	return func(a *assessment, s *workStop) layer.Value {
		to, _, err := a.in.plane.To(wgs84)
		if err != nil {
			return layer.Value{}
		}
		lon, lat, err := to(geo.XY{X: s.job.EastM, Y: s.job.NorthM})
		if err != nil {
			return layer.Value{}
		}
		return number([...]float64{lon, lat}[k])
	}
}

// The one table of the worklist's fields.
var workFields = []workField{
	{outField{name: "rank", kind: layer.Integer, alias: "rank", doc: "Place in the whole list: by the harm that an hour of a crew can avert, or as --list-by says."},
		func(a *assessment, s *workStop) layer.Value { return layer.Whole(int64(a.rows[s.tree].rank)) }},
	{outField{name: "day", kind: layer.Integer, alias: "crew day", doc: "Day of the crew, the most worthwhile first; empty without --crew-days."},
		func(_ *assessment, s *workStop) layer.Value { return placed(s.day) }},
	{outField{name: "stop", kind: layer.Integer, alias: "stop", doc: "Stop of that day, in driving order."},
		func(_ *assessment, s *workStop) layer.Value { return placed(s.stop) }},
	{outField{name: "start_h", kind: layer.Real, unit: "h", digits: 2, alias: "starts", doc: "Hours into the day at which work on it starts."},
		func(_ *assessment, s *workStop) layer.Value {
			if s.day == 0 {
				return layer.Value{}
			}
			return number(s.from)
		}},
	{outField{name: "travel_h", kind: layer.Real, unit: "h", digits: 2, alias: "travel", doc: "Hours on the way from the stop before, packing up included."},
		func(_ *assessment, s *workStop) layer.Value {
			if s.day == 0 {
				return layer.Value{}
			}
			return number(s.travelH)
		}},
	{outField{name: "tree_id", alias: "tree", doc: "Number of the tree, as in the layer trees."},
		func(a *assessment, s *workStop) layer.Value { return words(a.in.trees.id(s.tree)) }},
	{outField{name: "species", alias: "species", doc: "Species, as in the layer trees."},
		asInTrees("species")},
	{outField{name: "dbh_cm", usName: "dbh_in", kind: layer.Real, of: diameterCm, digits: 1, alias: "DBH", doc: "Diameter at breast height, as in the layer trees."},
		asInTrees("dbh_cm")},
	{outField{name: "street", alias: "street", doc: "Street, as recorded."},
		func(a *assessment, s *workStop) layer.Value { return words(a.in.trees.street(s.tree)) }},
	{outField{name: "site", alias: "kind of place", doc: "Kind of place, as recorded."},
		func(a *assessment, s *workStop) layer.Value { return words(a.in.trees.site(s.tree)) }},
	{outField{name: "look", alias: "what to look for", doc: "What to look for first, and on which side."},
		func(a *assessment, s *workStop) layer.Value { return words(a.local(a.look(s.tree))) }},
	{outField{name: "tools", alias: "tools", doc: "Tools for the ground it stands in. Common practice, no source."},
		func(a *assessment, s *workStop) layer.Value {
			return words(tools[a.digging(s.tree, a.rows.at(s.tree))])
		}},
	{outField{name: "hours", kind: layer.Real, unit: "h", digits: 2, alias: "hours on site", doc: "Hours of a crew of two on site, by the size of the stem and the ground. Common practice, no source."},
		func(_ *assessment, s *workStop) layer.Value { return number(s.job.HoursH) }},
	{outField{name: "cautions", alias: "cautions", doc: "What to mind."},
		func(a *assessment, s *workStop) layer.Value { return words(a.cautions(s.tree)) }},
	{outField{name: "why", alias: "reasons", doc: "The three strongest reasons."},
		func(a *assessment, s *workStop) layer.Value { return words(a.local(a.rows.at(s.tree).res.Why())) }},
	{outField{name: "missing", alias: "missing", doc: "What the inventory does not say of this tree: note it on site."},
		func(a *assessment, s *workStop) layer.Value { return words(a.rows.at(s.tree).res.Missing.Words()) }},
	{outField{name: "lon", kind: layer.Real, digits: 7, alias: "longitude", doc: "Longitude, degrees, WGS 84."}, lonLat(0)},
	{outField{name: "lat", kind: layer.Real, digits: 7, alias: "latitude", doc: "Latitude, degrees, WGS 84."}, lonLat(1)},
}

// asInTrees gives what the layer trees has in a field.
func asInTrees(name string) func(*assessment, *workStop) layer.Value {
	return func(a *assessment, s *workStop) layer.Value {
		f := &treeFields[slices.IndexFunc(treeFields, func(f outField) bool { return f.name == name })]
		size := a.sizeOf(s.tree)
		return f.get(a, s.tree, a.rows.at(s.tree), &size)
	}
}

// digging is what a crew has to dig in.
func (a *assessment) digging(i int, r *row) rank.Ground {
	t := a.in.trees.at(i)
	if r.how == ground.Recorded || r.how == ground.Assumed || r.how == ground.Sealed ||
		measuredGround(r.how) && r.openM2 < smallPitM2 {
		return rank.Tight
	}
	tx := t.Texture
	if tx == soil.NoTexture {
		if tag, ok := a.in.m.SoilAt(a.in.at[i]); ok {
			tx = a.in.units[tag].Texture
		}
	}
	switch tx {
	case soil.Clay, soil.SiltyClay, soil.SandyClay, soil.ClayLoam, soil.SiltyClayLoam:
		return rank.Firm
	}
	return rank.Loose
}

// tools by ground: common practice, no source.
var tools = [...]string{
	rank.Loose: "air excavation tool or trowel and brush; tape, camera",
	rank.Firm:  "air excavation tool, pick for the crust (soak hard clay the day before); tape, camera",
	rank.Tight: "bars to lift grate or pavers, vacuum, trowel and brush; tape, camera",
}

// buriedCm is the soil over the first main roots from which they are said to lie
// deep: more than a hand's breadth hides the flare. Common practice, no source.
const buriedCm = 8

// look says what to look for first, and on which side: first what hides the
// collar, then roots across the stem, from the side where the hard edge turned
// them back, then the side towards which it is weakest.
func (a *assessment) look(i int) string {
	t, r := a.in.trees.at(i), a.rows.at(i)
	var parts []string
	switch {
	case t.FlareCm.Known && t.FlareCm.Value >= buriedCm:
		parts = append(parts, fmt.Sprintf("first main roots, about %.0f cm down", t.FlareCm.Value))
	case t.FlareSeen == collar.No:
		parts = append(parts, "root flare, not to be seen: find the first main roots")
	case t.FlareSeen == collar.Yes:
		parts = append(parts, "any side on which the stem goes flat into the ground")
	default:
		parts = append(parts, "root flare, and any side on which the stem goes flat into the ground")
	}
	across := "roots across the stem"
	if t.Stock == collar.SolidContainer {
		across = "roots that circle as in a pot"
	}
	from := ""
	if measuredGround(r.how) && r.how != openGround && r.shortM < a.model.Size(&t).ReachM/2 {
		from = risk.Compass(r.shortBrg)
		across += fmt.Sprintf(", first to the %s (hard edge %.1f m off)", from, r.shortM)
	}
	parts = append(parts, across)
	if weak := risk.Compass(r.res.WeakBearing); weak != "" {
		same := ""
		if weak == from {
			same = " too"
		}
		parts = append(parts, "would fall to the "+weak+same)
	}
	return strings.Join(parts, "; ")
}

// lowGustMS is the gust of failure below which a crew is told to keep away in
// wind: a near gale, in which walking is hard (Beaufort 7 and 8 meet at 17 m/s).
const lowGustMS = 17

// cautions are those of every dig, and what this tree adds to them.
func (a *assessment) cautions(i int) string {
	t, r := a.in.trees.at(i), a.rows.at(i)
	s := "Call before you dig. Mind traffic and overhead lines: local rules and permits. Cut no root: that is for a certified arborist."
	if r.res.CarefulGustMS < lowGustMS {
		s += " Do not work under it in wind."
	}
	if t.WalkReplacedYr.Known {
		s += " Roots may have been cut for the walk."
	}
	return s
}

var quantities = regexp.MustCompile(`(\d+(?:\.\d+)?)(?:( of | to )(\d+(?:\.\d+)?))? (m3|m2|m/s|cm|m)(\b|$)`)

// local puts the quantities of a sentence into the units of the run.
func (a *assessment) local(s string) string {
	if a.o.units != "us" {
		return s
	}
	return usWords(s)
}

// usWords turns metres and the like in a sentence into feet and the like, with as
// many digits as were there, two at least.
func usWords(s string) string {
	of := map[string]measure{"m3": volumeM3, "m2": areaM2, "m/s": speedMS, "cm": diameterCm, "m": lengthM}
	return quantities.ReplaceAllStringFunc(s, func(q string) string {
		m := quantities.FindStringSubmatch(q)
		u := usUnits[of[m[4]]]
		turn := func(x string) string {
			v, err := strconv.ParseFloat(x, 64)
			if err != nil {
				return x
			}
			digits := len(strings.TrimLeft(strings.Replace(x, ".", "", 1), "0"))
			v, err = strconv.ParseFloat(strconv.FormatFloat(v*u.factor, 'g', max(2, digits), 64), 64)
			if err != nil {
				return x
			}
			return strconv.FormatFloat(v, 'f', -1, 64)
		}
		if m[2] != "" {
			return turn(m[1]) + m[2] + turn(m[3]) + " " + u.unit
		}
		return turn(m[1]) + " " + u.unit
	})
}

// beside is what an assessment writes besides trees and openings: the worklist,
// as a layer and as a table for the crew, and the water of the season.
type beside struct {
	work        *worklist
	table       *layer.Table // worklist.csv
	list, water int          // places among the layers; water is 0 when there is none
	changes     int          // the same of the table of changes
	found       int          // the same of what was found; 0 without a file of excavations
	finds       *layer.Table // found.csv
	changed     *layer.Table // changes.csv, where the output is one file
}

// besides adds the schemas of the further layers to those of the output.
func (w *writer) besides(schemas []layer.Schema) []layer.Schema {
	w.beside.list = len(schemas)
	list := layer.Schema{Name: "worklist", Title: "Root collars to look at, in order", Abstract: caution, System: w.system, Shape: layer.Points}
	for i := range workFields {
		list.Fields = append(list.Fields, workFields[i].field(w.us))
	}
	schemas = append(schemas, list)
	if w.a.model.HasWater() {
		w.beside.water = len(schemas)
		schemas = append(schemas, waterSchema(w.us))
	}
	if w.a.o.excavations != "" {
		w.beside.found = len(schemas)
		schemas = append(schemas, w.foundSchema())
	}
	if w.a.older != nil {
		w.beside.changes = len(schemas)
		schemas = append(schemas, changeSchema())
	}
	return schemas
}

// rest writes the worklist, what was found, and the water; all are to be committed.
func (w *writer) rest(ctx context.Context) (err error) {
	a := w.a
	if w.beside.work, err = a.work(); err != nil {
		return err
	}
	schema := layer.Schema{Name: "worklist"}
	for i := range workFields {
		schema.Fields = append(schema.Fields, workFields[i].field(w.us))
	}
	if w.beside.table, err = layer.CreateTable(layer.TablePath(a.o.out, "worklist"), schema); err != nil {
		return err
	}
	for k := range w.beside.work.stops {
		s := &w.beside.work.stops[k]
		if k%1024 == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		x, y, err := w.to(a.in.at[s.tree])
		if err != nil {
			return &layer.Error{File: a.o.out, Layer: "worklist", Err: err}
		}
		f := layer.Feature{FID: int64(k + 1), Geometry: orb.Point{x, y}}
		for i := range workFields {
			c := &workFields[i]
			f.Values = append(f.Values, c.written(c.of(a, s), w.us))
		}
		if err := w.sink.Write(w.beside.list, f); err != nil {
			return err
		}
		if err := w.beside.table.Write(f); err != nil {
			return err
		}
	}
	if w.beside.found > 0 {
		if err := w.found(ctx); err != nil {
			return err
		}
	}
	if w.beside.water == 0 {
		return nil
	}
	fid := int64(0)
	for i, r := range a.rows.all() {
		if i%1024 == 0 && ctx.Err() != nil {
			return ctx.Err()
		}
		if !r.watered() {
			continue
		}
		fid++
		f := layer.Feature{FID: fid}
		size := a.sizeOf(i)
		for k := range waterFields {
			f.Values = append(f.Values, waterFields[k].value(a, i, r, &size, w.us))
		}
		if err := w.sink.Write(w.beside.water, f); err != nil {
			return err
		}
	}
	return nil
}
