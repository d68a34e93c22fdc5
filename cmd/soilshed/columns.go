package main

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"unicode"
	"unicode/utf8"

	"github.com/agnivade/levenshtein"

	"soilshed/geo/layer"
)

// inventoryField is one thing that soilshed can read of a tree.
type inventoryField uint8

const (
	inID inventoryField = iota
	inSpecies
	inCommon
	inGenus
	inDBH
	inStems
	inGirth
	inHeight
	inCrown
	inCrown2
	inLean
	inPlanted
	inSeason
	inCrew
	inRemoved
	inAlive
	inCondition
	inStock
	inSupplier
	inCorrected
	inFlare
	inFlareSeen
	inMulch
	inMulchContact
	inPit
	inPitLength
	inPitWidth
	inDepth
	inTexture
	inDensity
	inSite
	inStreet
	inWalkReplaced
	inventoryFields // how many there are
)

// quantity is what a column measures, and with it the units it may have.
type quantity uint8

const (
	ofText quantity = iota // words: no unit
	ofLength
	ofAngle
	ofDensity
	ofYear
	ofScale    // condition: worst..best, or %
	ofFraction // 0 to 1, or %
	ofSpeed
	ofTemperature
	ofRain // depth of water a day
	ofRadiation
	ofHours
)

// unit is a unit of measure: a reading times Per plus Plus is in the base unit
// of its quantity (m, degree, g/cm3, m/s, °C, mm, MJ/m2, h, 1).
type unit struct {
	name  string // as soilshed writes it
	per   float64
	plus  float64
	words []string // as files write it, in lower case
}

// unitsOf lists what each quantity may be written in. The factors are exact by
// definition (international foot 0.3048 m, pound 0.45359237 kg, nautical mile
// 1852 m) unless a comment says otherwise.
var unitsOf = map[quantity][]unit{
	ofLength: {
		{name: "m", per: 1, words: []string{"m", "metre", "metres", "meter", "meters", "mtr", "mtrs"}},
		{name: "cm", per: 0.01, words: []string{"cm", "cms", "centimetre", "centimetres", "centimeter", "centimeters"}},
		{name: "mm", per: 0.001, words: []string{"mm", "millimetre", "millimetres", "millimeter", "millimeters"}},
		{name: "in", per: 0.0254, words: []string{"in", "ins", "inch", "inches", `"`, "''", "″", "”"}},
		{name: "ft", per: 0.3048, words: []string{"ft", "foot", "feet", "'", "′", "’"}},
	},
	ofAngle: {{name: "deg", per: 1, words: []string{"deg", "degs", "degree", "degrees", "°"}}},
	ofDensity: {
		{name: "g/cm3", per: 1, words: []string{"g/cm3", "g/cm^3", "g/cm³", "g/cc", "gcm3", "g cm-3", "mg/m3", "mg/m^3", "mg/m³", "t/m3", "kg/l"}},
		{name: "kg/m3", per: 0.001, words: []string{"kg/m3", "kg/m^3", "kg/m³", "kgm3", "kg m-3"}},
		{name: "lb/ft3", per: 0.45359237 / 28.316846592, words: []string{"lb/ft3", "lb/ft^3", "lb/cf", "pcf"}},
	},
	ofFraction: {
		{name: "fraction", per: 1, words: []string{"fraction", "frac", "ratio", "cm/cm", "in/in", "m/m", "mm/mm", "m3/m3", "cm3/cm3", "1", "-"}},
		{name: "%", per: 0.01, words: []string{"%", "pct", "percent", "perc"}},
		{name: "in/ft", per: 1.0 / 12, words: []string{"in/ft", "inches per foot"}},
		{name: "mm/m", per: 0.001, words: []string{"mm/m"}},
		{name: "cm/m", per: 0.01, words: []string{"cm/m"}},
	},
	ofSpeed: {
		{name: "m/s", per: 1, words: []string{"m/s", "ms", "mps", "m/sec", "m s-1"}},
		{name: "km/h", per: 1 / 3.6, words: []string{"km/h", "kmh", "kph", "kmph"}},
		{name: "mph", per: 0.44704, words: []string{"mph", "mi/h", "mile/h"}},
		{name: "kn", per: 1852.0 / 3600, words: []string{"kn", "kt", "kts", "knot", "knots"}},
		{name: "0.1 m/s", per: 0.1, words: []string{"0.1 m/s", "0.1m/s", "dm/s"}},
	},
	ofTemperature: {
		{name: "C", per: 1, words: []string{"c", "°c", "degc", "deg_c", "celsius"}},
		{name: "F", per: 5.0 / 9, plus: -160.0 / 9, words: []string{"f", "°f", "degf", "deg_f", "fahrenheit"}},
		{name: "K", per: 1, plus: -273.15, words: []string{"k", "kelvin"}},
		{name: "0.1 C", per: 0.1, words: []string{"0.1 c", "0.1c", "0.1°c"}},
	},
	ofRain: {
		{name: "mm", per: 1, words: []string{"mm", "mm/d", "mm/day", "l/m2", "millimetre", "millimetres", "millimeters"}},
		{name: "in", per: 25.4, words: []string{"in", "inch", "inches", `"`}},
		{name: "cm", per: 10, words: []string{"cm"}},
		{name: "0.1 mm", per: 0.1, words: []string{"0.1 mm", "0.1mm"}},
	},
	ofRadiation: {
		{name: "MJ/m2", per: 1, words: []string{"mj/m2", "mj/m²", "mj/m^2", "mjm2", "mj", "mj/m2/d", "mj/m2/day"}},
		{name: "W/m2", per: 0.0864, words: []string{"w/m2", "w/m²", "w/m^2", "wm2", "w"}}, // a day's mean: 86,400 s
		{name: "kWh/m2", per: 3.6, words: []string{"kwh/m2", "kwh/m²", "kwh/m^2", "kwh"}},
		{name: "kJ/m2", per: 0.001, words: []string{"kj/m2", "kj/m²", "kj"}},
		{name: "J/cm2", per: 0.01, words: []string{"j/cm2", "j/cm²"}},
		{name: "ly", per: 0.04184, words: []string{"ly", "langley", "langleys"}}, // thermochemical calorie a cm2
	},
	ofHours: {
		{name: "h", per: 1, words: []string{"h", "hr", "hrs", "hour", "hours"}},
		{name: "min", per: 1.0 / 60, words: []string{"min", "mins", "minute", "minutes"}},
	},
}

// findUnit returns the unit that word names for q.
func findUnit(q quantity, word string) (unit, bool) {
	word = strings.ToLower(strings.TrimSpace(word))
	for _, u := range unitsOf[q] {
		for _, w := range u.words {
			if w == word {
				return u, true
			}
		}
		if strings.ToLower(u.name) == word {
			return u, true
		}
	}
	if q == ofLength && strings.HasPrefix(word, "girth") && len(word) > len("girth") {
		if u, err := layer.ParseUnit(word); err == nil && u.Girth { // a diameter by its circumference
			return unit{name: u.Name, per: u.Size}, true
		}
	}
	return unit{}, false
}

// unitNames lists the units of q for a message.
func unitNames(q quantity) string {
	var names []string
	for _, u := range unitsOf[q] {
		names = append(names, u.name)
	}
	switch q {
	case ofLength:
		names = append(names, "girth-cm and the like for a circumference")
	case ofScale:
		names = []string{"%", "WORST..BEST such as 1..5 or 5..1"}
	}
	return strings.Join(names, ", ")
}

// mapping is a name that --field (or --weather-field, ...) maps to a column.
type mapping struct {
	name     string
	doc      string
	of       quantity
	unit, us string // the unit when none is told, in SI and in US use
	// perBase turns the base unit of the quantity into the unit of the record:
	// 100 where a length is kept in cm.
	perBase float64
	// low and high bound, in the record's unit, what is believed. What lies
	// outside is left out as a slip of the pen. They are wide on purpose: no
	// measured tree is lost (common practice, no source).
	low, high float64
	zeroIsGap bool // 0 stands for "not measured"
	// columns are the names by which a column is recognised without being told,
	// best first: lower case, letters and digits only. A unit at the end, "tree"
	// in front and a cut to ten characters are seen through.
	columns  []string
	withUnit []string // names that mean this field only when a unit follows, as in FLARE_CM
	// units are those of columns whose published description fixes them.
	units map[string]string
}

// inventory is the table of all that can be read of a tree. The column names
// are those that municipal open data use.
var inventory = [inventoryFields]mapping{
	inID: {name: "id", doc: "the tree's number or code",
		columns: spellings("treeid treeno treenumber treenum treeref treetag treecode treekey uniqueid uniquetreeid assetid assetnumber assetno facilityid plantid plantsiteid baumnr baumnummer baumid idarbol boomnummer idarbre siteid tagnumber tagno tagid treename ref recordid gid globalid id objectid fid ogcfid")},
	inSpecies: {name: "species", doc: "species: a Latin name, genus alone, cultivar or common name",
		columns: spellings("scientificname scientific latinname latin botanicalname botanical botanic botname sppbot speciesbotanical speciesbot botanicalspecies speciessc sciname scientificn nombrecientifico nombrecie artbotan baumartwi galang baumartbot gattungart spclatin specieslatin taxa taxon taxonname speciesname speciesdesc species spp spec spcode spcommon qspecies baumart essence especie boomsoort soortnaam artlat")},
	inCommon: {name: "common", doc: "common name, taken where the species is not given",
		columns: spellings("commonname common comname sppcom speciescommon commonspecies spccommon speciesco vernacularname namecommon nombrecomun nombrecom artdeut baumartde deutschern englishname")},
	inGenus: {name: "genus", doc: "genus, put before a species column that holds the epithet alone",
		columns: spellings("genus genusname genuslatin gattung genre genero geslacht subgenus")},
	inDBH: {name: "dbh", doc: "stem diameter at breast height, 1.3 to 1.4 m above ground (several stems in one cell are joined by the root of the sum of squares)",
		of: ofLength, unit: "cm", us: "in", perBase: 100, low: 0.05, high: 500, zeroIsGap: true,
		columns: spellings("dbh diameteratbreastheight diameterbreastheight diameterbreast breastheightdiameter dbhcurrent currentdbh curdbh dbhactual dbhtotal dbhtot totaldbh dbhsize dbhest estdbh dbhrange dbhclass trunkdiameter trunkdiam trunkdia trunkdbh stemdiameter stemdiam stammdurchmesser stammdm brusthoehendurchmesser bhd diam dia diameter diametre diametro diamtronc diametroalturapecho stdurchm actualtrunk trunkwidth caliper calipersize")},
	inStems: {name: "stems", doc: "diameters of the further stems, as a list; joined with dbh by the root of the sum of squares",
		of: ofLength, unit: "cm", us: "in", perBase: 100, low: 0.05, high: 500, zeroIsGap: true,
		columns: spellings("dbhx otherdbh otherstems furtherstems additionaldbh dbhadditional multistemdbh dbhother")},
	inGirth: {name: "girth", doc: "stem circumference at breast height, taken over pi where dbh is not given",
		of: ofLength, unit: "cm", us: "in", perBase: 100, low: 0.15, high: 1600, zeroIsGap: true,
		columns: spellings("girth trunkgirth stemgirth circumference trunkcircumference trunkcirc stammumfang stumfang stamumfang umfang circonference circonf circonferencecm perimetro perimetre omtrek stamomtrek")},
	inHeight: {name: "height", doc: "tree height",
		of: ofLength, unit: "m", us: "ft", perBase: 1, low: 0.1, high: 130, zeroIsGap: true, // tallest known tree: 116 m
		columns: spellings("height theight totalheight treeheight heighttotal htotal heighttree ht treeht baumhoehe hoehe hohe hauteur hauteurm altura alturaarbol alturatot hoogte boomhoogte altezza heightrange heightclass canopyheight")},
	inCrown: {name: "crown", doc: "crown spread: the diameter of the crown",
		of: ofLength, unit: "m", us: "ft", perBase: 1, low: 0.1, high: 60, zeroIsGap: true,
		columns: spellings("crownspread crownwidth crowndiameter crowndiam crowndia crown canopyspread canopywidth canopydiameter canopydiam spread crownwidth1 crownwidthns crownns spreadns spreadns1 treespread avgcrownwidth averagecrownspread avgcrown cdia dripline kronendurchmesser kronedurch krdurchm kronedm krone kronenbreite diametrecouronne copa diametrocopa kroondiameter")},
	inCrown2: {name: "crown2", doc: "second crown diameter, across the first; the mean of the two is taken",
		of: ofLength, unit: "m", us: "ft", perBase: 1, low: 0.1, high: 60, zeroIsGap: true,
		columns: spellings("crownwidth2 crownspread2 crownwidthew crownew spreadew crowndiameter2 canopywidth2")},
	inLean: {name: "lean", doc: "lean of the stem from the vertical",
		of: ofAngle, unit: "deg", us: "deg", perBase: 1, low: 0, high: 90,
		columns: spellings("lean leanangle leandegrees stemlean trunklean angleoflean")},
	inPlanted: {name: "planted", doc: "year or date of planting", of: ofYear,
		columns: spellings("planted planteddate plantdate dateplanted dateplant dateplante plantingdate plantdt plntdate plantedyear yearplanted plantyear plantyr plantingyear yrplanted plantingye plantd treeplantd treeplantdate plantedon installdate installed installdt pflanzjahr pflanzdatum pflanzdatu anneeplantation dateplantation anneedeplantation plantjaar aanlegjaar fechaplantacion annoimpianto")},
	inSeason: {name: "season", doc: "planting season, in words or with the year, where the planting date does not tell it",
		columns: spellings("plantingseason plantseason seasonplanted plantedseason pflanzsaison saisonplantation")},
	inCrew: {name: "crew", doc: "planting crew or planting contractor",
		columns: spellings("plantingcrew plantedby plantcrew planter plantedbycrew installer installedby plantingcontractor contractor")},
	inRemoved: {name: "removed", doc: "status, or a date or yes where the tree is gone",
		columns: spellings("removed removeddate dateremoved removaldate removedate removeddt removedyear yearremoved missingorremoved treestatus status treestat sitestatus assetstatus lifecyclestatus lifecycle currentstatus treestate")},
	inAlive: {name: "alive", doc: "live or dead (a column called after death is read the other way round)",
		columns: spellings("livetree alive live livedead livingordead treealive isalive dead isdead deadtree standingdead mortality")},
	inCondition: {name: "condition", doc: "condition in words (excellent, good, fair, poor, dead), or a number whose order is stated",
		of: ofScale, columns: spellings("condition treecondition cond treecond conditionrating conditionclass condrating conditionpercent conditionpct overallcondition conditiond healthcondition health treehealth healthrating vigor vigour crownvigor crownvigour vitality vitalitaet vitalitat zustand zustandsstufe etatsanitaire conditie estadosanitario")},
	inStock: {name: "stock", doc: "how it was grown: container, fabric or air-pruned container, field-grown or balled, bare root",
		columns: spellings("stock stocktype nurserystock nurserystocktype plantstock plantedas productiontype growntype grownas rootpackage roottype rootstock containertype nurserytype")},
	inSupplier: {name: "supplier", doc: "nursery, or planting contract",
		columns: spellings("supplier nursery nurseryname nurserysource vendor grower plantsource treesource plantingcontract contractnumber")},
	inCorrected: {name: "corrected", doc: "were the roots corrected at planting",
		columns: spellings("corrected rootscorrected rootcorrected rootcorrection rootpruned rootsprunedatplanting rootpruning rootshaved rootsshaved rootfix rootsfixed rootfixed")},
	inFlare: {name: "flare", doc: "depth of soil over the first main roots",
		of: ofLength, unit: "cm", us: "in", perBase: 100, low: 0, high: 150,
		columns: spellings("flaredepth rootflaredepth flaredep depthtoflare depthtorootflare depthtoroots depthtofirstroot soiloverroots soilovercollar rootcollardepth collardepth rootdepthbelowgrade plantingdepth plantdepth"), withUnit: spellings("flare rootflare")},
	inFlareSeen: {name: "flare_seen", doc: "is the root flare visible",
		columns: spellings("flareseen flarevisible rootflarevisible visibleflare rootflareseen rootflare flare trunkflare trunkflarevisible")},
	inMulch: {name: "mulch", doc: "depth of mulch",
		of: ofLength, unit: "cm", us: "in", perBase: 100, low: 0, high: 200,
		columns: spellings("mulchdepth mulchdep depthofmulch mulchthickness"), withUnit: spellings("mulch")},
	inMulchContact: {name: "mulch_contact", doc: "does mulch lie against the trunk",
		columns: spellings("mulchcontact mulchontrunk mulchagainsttrunk mulchtouching mulchvolcano volcanomulch volcanomulching mulchpiled mulchatstem mulchtouch mulchtouches mulchtch")},
	inPit: {name: "pit", doc: "recorded opening, as in 1.2x2.4",
		of: ofLength, unit: "m", us: "ft", perBase: 1, low: 0.15, high: 100,
		columns: spellings("pitsize pitdimensions pitdim treepit treepitsize pit cutoutsize cutoutdimensions cutout wellsize treewellsize treewell openingsize planterdimensions plotsize growspace growspacesize growingspacesize plantingareasize")},
	inPitLength: {name: "pit_length", doc: "length of the recorded opening",
		of: ofLength, unit: "m", us: "ft", perBase: 1, low: 0.15, high: 1000, zeroIsGap: true,
		columns: spellings("pitlength treepitlength cutoutlength welllength openinglength growspacelength growspacel")},
	inPitWidth: {name: "pit_width", doc: "width of the recorded opening, or of the planting strip",
		of: ofLength, unit: "m", us: "ft", perBase: 1, low: 0.15, high: 1000, zeroIsGap: true,
		columns: spellings("pitwidth treepitwidth cutoutwidth wellwidth openingwidth growspacewidth growspacew parkwaywidth parkwaysize plantingstripwidth stripwidth treelawnwidth lawnwidth boulevardwidth vergewidth")},
	inDepth: {name: "depth", doc: "usable soil depth",
		of: ofLength, unit: "m", us: "ft", perBase: 1, low: 0.02, high: 10, zeroIsGap: true,
		columns: spellings("soildepth usabledepth usablesoildepth rootingdepth rootabledepth rootzonedepth pitdepth treepitdepth")},
	inTexture: {name: "texture", doc: "soil texture class",
		columns: spellings("texture soiltexture soiltextureclass textureclass textclass soiltype bodenart")},
	inDensity: {name: "density", doc: "bulk density of the soil", // solid quartz is 2.65 g/cm3
		of: ofDensity, unit: "g/cm3", us: "g/cm3", perBase: 1, low: 0.05, high: 2.65, zeroIsGap: true,
		columns: spellings("bulkdensity soilbulkdensity bulkdens soildensity drydensity")},
	inSite: {name: "site", doc: "kind of place: strip, cutout, lawn, ...",
		columns: spellings("sitetype site siteinfo qsiteinfo plantingsite plantinglocation locationtype loctype growspacetype growingspace landuse treelocation treeloc location standort emplacement")},
	inStreet: {name: "street", doc: "street",
		columns: spellings("street streetname onstreet stname strname strasse strassenname rue voie calle via straat straatnaam road roadname addressstreet streetaddress qaddress address addr")},
	inWalkReplaced: {name: "walk_replaced", doc: "year of sidewalk or kerb work beside the tree", of: ofYear,
		columns: spellings("walkreplaced walkreplacedyear sidewalkreplaced sidewalkreplacedyear sidewalkyear sidewalkyr sidewalkrepair sidewalkrepaired sidewalkwork curbreplaced kerbreplaced curbyear kerbyear footpathreplaced walkyr walkyear walkwork")},
}

func spellings(s string) []string { return strings.Fields(s) }

// fieldFlag is one --field NAME=COLUMN[:UNIT] as typed. What follows the last
// colon is a unit only if the file has no column of the whole name.
type fieldFlag struct {
	Name   string
	Column string // with the unit still on it; "" says that the field is not to be read
}

// parseFieldFlags reads the --field flags: NAME=COLUMN or NAME=COLUMN:UNIT.
// NAME= with nothing after it says that the field is not to be read, whatever
// the columns are called.
func parseFieldFlags(args []string) ([]fieldFlag, error) {
	names := make([]string, 0, inventoryFields)
	for _, m := range inventory {
		names = append(names, m.name)
	}
	return parseMappings("--field", names, args)
}

// parseMappings reads NAME=COLUMN[:UNIT] for any table of names; flag is how
// the person who runs the program knows it.
func parseMappings(flag string, names, args []string) ([]fieldFlag, error) {
	var told []fieldFlag
	for _, a := range args {
		name, column, ok := strings.Cut(a, "=")
		name, column = strings.TrimSpace(name), strings.TrimSpace(column)
		if !ok || name == "" {
			return nil, usagef("%s %s: expected NAME=COLUMN or NAME=COLUMN:UNIT, as in %s %s=COLUMN", flag, a, flag, names[0])
		}
		known := ""
		for _, n := range names {
			if strings.EqualFold(n, strings.ReplaceAll(name, "-", "_")) {
				known = n
			}
		}
		if known == "" {
			hint := ""
			if near := closestName(name, names); near != "" {
				hint = fmt.Sprintf(" Did you mean %s?", near)
			}
			return nil, usagef("%s %s: %q is no name that can be read.%s The names are: %s", flag, a, name, hint, strings.Join(names, ", "))
		}
		for _, t := range told {
			if t.Name == known {
				return nil, usagef("%s %s: %s is already mapped to column %s; give each name once", flag, a, known, t.Column)
			}
		}
		told = append(told, fieldFlag{known, column})
	}
	return told, nil
}

// unitSource says where a column's unit comes from.
type unitSource uint8

const (
	unitDefault unitSource = iota // nobody said
	unitNamed                     // the column's name or the file says
	unitTold                      // the person who runs the program says
)

// binding is the column that serves a field.
type binding struct {
	column int // position in the schema; -1 when nothing serves the field
	name   string
	told   bool // told, not recognised
	unit   unit
	from   unitSource
	// factor and plus turn a reading into the record's unit.
	factor, plus float64
	// worst and best are the ends of a condition scale; equal when no order is
	// stated.
	worst, best float64
	// inverted: the column is called after the opposite (DEAD for alive), or
	// statusWords: after a status, where yes and 1 say nothing of removal.
	// address: house numbers stand before the street.
	inverted, statusWords, address bool
}

// bindOptions say how columns are bound.
type bindOptions struct {
	File string // for messages
	US   bool   // units that nobody states are US units
	// Year is the year of the data: later plantings are not believed. 0 sets no
	// bound but 2100.
	Year int
}

// columns knows which column of an inventory serves which field, and counts
// what it meets. It is used by one goroutine.
type columns struct {
	file   string
	us     bool
	year   int
	bound  [inventoryFields]binding
	census census
	seen   map[string]struct{}

	// What was understood of a text, so that a word is thought about once.
	species    map[string]speciesText
	statuses   map[string]statusText
	conditions map[string]conditionText
	stocks     map[string]stockText
	textures   map[string]textureText
}

// bind finds the column for each field: as told, else by its name. The notes
// tell every guess in a sentence.
func bind(schema *layer.Schema, told []fieldFlag, o bindOptions) (*columns, []string, error) {
	c := &columns{file: o.File, us: o.US, year: o.Year, seen: make(map[string]struct{}, schema.Records),
		species: map[string]speciesText{}, statuses: map[string]statusText{}, conditions: map[string]conditionText{},
		stocks: map[string]stockText{}, textures: map[string]textureText{}}
	bound, notes, err := bindColumns(inventory[:], schema.Fields, told, bindHow{File: o.File, Flag: "--field", US: o.US, Things: "field"})
	if err != nil {
		return nil, nil, err
	}
	copy(c.bound[:], bound)
	// A column of common names alone is a species column.
	if c.bound[inSpecies].column < 0 && c.bound[inGenus].column < 0 && c.bound[inCommon].column >= 0 && !mentions(told, "species") {
		c.bound[inSpecies], c.bound[inCommon] = c.bound[inCommon], binding{column: -1}
	}
	a := &c.bound[inAlive]
	if key := plainName(a.name); a.column >= 0 && (strings.Contains(key, "dead") || strings.Contains(key, "mort")) &&
		!strings.Contains(key, "live") && !strings.Contains(key, "living") {
		a.inverted = true
	}
	r := &c.bound[inRemoved]
	if key := plainName(r.name); r.column >= 0 && !r.told && !strings.Contains(key, "remov") {
		r.statusWords = true
	}
	c.bound[inStreet].address = strings.Contains(plainName(c.bound[inStreet].name), "addr")
	c.census.columns = c
	return c, notes, nil
}

func mentions(told []fieldFlag, name string) bool {
	for _, t := range told {
		if t.Name == name {
			return true
		}
	}
	return false
}

// bindHow says how a table of mappings is bound to a file's columns.
type bindHow struct {
	File, Flag string
	US         bool
	Things     string // what the columns are called in messages
}

// bindColumns binds each mapping of the table to at most one column.
func bindColumns(table []mapping, fields []layer.Field, told []fieldFlag, how bindHow) ([]binding, []string, error) {
	bound := make([]binding, len(table))
	for i := range bound {
		bound[i].column = -1
	}
	used := make([]bool, len(fields))
	closed := make([]bool, len(table)) // told not to read
	find := func(name string) int {
		s := layer.Schema{Fields: fields}
		if i := s.Index(name); i >= 0 {
			return i
		}
		for i, f := range fields { // names with blanks or line ends about them
			if strings.EqualFold(shownName(f.Name), shownName(name)) {
				return i
			}
		}
		return -1
	}
	for _, t := range told {
		at := -1
		for i := range table {
			if table[i].name == t.Name {
				at = i
			}
		}
		if at < 0 {
			continue
		}
		m := &table[at]
		if t.Column == "" {
			closed[at] = true
			continue
		}
		b := binding{name: t.Column, told: true, column: find(t.Column)}
		unitWord := ""
		if b.column < 0 {
			if cut := strings.LastIndexByte(t.Column, ':'); cut >= 0 {
				b.name, unitWord = strings.TrimSpace(t.Column[:cut]), strings.TrimSpace(t.Column[cut+1:])
				b.column = find(b.name)
			}
		}
		if b.column < 0 {
			hint := ""
			if near := closestName(b.name, fieldNames(fields)); near != "" {
				hint = fmt.Sprintf("did you mean %s? ", near)
			}
			return nil, nil, &layer.Error{File: how.File, Field: b.name, Err: errors.New("there is no such column"),
				Remedy: fmt.Sprintf("%s %s=COLUMN takes one of the file's columns; %sthey are: %s", how.Flag, m.name, hint, strings.Join(fieldNames(fields), ", "))}
		}
		b.name = fields[b.column].Name
		if unitWord != "" {
			if err := b.takeUnit(m, unitWord, how); err != nil {
				return nil, nil, err
			}
			b.from = unitTold
		} else {
			b.settle(m, fields[b.column].Unit, unitInName(m, b.name), how.US)
		}
		used[b.column] = true
		bound[at] = b
	}
	var notes []string
	for at := range table {
		m := &table[at]
		if bound[at].column < 0 && !closed[at] {
			best, bestScore, word, rival := -1, 1<<30, "", -1
			for i := range fields {
				if used[i] {
					continue
				}
				score, w := recognise(m, fields[i].Name)
				if score < bestScore {
					best, bestScore, word, rival = i, score, w, -1
				} else if score == bestScore && best >= 0 {
					rival = i
				}
			}
			if best < 0 {
				continue
			}
			b := binding{name: fields[best].Name, column: best}
			b.settle(m, fields[best].Unit, word, how.US)
			used[best] = true
			bound[at] = b
			notes = append(notes, guessNote(m, &b, how))
			if rival >= 0 && !used[rival] {
				name := shownName(fields[rival].Name)
				notes = append(notes, fmt.Sprintf("Column %s looks like %s too and is not read; %s %s=%s takes it instead.", name, m.name, how.Flag, m.name, name))
			}
			continue
		}
		if b := &bound[at]; b.column >= 0 && b.from == unitDefault && b.unit.name != "" {
			notes = append(notes, fmt.Sprintf("Column %s (%s) has no unit: read as %s; %s %s=%s:UNIT says otherwise.", shownName(b.name), m.name, b.unit.name, how.Flag, m.name, shownName(b.name)))
		}
	}
	return bound, notes, nil
}

// guessNote says in a sentence which column is read as what, and why in this
// unit.
func guessNote(m *mapping, b *binding, how bindHow) string {
	s := fmt.Sprintf("Column %s is read as %s", shownName(b.name), m.name)
	switch {
	case m.of == ofScale && b.best != b.worst:
		s += fmt.Sprintf(", from %g (worst) to %g (best)", b.worst, b.best)
	case m.of == ofScale:
		s += fmt.Sprintf("; numbers in it need their order (%s %s=%s:WORST..BEST, as in 1..5)", how.Flag, m.name, shownName(b.name))
	case b.unit.name == "":
	case b.from == unitNamed:
		s += ", in " + b.unit.name
	default:
		other := "in"
		for _, u := range unitsOf[m.of] {
			if (m.unit == b.unit.name && u.name == m.us) || (m.us == b.unit.name && u.name == m.unit) {
				other = u.name
			}
		}
		if other == b.unit.name {
			other = "UNIT"
		}
		s += fmt.Sprintf(", in %s: it states no unit (if it is in another, %s %s=%s:%s)", b.unit.name, how.Flag, m.name, shownName(b.name), other)
	}
	return s + "."
}

func fieldNames(fields []layer.Field) []string {
	names := make([]string, len(fields))
	for i, f := range fields {
		names[i] = shownName(f.Name)
	}
	return names
}

// shownName is a column's name as it is shown and typed: one line, no blanks
// about it.
func shownName(s string) string {
	return strings.Join(strings.Fields(s), " ")
}

// takeUnit sets the unit that was told.
func (b *binding) takeUnit(m *mapping, word string, how bindHow) error {
	if m.of == ofScale {
		worst, best, ok := parseScale(word)
		if !ok {
			return usagef("%s %s=%s:%s: the order of a condition is stated as WORST..BEST (1..5, 5..1, 0..100) or %%", how.Flag, m.name, b.name, word)
		}
		b.worst, b.best = worst, best
		return nil
	}
	u, ok := findUnit(m.of, word)
	if !ok {
		accepted := unitNames(m.of)
		if accepted == "" {
			accepted = "none: it is no measure"
		}
		return usagef("%s %s=%s:%s: %q is no unit of %s (accepted: %s)", how.Flag, m.name, b.name, word, word, m.name, accepted)
	}
	b.setUnit(m, u)
	return nil
}

func (b *binding) setUnit(m *mapping, u unit) {
	b.unit = u
	per := m.perBase
	if per == 0 {
		per = 1
	}
	b.factor, b.plus = u.per*per, u.plus*per
}

// settle takes the unit that the file or the column's name gives, else the
// default.
func (b *binding) settle(m *mapping, fileUnit, nameUnit string, us bool) {
	if m.of == ofScale {
		if nameUnit != "" {
			b.worst, b.best = 0, 100
			b.from = unitNamed
		}
		return
	}
	if len(unitsOf[m.of]) == 0 {
		return
	}
	for _, w := range []string{fileUnit, nameUnit} {
		if u, ok := findUnit(m.of, w); w != "" && ok {
			b.setUnit(m, u)
			b.from = unitNamed
			return
		}
	}
	if u, ok := findUnit(m.of, m.units[plainName(b.name)]); ok {
		b.setUnit(m, u)
		b.from = unitNamed
		return
	}
	name := m.unit
	if us && m.us != "" {
		name = m.us
	}
	u, _ := findUnit(m.of, name)
	b.setUnit(m, u)
	b.from = unitDefault
}

// parseScale reads WORST..BEST or %.
func parseScale(s string) (worst, best float64, ok bool) {
	switch strings.ToLower(strings.TrimSpace(s)) {
	case "%", "pct", "percent":
		return 0, 100, true
	}
	a, z, cut := strings.Cut(s, "..")
	if !cut {
		return 0, 0, false
	}
	worst, okA := plainNumber(a)
	best, okZ := plainNumber(z)
	return worst, best, okA && okZ && worst != best
}

// recognise scores how well a column's name fits m (lower is better, 1<<30 is
// not at all) and returns the unit that the name holds.
func recognise(m *mapping, column string) (score int, unitWord string) {
	score = 1 << 30
	bare, word, glued := splitUnit(column, m.of)
	whole := plainName(column)
	// A shapefile cuts names to ten characters; a name of just that length may
	// be the beginning of a longer one.
	cut := len(column) == 10
	try := func(key, word string, penalty int) {
		for i, n := range m.columns {
			s := i*8 + penalty
			switch {
			case n == key:
			case cut && !(glued && word != "") && len(key) >= 7 && strings.HasPrefix(n, key):
				s += 4
			default:
				continue
			}
			if s < score {
				score, unitWord = s, word
			}
		}
	}
	if word != "" {
		try(bare, word, 0)
		if slices.Contains(m.withUnit, bare) {
			score, unitWord = 0, word
		}
	}
	try(whole, "", 0)
	if rest, ok := strings.CutPrefix(whole, "tree"); ok {
		try(rest, "", 2)
	}
	if rest, ok := strings.CutPrefix(bare, "tree"); ok && word != "" {
		try(rest, word, 2)
	}
	return score, unitWord
}

// unitInName returns the unit that the name of a told column holds. One glued to
// the end of a word that is not known may be part of it, and is not taken.
func unitInName(m *mapping, column string) string {
	if score, word := recognise(m, column); score < 1<<30 {
		return word
	}
	if _, word, glued := splitUnit(column, m.of); !glued {
		return word
	}
	return ""
}

// splitUnit takes a unit off the end of a column's name: "DBH (in)", "dbh_cm",
// "HeightFt", "bulk density [g/cm^3]", and glued on: "DBHIN". bare is in plain
// form.
func splitUnit(column string, of quantity) (bare, word string, glued bool) {
	known := func(w string) bool {
		if of == ofScale {
			_, _, ok := parseScale(w)
			return ok
		}
		_, ok := findUnit(of, w)
		return ok
	}
	s := strings.TrimSpace(column)
	// In brackets.
	for _, pair := range []string{"()", "[]", "{}"} {
		open := strings.LastIndexByte(s, pair[0])
		if open < 0 {
			continue
		}
		in := strings.TrimSpace(strings.TrimSuffix(s[open+1:], pair[1:]))
		if in == "" {
			continue
		}
		if known(in) {
			return plainName(s[:open]), in, false
		}
	}
	// As the last word.
	parts := nameWords(s)
	if n := len(parts); n > 1 {
		last := parts[n-1]
		if pair := parts[n-2] + "/" + last; n > 2 && known(pair) { // KG_M3
			return strings.Join(parts[:n-2], ""), pair, false
		}
		if known(last) && last != "1" && last != "-" {
			return strings.Join(parts[:n-1], ""), last, false
		}
		if len(column) == 10 && len(last) >= 2 { // cut off: Height__me
			for _, u := range unitsOf[of] {
				for _, w := range u.words {
					if len(w) > len(last) && strings.HasPrefix(w, last) {
						return strings.Join(parts[:n-1], ""), u.name, false
					}
				}
			}
		}
	}
	// Glued on.
	key := plainName(s)
	for _, w := range []string{"inches", "inch", "in", "cm", "mm", "feet", "ft", "m", "pct", "percent", "mph", "ms"} {
		if rest, ok := strings.CutSuffix(key, w); ok && len(rest) >= 2 && known(w) {
			return rest, w, true
		}
	}
	return key, "", false
}

// nameWords splits a column's name at anything that is no letter or digit and
// where a small letter meets a capital, in lower case.
func nameWords(s string) []string {
	var parts []string
	var b strings.Builder
	flush := func() {
		if b.Len() > 0 {
			parts = append(parts, b.String())
			b.Reset()
		}
	}
	var before rune
	for _, r := range s {
		if !unicode.IsLetter(r) && !unicode.IsDigit(r) {
			if r == '%' {
				flush()
				b.WriteRune(r)
			}
			flush()
			before = 0
			continue
		}
		if unicode.IsUpper(r) && unicode.IsLower(before) {
			flush()
		}
		writePlain(&b, r)
		before = r
	}
	flush()
	return parts
}

// plainName is a column's name in lower case, letters and digits only, umlauts
// and accents written out.
func plainName(s string) string {
	var b strings.Builder
	for _, r := range s {
		if unicode.IsLetter(r) || unicode.IsDigit(r) {
			writePlain(&b, r)
		}
	}
	return b.String()
}

func writePlain(b *strings.Builder, r rune) {
	switch r = unicode.ToLower(r); r {
	case 'ä':
		b.WriteString("ae")
	case 'ö':
		b.WriteString("oe")
	case 'ü':
		b.WriteString("ue")
	case 'ß':
		b.WriteString("ss")
	case 'é', 'è', 'ê', 'ë':
		b.WriteByte('e')
	case 'á', 'à', 'â', 'ã':
		b.WriteByte('a')
	case 'ó', 'ò', 'ô', 'õ':
		b.WriteByte('o')
	case 'í', 'î', 'ï':
		b.WriteByte('i')
	case 'ú', 'ù', 'û':
		b.WriteByte('u')
	case 'ñ':
		b.WriteByte('n')
	case 'ç':
		b.WriteByte('c')
	default:
		b.WriteRune(r)
	}
}

// closestName returns the name nearest to word in letters changed, or "" when
// none is near.
func closestName(word string, names []string) string {
	best, bestAt := 1<<30, ""
	w := plainName(word)
	for _, n := range names {
		p := plainName(n)
		d := levenshtein.ComputeDistance(w, p)
		if strings.HasPrefix(p, w) && len(w) >= 3 || strings.HasPrefix(w, p) && len(p) >= 3 {
			d = 1
		}
		if d < best {
			best, bestAt = d, n
		}
	}
	if best > 1+utf8.RuneCountInString(w)/3 {
		return ""
	}
	return bestAt
}

// wanted lists the names of the columns that are read, in the order of the
// table.
func (c *columns) wanted() []string {
	var names []string
	got := map[int]bool{}
	for i := range c.bound {
		if b := &c.bound[i]; b.column >= 0 && !got[b.column] {
			got[b.column] = true
			names = append(names, b.name)
		}
	}
	return names
}

// absent lists the main fields that no column serves, for a sentence on what an
// inventory could add.
func (c *columns) absent() []string {
	var names []string
	for _, in := range []inventoryField{inID, inSpecies, inDBH, inHeight, inCrown, inPlanted, inRemoved, inCondition, inStock, inSupplier, inFlare, inFlareSeen, inMulch, inPit, inStreet, inWalkReplaced} {
		served := c.bound[in].column >= 0
		switch in {
		case inDBH:
			served = served || c.bound[inGirth].column >= 0
		case inPit:
			served = served || c.bound[inPitLength].column >= 0 && c.bound[inPitWidth].column >= 0
		}
		if !served {
			names = append(names, inventory[in].name)
		}
	}
	return names
}

// columnRead is a line of what was read, for the summary and the manifest.
type columnRead struct {
	Name   string // field, as in --field
	Column string
	Unit   string // "" for words
	How    string // "told" or "recognised"
	UnitBy string // "told", "named" (by the column) or "assumed"; "" without unit
}

// read lists which column serves which field, in the order of the table.
func (c *columns) read() []columnRead {
	var list []columnRead
	for i := range c.bound {
		b := &c.bound[i]
		if b.column < 0 {
			continue
		}
		r := columnRead{Name: inventory[i].name, Column: shownName(b.name), Unit: b.unit.name, How: "recognised"}
		if b.told {
			r.How = "told"
		}
		if inventory[i].of == ofScale && b.best != b.worst {
			r.Unit = fmt.Sprintf("%g..%g", b.worst, b.best)
		}
		if r.Unit != "" {
			r.UnitBy = [...]string{"assumed", "named", "told"}[b.from]
		}
		list = append(list, r)
	}
	return list
}
