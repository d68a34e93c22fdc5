package main

import (
	"fmt"
	"io"
	"path/filepath"
	"runtime"
	"slices"
	"strings"

	"github.com/spf13/pflag"

	"soilshed/geo/crs"
	"soilshed/geo/ground"
	"soilshed/geo/layer"
	"soilshed/risk"
	"soilshed/risk/soil"
	"soilshed/risk/wind"
)

// options are what the command line of an assessment says.
type options struct {
	trees                                       string
	pavement, bed, rootable, barrier, soilLayer []string
	target, studyArea                           []string
	weather, gusts, evidence, out               string
	excavations                                 string
	plant, remove                               string
	fields, soilFields, rootableFields          []string
	weatherFields, gustFields, excavationFields []string
	crs                                         []string
	encoding, treeLayer                         string
	classField                                  string
	reach, depth, maxDepth, snap, closeGap, pit float64
	positionError                               float64
	jitters                                     int
	share, need, standard, units, keep          string
	classBounds                                 string
	pan, criticalDays, awc                      float64
	texture                                     string
	maxDryDays, runoff                          float64
	designGust, gustYears                       float64
	terrain                                     string
	windLoad, windLoadSpread                    float64
	windLoadSize, windLoadSizeSpread            float64
	latitude, elevation                         float64
	year                                        int
	workers                                     int
	maxSkipped, crewDays                        int
	listBy                                      string
	crewHours, crewSpeed                        float64
	page, charts, tiles                         string
	tilePaving                                  bool
	pageDetails                                 int
	quiet                                       bool
	cellM                                       float64
	config, log, since, xy                      string
	inFormat, outFormat                         string
	flags                                       *pflag.FlagSet

	stdin  *layer.Spooled // once it is taken in
	poured bool           // the output goes to standard output

	// Understood from the above.
	systems map[string]*crs.System // by file; "" for all that do not say
	rule    risk.NeedRule
	bounds  soil.Bounds
	std     soil.Standard
	tex     soil.Texture
	told    struct{ trees, soil, rootable []fieldFlag }
}

// flagsOf declares the flags of an assessment, as far as they serve the verb. The
// mark before each says which verbs it serves. In another the help does not show
// it, the command line may not give it, and its key in a configuration file, which
// is written for an assessment, is only checked.
func flagsOf(o *options, verb string) *pflag.FlagSet {
	var m flagMarks
	every := m.serving("assess", "check", "explain", "draw", "weigh", "compare", "place", "learn")
	listing := m.serving("assess", "check")                              // what stands beside the layer, the order of work
	ranking := m.serving("assess", "check", "explain")                   // the order of the list
	writing := m.serving("assess", "check", "draw", "place", "learn")    // a file that is not the same in each
	digging := m.serving("assess", "check", "explain", "weigh", "learn") // what was found at collars
	drawing := m.serving("assess", "check", "explain", "draw")           // the spread of the soil volume
	counting := m.serving("assess", "check", "place")                    // records that were left out
	telling := m.serving("assess", "check", "draw", "place", "learn")    // what can be kept quiet
	watching := m.serving("assess", "check", "place")                    // how far it is
	d := ground.Defaults()
	b := soil.PublishedBudget(0)
	every().StringVar(&o.config, "config", "", "configuration `FILE` (TOML): its keys are the names of these flags, which override it")
	every().StringVar(&o.trees, "trees", "", "tree points `FILE` (GeoJSON, shapefile, GeoPackage, GeoParquet, FlatGeobuf, CSV, PostGIS)")
	every().StringArrayVar(&o.pavement, "pavement", nil, "hard ground `FILE`: polygons where no root is counted; give it once for each layer")
	writing().StringVar(&o.out, "out", "", "`FILE` to write: .gpkg, .geojson, .parquet, .fgb or .shp; - writes the trees to standard output")
	every().StringArrayVar(&o.bed, "bed", nil, "beds `FILE`: polygons that are open ground even on hard ground")
	every().StringArrayVar(&o.rootable, "rootable", nil, "rootable ground under pavement `FILE`, with depth and usable fraction")
	every().StringArrayVar(&o.barrier, "barrier", nil, "walls and kerbs `FILE`: lines that roots do not cross")
	every().StringArrayVar(&o.soilLayer, "soil", nil, "soil polygons `FILE`: depth to a restrictive layer, texture, bulk density, available water")
	every().StringArrayVar(&o.target, "target", nil, "what a falling tree may hit `FILE`; the hard layers when not given")
	every().StringArrayVar(&o.studyArea, "study-area", nil, "area that the hard layers cover `FILE`; their own extent when not given")
	every().StringVar(&o.weather, "weather", "", "daily weather `FILE` (CSV)")
	every().StringVar(&o.gusts, "gusts", "", "highest gust of each year `FILE` (CSV), or a daily file with gusts")
	every().StringVar(&o.evidence, "evidence", "", "evidence table `FILE` in place of the built-in one")

	digging().StringVar(&o.excavations, "excavations", "", "root collars excavated before `FILE` (CSV); learn learns from them, and they take no place in the worklist")

	every().StringVar(&o.plant, "plant", "", "trees to plant `FILE`: points, with columns as those of --trees; they are added to the inventory")
	every().StringVar(&o.remove, "remove", "", "trees to remove `FILE` (CSV with a column tree): they are taken out of the inventory")

	listing().StringVar(&o.since, "since", "", "older output `FILE` (.gpkg, .geojson, .parquet, .fgb), such as last night's, to report the changes from; it may be --out itself")

	every().StringArrayVar(&o.fields, "field", nil, "which column serves a field: `NAME=COLUMN[:UNIT]`, such as dbh=DIAM:in")
	every().StringArrayVar(&o.soilFields, "soil-field", nil, "the same `NAME=COLUMN[:UNIT]` for soil layers: "+strings.Join(soilFieldNames(), ", "))
	every().StringArrayVar(&o.rootableFields, "rootable-field", nil, "the same `NAME=COLUMN[:UNIT]` for rootable ground: "+strings.Join(rootableFieldNames(), ", "))
	every().StringArrayVar(&o.weatherFields, "weather-field", nil, "the same `NAME=COLUMN[:UNIT]` for the weather file")
	every().StringArrayVar(&o.gustFields, "gust-field", nil, "the same `NAME=COLUMN[:UNIT]` for the gust file")
	digging().StringArrayVar(&o.excavationFields, "excavation-field", nil, "the same for the file of excavations")
	every().StringVar(&o.classField, "class-field", "", "`COLUMN` of the hard or target layers that names what they are (road, sidewalk, building ...)")
	every().StringArrayVar(&o.crs, "crs", nil, "coordinate system of the files that do not say, or of one: `[FILE=]EPSG:CODE`")
	every().StringVar(&o.encoding, "encoding", "", "text `ENCODING` of shapefile attributes")
	every().StringVar(&o.xy, "xy", "", "columns of the coordinates `X,Y` of trees in a CSV file; found by their names when not given")
	every().StringVar(&o.inFormat, "in-format", "", "`FORM` of a layer that comes by standard input (-): "+strings.Join(layer.SpoolForms, ", ")+"; told from its first bytes when not given")
	listing().StringVar(&o.outFormat, "out-format", outForms[0], "`FORM` of what goes to standard output (--out -): "+strings.Join(outForms, ", "))
	every().StringVar(&o.treeLayer, "tree-layer", "", "layer of the trees `NAME`, in a file with several")

	every().Float64Var(&o.reach, "reach", 0, "farthest `METRES` that roots are counted; 12 x DBH held in 3 to 9 m when not given")
	every().Float64Var(&o.depth, "depth", d.DepthM, "usable soil depth in `METRES` where nothing says")
	every().Float64Var(&o.maxDepth, "max-depth", d.MaxDepthM, "greatest depth in `METRES` that is counted")
	every().Float64Var(&o.snap, "snap", d.SnapM, "how many `METRES` a stem on hard ground is moved to open ground")
	every().Float64Var(&o.closeGap, "close-gap", d.CloseGapM, "gaps between hard edges narrower than this many `METRES` are drawing error")
	every().Float64Var(&o.pit, "assumed-pit", d.PitM, "side in `METRES` of the pit assumed for a stem on hard ground; 0 assumes none")
	drawing().Float64Var(&o.positionError, "position-error", d.PositionErrorM, "distance in `METRES` within which 68 % of the points lie from the true stems")
	drawing().IntVar(&o.jitters, "jitters", d.Jitters, "displaced points tried for the spread of the soil volume, a `NUMBER`; 0 for none")
	every().StringVar(&o.share, "share", "distance", "how common ground is divided, a `RULE`: distance or crown")
	every().StringVar(&o.need, "need", "crown", "which need decides the class: `RULE` crown, water, standard or climate")
	every().StringVar(&o.classBounds, "class-bounds", "100,75,50", "least `PERCENT` of the need for the classes ample, adequate and constrained")
	every().StringVar(&o.standard, "standard", soil.Standards[0].Name, "municipal `TABLE` of soil volumes: "+standardNames())
	every().Float64Var(&o.pan, "pan", b.PanMmD, "pan evaporation of the worst month, `MM` a day, for the need by water")
	every().Float64Var(&o.criticalDays, "critical-days", b.Days, "`DAYS` between rains, for the need by water")
	every().StringVar(&o.texture, "texture", soil.Loam.String(), "soil `TEXTURE` where nothing says")
	every().Float64Var(&o.awc, "awc", 0, "available water capacity `FRACTION` of all soil; by texture when not given")
	every().Float64Var(&o.maxDryDays, "max-dry-days", 30, "dry `DAYS` in a mean season that the need by climate allows")
	every().Float64Var(&o.runoff, "runoff", 0, "`PART` of the rain on paving within reach that drains to the opening, 0 to 1")
	every().Float64Var(&o.latitude, "latitude", 0, "`DEGREES` of the weather station; the trees' own when not given")
	every().Float64Var(&o.elevation, "elevation", 0, "height of the weather station above the sea, `METRES`")
	every().Float64Var(&o.designGust, "design-gust", 0, "gust in `M/S` of the return period --gust-years, when there is no gust file")
	every().Float64Var(&o.gustYears, "gust-years", 50, "return period of --design-gust in `YEARS`")
	every().StringVar(&o.terrain, "terrain", "built-up", "upwind `TERRAIN`: built-up, open or shore")
	every().Float64Var(&o.windLoad, "wind-load", wind.SurveyedLoad, "`FACTOR` on the load of the wind-tunnel figures, set by storm surveys; 1 takes the figures as they are")
	every().Float64Var(&o.windLoadSpread, "wind-load-spread", wind.SurveyedLoadSpread, "standard `DEVIATION` of the logarithm of that factor")
	every().Float64Var(&o.windLoadSize, "wind-load-size", wind.SurveyedSize, "`POWER` of the DBH, over 40 cm, by which that factor goes, as surveys found thick stems to fail no less often; 0 takes the figures as they are")
	every().Float64Var(&o.windLoadSizeSpread, "wind-load-size-spread", wind.SurveyedSizeSpread, "standard `DEVIATION` of that power")
	every().IntVar(&o.year, "year", 0, "`YEAR` that trees are assessed for; that of the newest input file when not given")

	ranking().StringVar(&o.listBy, "list-by", byHarm, "what an hour of the crew is to bring, by which the list and its days are ordered: `AIM` harm (averted) or girdling (girdled collars found)")
	listing().IntVar(&o.crewDays, "crew-days", 0, "crew `DAYS` that the worklist is cut to; not given, it holds the first 500 trees, without days")
	listing().Float64Var(&o.crewHours, "crew-hours", 7, "`HOURS` of a crew day, on the way and on site together")
	listing().Float64Var(&o.crewSpeed, "crew-speed", 20, "`KM/H` of a crew in town, door to door")
	listing().StringVar(&o.page, "page", "", "`FILE.html` to write too: the results as one page that works offline")
	listing().IntVar(&o.pageDetails, "page-details", 20000, "`TREES`, from the head of the list, whose rose, share and reasons the page holds; a smaller inventory has all")
	listing().StringVar(&o.charts, "charts", "", "`FOLDER` for charts too (SVG): soil against need, and by species, planting year and nursery stock")
	listing().StringVar(&o.tiles, "tiles", "", "`FILE.pmtiles` to write too: vector tiles for a web map of your own")
	listing().BoolVar(&o.tilePaving, "tile-paving", false, "put the hard layers into --tiles too")
	listing().StringVar(&o.keep, "keep", "all", "inventory `ATTRIBUTES` to keep: all or none")
	every().StringVar(&o.units, "units", "si", "`UNITS` written: si or us; us also where a file does not say")
	every().IntVar(&o.workers, "workers", runtime.GOMAXPROCS(0), "`CELLS` worked on side by side; the result does not depend on it")
	every().Float64Var(&o.cellM, "cell", d.CellM, "side in `METRES` of the cells of work; the result does not depend on it")
	counting().IntVar(&o.maxSkipped, "max-skipped", -1, "exit with status 4 when more `RECORDS` than this are left out; -1 for no limit")
	telling().BoolVar(&o.quiet, "quiet", false, "print no summary and no progress")
	watching().StringVar(&o.log, "log", "text", "how progress and errors are told on standard error, a `FORM`: text or json")
	f := m.of(verb)
	f.MarkHidden("cell")
	o.flags = f
	return f
}

// flagMarks are flags on their way to a verb, each with the verbs that it serves.
type flagMarks struct {
	flags []*pflag.FlagSet // of one flag each, in the order of the help
	verbs [][]string
}

// serving returns where a flag is declared that serves the verbs given.
func (m *flagMarks) serving(verbs ...string) func() *pflag.FlagSet {
	return func() *pflag.FlagSet {
		f := pflag.NewFlagSet("", pflag.ContinueOnError)
		m.flags, m.verbs = append(m.flags, f), append(m.verbs, verbs)
		return f
	}
}

// of returns the flags as a verb takes them.
func (m *flagMarks) of(verb string) *pflag.FlagSet {
	all := pflag.NewFlagSet(verb, pflag.ContinueOnError)
	all.SortFlags = false
	for k, f := range m.flags {
		f.VisitAll(func(fl *pflag.Flag) {
			all.AddFlag(fl)
			if !slices.Contains(m.verbs[k], verb) {
				fl.Hidden = true
				all.SetAnnotation(fl.Name, servesOthers, m.verbs[k])
			}
		})
	}
	return all
}

// servesOthers is the annotation of a flag that does nothing in the verb: those in
// which it does.
const servesOthers = "serves other verbs"

// refuseOthers finds a flag on the command line that does nothing in the verb.
func refuseOthers(f *pflag.FlagSet, verb string) (err error) {
	f.Visit(func(fl *pflag.Flag) {
		if verbs := fl.Annotations[servesOthers]; len(verbs) > 0 && err == nil {
			err = usagef("--%s does nothing in soilshed %s; it is for %s", fl.Name, verb, strings.Join(verbs, ", "))
		}
	})
	return err
}

func standardNames() string {
	var n []string
	for _, s := range soil.Standards {
		n = append(n, s.Name)
	}
	return strings.Join(n, ", ")
}

// parse reads the command line of a verb. It returns pflag.ErrHelp after help.
func parse(f *pflag.FlagSet, args []string, verb, about string, stdout io.Writer) error {
	f.Usage = func() {}
	f.SetOutput(io.Discard)
	err := f.Parse(args)
	if err == pflag.ErrHelp {
		fmt.Fprintf(stdout, "%s\n\nFlags:\n%s\n%s\n%s\n", about, f.FlagUsagesWrapped(100), exitStatuses, wrap(caution, 78))
		return err
	}
	if err != nil {
		if name, ok := strings.CutPrefix(err.Error(), "unknown flag: --"); ok {
			var names []string
			f.VisitAll(func(fl *pflag.Flag) {
				if !fl.Hidden {
					names = append(names, fl.Name)
				}
			})
			if near := closestName(name, names); near != "" {
				return usagef("%v; did you mean --%s? (soilshed %s --help lists all)", err, near, verb)
			}
		}
		return usagef("%v (soilshed %s --help lists the flags)", err, verb)
	}
	if err := refuseOthers(f, verb); err != nil {
		return err
	}
	return configure(f)
}

// understand checks the options and reads what they mean.
func (o *options) understand() error {
	var err error
	if o.trees == "" {
		return usagef("no trees: --trees FILE")
	}
	if len(o.pavement) == 0 {
		return usagef("no hard ground: --pavement FILE, once for each layer (without it every tree would look rich)")
	}
	bounds := []struct {
		flag      string
		v, lo, hi float64
	}{
		{"reach", o.reach, 0, 60}, {"depth", o.depth, 0.05, 5}, {"max-depth", o.maxDepth, 0.05, 5},
		{"snap", o.snap, 0, 20}, {"close-gap", o.closeGap, 0, 2}, {"assumed-pit", o.pit, 0, 10},
		{"position-error", o.positionError, 0, 20}, {"jitters", float64(o.jitters), 0, 1000},
		{"pan", o.pan, 0.1, 30}, {"critical-days", o.criticalDays, 1, 365}, {"awc", o.awc, 0, 0.5},
		{"max-dry-days", o.maxDryDays, 0, 365}, {"runoff", o.runoff, 0, 1}, {"design-gust", o.designGust, 0, 120},
		{"gust-years", o.gustYears, 2, 10000}, {"latitude", o.latitude, -90, 90}, {"elevation", o.elevation, -430, 6000},
		{"wind-load", o.windLoad, 0.05, 5}, {"wind-load-spread", o.windLoadSpread, 0, 1.5},
		{"wind-load-size", o.windLoadSize, -3, 3}, {"wind-load-size-spread", o.windLoadSizeSpread, 0, 3},
		{"crew-days", float64(o.crewDays), 0, 10000}, {"crew-hours", o.crewHours, 1, 24}, {"crew-speed", o.crewSpeed, 1, 130},
		{"page-details", float64(o.pageDetails), 0, 1e6}, {"workers", float64(o.workers), 1, 1024}, {"cell", o.cellM, 20, 1e5},
	}
	for _, b := range bounds {
		if !(b.v >= b.lo && b.v <= b.hi) {
			return usagef("--%s %g: must lie in %g to %g", b.flag, b.v, b.lo, b.hi)
		}
	}
	for _, c := range []struct {
		flag, v string
		of      []string
	}{
		{"share", o.share, []string{"distance", "crown"}}, {"units", o.units, []string{"si", "us"}},
		{"keep", o.keep, []string{"all", "none"}}, {"list-by", o.listBy, []string{byHarm, byGirdling}}, {"terrain", o.terrain, []string{"built-up", "open", "shore"}}, {"log", o.log, []string{"text", "json"}},
	} {
		if !slices.Contains(c.of, c.v) {
			return usagef("--%s %s: one of %s", c.flag, c.v, strings.Join(c.of, ", "))
		}
	}
	if x, y, ok := strings.Cut(o.xy, ","); o.xy != "" && (!ok || strings.TrimSpace(x) == "" || strings.TrimSpace(y) == "") {
		return usagef("--xy %s: two columns are wanted, as in --xy EASTING,NORTHING", o.xy)
	}
	for _, f := range append(o.inputFiles(), o.out, o.since, o.page, o.charts, o.tiles) {
		if layer.HasPassword(f) {
			return usagef("%s: a password does not belong on a command line, where others see it (set PGPASSWORD in the environment, or name a file of passwords in PGPASSFILE)", layer.Shown(f))
		}
	}
	if o.tiles != "" && !strings.EqualFold(filepath.Ext(o.tiles), ".pmtiles") {
		return usagef("--tiles %s: tiles go into a PMTiles archive: --tiles city.pmtiles", o.tiles)
	}
	if o.tilePaving && o.tiles == "" {
		return usagef("--tile-paving asks for --tiles FILE.pmtiles")
	}
	if err := o.checkPipes(); err != nil {
		return err
	}
	if o.rule, err = risk.ParseNeedRule(o.need); err != nil {
		return usagef("--need: %v", err)
	}
	if o.bounds, err = parseBounds(o.classBounds); err != nil {
		return usagef("--class-bounds %s: %v", o.classBounds, err)
	}
	if o.rule == risk.NeedClimate && o.weather == "" {
		return usagef("--need climate asks for a weather file: --weather FILE")
	}
	var ok bool
	if o.std, ok = soil.StandardNamed(o.standard); !ok {
		return usagef("--standard %s: one of %s", o.standard, standardNames())
	}
	if o.tex, ok = soil.ParseTexture(o.texture); !ok {
		return usagef("--texture %s: a USDA texture class such as sandy loam", o.texture)
	}
	if o.told.trees, err = parseFieldFlags(o.fields); err != nil {
		return usageError{err}
	}
	if o.told.soil, err = parseMappings("--soil-field", soilFieldNames(), o.soilFields); err != nil {
		return usageError{err}
	}
	if o.told.rootable, err = parseMappings("--rootable-field", rootableFieldNames(), o.rootableFields); err != nil {
		return usageError{err}
	}
	o.systems = map[string]*crs.System{}
	all := append(append(append(append(append([]string{o.trees}, o.pavement...), o.bed...), o.rootable...), o.barrier...), o.soilLayer...)
	all = append(append(append(all, o.target...), o.studyArea...), o.plant)
	for _, c := range o.crs {
		file, code, named := cutLast(c, "=") // an address has more of them
		if named && !slices.Contains(all, file) {
			return usagef("--crs %s: no input is called %s; the inputs are %s", c, file, strings.Join(all, ", "))
		}
		s, err := crs.Lookup(code)
		if err != nil {
			return usagef("--crs %s: %v", c, err)
		}
		o.systems[file] = s
	}
	return nil
}

// parseBounds reads three percentages that fall, such as 100,75,50.
func parseBounds(s string) (b soil.Bounds, err error) {
	words := strings.Split(s, ",")
	if len(words) != len(b) {
		return b, fmt.Errorf("three percentages of the need are wanted, as in 100,75,50")
	}
	for i, w := range words {
		v, ok := plainNumber(strings.TrimSuffix(strings.TrimSpace(w), "%"))
		switch {
		case !ok || !(v > 0 && v <= 1000):
			return b, fmt.Errorf("%q is no percentage above 0 and up to 1000", strings.TrimSpace(w))
		case i > 0 && v >= 100*b[i-1]:
			return b, fmt.Errorf("the three must fall, as in 100,75,50")
		}
		b[i] = v / 100
	}
	return b, nil
}

// cutLast cuts s at the last sep; what stands before it is "" where there is none.
func cutLast(s, sep string) (before, after string, found bool) {
	if n := strings.LastIndex(s, sep); n >= 0 {
		return s[:n], s[n+len(sep):], true
	}
	return "", s, false
}

// groundOptions are the settings of the survey.
func (o *options) groundOptions() ground.Options {
	g := ground.Defaults()
	g.CloseGapM, g.SnapM, g.PitM = o.closeGap, o.snap, o.pit
	g.DepthM, g.MaxDepthM = o.depth, o.maxDepth
	g.ByCrown = o.share == "crown"
	g.PositionErrorM, g.Jitters, g.CellM = o.positionError, o.jitters, o.cellM
	return g
}

// settings are those of the model.
func (o *options) settings(year int) risk.Settings {
	s := risk.DefaultSettings(year)
	s.ReachM, s.Need, s.Standard, s.Bounds = o.reach, o.rule, o.std, o.bounds
	s.Budget.PanMmD, s.Budget.Days = o.pan, o.criticalDays
	s.WindLoad, s.WindLoadSpread = o.windLoad, o.windLoadSpread
	s.WindLoadSize, s.WindLoadSizeSpread = o.windLoadSize, o.windLoadSizeSpread
	s.Texture, s.AWC, s.MaxDryDays, s.Runoff = o.tex, o.awc, o.maxDryDays, o.runoff
	return s
}
