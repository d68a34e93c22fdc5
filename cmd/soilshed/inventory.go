package main

import (
	"math"
	"math/bits"
	"strconv"
	"strings"

	"soilshed/geo"
	"soilshed/geo/layer"
	"soilshed/risk"
	"soilshed/risk/collar"
	"soilshed/risk/soil"
)

// recordKind is what a record of an inventory stands for.
type recordKind uint8

const (
	singleTree recordKind = iota
	// hedgeRow is a hedge or a row under one number: it has roots in the ground,
	// but no DBH and no collar of its own, so it stays out of the worklist.
	hedgeRow
	goneTree  // removed, felled, missing: Tree.Removed is set
	emptySite // stump or planting site: Tree.Removed is set
	// secondRecord has the number and the place of an earlier record: the same
	// tree, which must not share its ground with itself. Tree.Removed is set.
	secondRecord
	recordKinds
)

// tree makes the record of a feature and says what it stands for. What it
// meets is counted in the census. The place is not looked at.
func (c *columns) tree(f *layer.Feature) (risk.Tree, recordKind) {
	n := &c.census
	n.records++
	t := risk.Tree{ID: c.id(f)}
	kind := singleTree

	t.Species, kind = c.speciesOf(f)
	t.Street = c.text(inStreet, f)
	if c.bound[inStreet].address {
		t.Street = withoutHouse(t.Street)
	}
	t.Site = c.text(inSite, f)
	t.Supplier = c.text(inSupplier, f)

	t.DBHCm = c.dbh(f)
	t.HeightM = c.measure(inHeight, f)
	t.CrownM = c.measure(inCrown, f)
	if second := c.measure(inCrown2, f); second.Known {
		if t.CrownM.Known {
			t.CrownM.Value = (t.CrownM.Value + second.Value) / 2
			n.add(inCrown2, tookMean, f.FID, "")
		} else {
			t.CrownM = second
		}
	}
	t.LeanDeg = c.measure(inLean, f)

	t.PlantedYear = c.yearIn(inPlanted, f)
	c.season(f, &t)
	t.Crew = c.text(inCrew, f)
	t.WalkReplacedYr = c.yearIn(inWalkReplaced, f)

	if status := c.status(f); status != saysNothing {
		switch status {
		case saysGone:
			kind = goneTree
		case saysEmpty:
			kind = emptySite
		case saysHedge:
			if kind == singleTree {
				kind = hedgeRow
			}
		case saysDead:
			t.Dead = true
		}
	}
	t.Dead = c.saidDead(f) || t.Dead
	if v := c.condition(f); v.known {
		t.Condition = risk.Known(v.share)
		t.Dead = t.Dead || v.dead
	}
	if t.Dead && !t.Condition.Known {
		t.Condition = risk.Known(0.0)
	}

	t.Stock = c.stock(f)
	t.Corrected = c.answer(inCorrected, f)
	t.FlareCm = c.measure(inFlare, f)
	t.FlareSeen = c.answer(inFlareSeen, f)
	t.MulchCm = c.measure(inMulch, f)
	t.MulchTouches = c.answer(inMulchContact, f)

	t.PitLM, t.PitWM = c.pit(f)
	t.DepthM = c.measure(inDepth, f)
	t.Texture = c.texture(f)
	t.DensityGCm3 = c.measure(inDensity, f)

	switch kind {
	case hedgeRow:
		n.hedges++
		n.remember(kind, f.FID, n.hedges)
	case goneTree:
		n.gone++
		t.Removed = true
		n.remember(kind, f.FID, n.gone)
	case emptySite:
		n.empty++
		t.Removed = true
		n.remember(kind, f.FID, n.empty)
	}
	if t.Dead && !t.Removed {
		n.dead++
	}
	return t, kind
}

func (c *census) remember(kind recordKind, fid int64, count int) {
	if count <= examplesKept {
		c.kinds[kind][count-1] = example{fid, ""}
	}
}

// id returns the tree's number. "1.0" is 1; a number that an earlier record
// has gets ~2, ~3, ...; a record without one gets # and its place in the file.
func (c *columns) id(f *layer.Feature) string {
	id := ""
	if b := &c.bound[inID]; b.column >= 0 && b.column < len(f.Values) {
		id = plainID(f.Values[b.column].Text())
	}
	if id == "" {
		id = "#" + strconv.FormatInt(f.FID, 10)
		c.census.add(inID, madeNumber, f.FID, "")
	} else {
		c.census.values[inID]++
	}
	if _, taken := c.seen[id]; taken {
		first := id
		for k := int64(2); taken; k++ {
			id = first + "~" + strconv.FormatInt(k, 10)
			_, taken = c.seen[id]
		}
		c.census.add(inID, madeUnique, f.FID, first)
	}
	c.seen[id] = struct{}{}
	return id
}

// givenID is the number of a tree as a person gives it: plain, or a record's
// place (#12) where it has none.
func givenID(s string) string {
	if strings.HasPrefix(s, "#") {
		return s
	}
	return plainID(s)
}

// numbered finds a tree by its number as a person gives it.
func (in *inputs) numbered(number, file string) (int, error) {
	id := givenID(number)
	for i := range in.trees.len() {
		if in.trees.id(i) == id {
			return i, nil
		}
	}
	return -1, usagef("no tree has the number %s in %s", number, file)
}

// plainID drops blanks and a decimal part of zeros; "" is no number at all.
func plainID(s string) string {
	s = trimCell(s)
	if gapWord(s) && s != "x" && s != "X" {
		return ""
	}
	if dot := strings.IndexByte(s, '.'); dot > 0 && strings.Trim(s[dot+1:], "0") == "" {
		digits := s[:dot]
		for i := range len(digits) {
			if !isDigit(digits[i]) && (i > 0 || digits[i] != '-') {
				return s
			}
		}
		return digits
	}
	return s
}

// text returns a cell of words; "" where it says nothing.
func (c *columns) text(in inventoryField, f *layer.Feature) string {
	b := &c.bound[in]
	if b.column < 0 || b.column >= len(f.Values) {
		return ""
	}
	v := &f.Values[b.column]
	if v.Null() {
		c.census.add(in, gapBlank, f.FID, "")
		return ""
	}
	s := trimCell(v.Text())
	if gapWord(s) {
		c.gap(in, f.FID, s)
		return ""
	}
	if len(s) <= 5 && v.Kind() != layer.Integer {
		switch lowerASCII(s) {
		case "true", "false", "yes", "no": // "is there a street", not its name
			c.census.add(in, leftUnknownWord, f.FID, s)
			return ""
		}
	}
	c.census.values[in]++
	return s
}

// withoutHouse drops the number of a house before a street: "1234-A Elm St".
func withoutHouse(s string) string {
	house, street, ok := strings.Cut(s, " ")
	if !ok || !isDigit(house[0]) || strings.HasSuffix(house, "th") || strings.HasSuffix(house, "st") || strings.HasSuffix(house, "nd") || strings.HasSuffix(house, "rd") {
		return s // "5th Avenue"
	}
	return strings.TrimSpace(street)
}

// gap counts a text that says that nothing is known.
func (c *columns) gap(in inventoryField, fid int64, s string) {
	addGap(&c.census.tallies[in], fid, s)
}

// measure returns the number of a cell in the record's unit.
func (c *columns) measure(in inventoryField, f *layer.Feature) risk.Maybe[float64] {
	b := &c.bound[in]
	if b.column < 0 || b.column >= len(f.Values) {
		return risk.Maybe[float64]{}
	}
	join := oneNumber
	switch in {
	case inDBH, inGirth:
		join = stemsInCell
	case inStems:
		join = stemList
	}
	v, ok := c.reading(in, f, join)
	return risk.Maybe[float64]{Value: v, Known: ok}
}

// reading reads a measure and judges it.
func (c *columns) reading(in inventoryField, f *layer.Feature, join joining) (float64, bool) {
	b, n := &c.bound[in], &c.census
	y, raw, ok := readMeasure(&f.Values[b.column], b, &inventory[in], &n.tallies[in], join, f.FID)
	if !math.IsNaN(raw) {
		n.spreads[in].add(raw)
	}
	if ok {
		n.values[in]++
	}
	return y, ok
}

// readMeasure reads a measure of a layer in the record's unit, and counts in t
// why there is none or what was done to get it. raw is the number in the
// column's own unit; NaN when the cell has none or brings its own unit.
func readMeasure(v *layer.Value, b *binding, m *mapping, t *[reasons]tally, join joining, fid int64) (y, raw float64, ok bool) {
	none := math.NaN()
	if v.Null() {
		t[gapBlank].add(fid, "")
		return 0, none, false
	}
	x, ok := v.Float()
	text := ""
	var a amount
	if !ok {
		text = trimCell(v.Text())
		if join != stemList || strings.IndexByte(text, ',') < 0 {
			x, ok = plainNumber(text)
		}
		if !ok {
			if gapWord(text) {
				addGap(t, fid, text)
				return 0, none, false
			}
			if a, ok = readAmount(text, m.of, join); !ok {
				t[leftUnreadable].add(fid, text)
				return 0, none, false
			}
			x = a.value
		}
	}
	if math.IsNaN(x) || math.IsInf(x, 0) {
		t[leftUnreadable].add(fid, v.Text())
		return 0, none, false
	}
	if x == 0 && m.zeroIsGap {
		t[gapZero].add(fid, "")
		return 0, none, false
	}
	if (x < 0 || x >= 999) && codeForGap(x) {
		t[gapCode].add(fid, v.Text())
		return 0, none, false
	}
	y, raw = x*b.factor+b.plus, x
	if a.inOther {
		y, raw = x*a.unit.per*m.perBase+a.unit.plus*m.perBase, none
	} else if m.of == ofFraction && b.from == unitDefault && x > 1 && x <= 100 && b.unit.name == "fraction" {
		y = x / 100
		t[tookPercent].add(fid, v.Text())
	}
	switch {
	case y < m.low:
		t[leftTooSmall].add(fid, v.Text())
		return 0, raw, false
	case y > m.high:
		t[leftTooLarge].add(fid, v.Text())
		return 0, raw, false
	}
	switch a.how {
	case asMiddle:
		t[tookMiddle].add(fid, text)
	case asBound:
		t[tookBound].add(fid, text)
	case asJoined:
		t[tookJoined].add(fid, text)
	}
	if a.inOther && a.unit.name != b.unit.name {
		t[tookCellUnit].add(fid, text)
	}
	return y, raw, true
}

// addGap counts a text that says that nothing is known.
func addGap(t *[reasons]tally, fid int64, s string) {
	if s == "" {
		t[gapBlank].add(fid, "")
	} else {
		t[gapWordy].add(fid, s)
	}
}

// codeForGap reports whether a number is one by which files write "none".
func codeForGap(x float64) bool {
	switch x {
	case -1, -9, -99, -999, -9999, -99999, -32768, -2147483648, 999, 9999, 99999, 999999, 32767, 2147483647:
		return true
	}
	return x <= -1e30 // the lowest number of a float, as rasters write it
}

// dbh returns the stem's diameter in cm: as measured, with further stems joined,
// else from the girth.
func (c *columns) dbh(f *layer.Feature) risk.Maybe[float64] {
	d := c.measure(inDBH, f)
	if !d.Known {
		if g := c.measure(inGirth, f); g.Known {
			d = risk.Known(g.Value / math.Pi)
			c.census.add(inGirth, tookGirth, f.FID, "")
		}
	}
	if c.bound[inStems].column >= 0 && d.Known {
		// A stem diameter that gives the same basal area as all stems together
		// (common practice).
		if more := c.furtherStems(f); more > 0 {
			d.Value = math.Sqrt(d.Value*d.Value + more*more)
		}
	}
	return d
}

// furtherStems reads the list of further stems, and is silent where there are
// none, as most trees have one stem.
func (c *columns) furtherStems(f *layer.Feature) float64 {
	b := &c.bound[inStems]
	if b.column >= len(f.Values) || f.Values[b.column].Null() {
		return 0
	}
	if f.Values[b.column].Kind() == layer.Text && gapWord(trimCell(f.Values[b.column].Text())) {
		return 0
	}
	v, ok := c.reading(inStems, f, stemList)
	if !ok {
		return 0
	}
	return v
}

// yearIn returns the year of a cell.
func (c *columns) yearIn(in inventoryField, f *layer.Feature) risk.Maybe[int] {
	b, n := &c.bound[in], &c.census
	none := risk.Maybe[int]{}
	if b.column < 0 || b.column >= len(f.Values) {
		return none
	}
	v := &f.Values[b.column]
	if v.Null() {
		n.add(in, gapBlank, f.FID, "")
		return none
	}
	var year int
	var how howDated
	x, ok := v.Float()
	if ok {
		year, how, ok = yearOfNumber(x)
	} else {
		s := trimCell(v.Text())
		if gapWord(s) {
			c.gap(in, f.FID, s)
			return none
		}
		year, how, ok = readYear(s, c.year)
	}
	latest := c.year
	if latest == 0 {
		latest = 2100
	}
	switch {
	case !ok:
		n.add(in, leftUnreadable, f.FID, v.Text())
		return none
	case how == datedByNullDate:
		n.add(in, gapNullDate, f.FID, v.Text())
		return none
	case year == 0:
		n.add(in, gapZero, f.FID, "")
		return none
	case year == 9999 || year == 999 || year < 0:
		n.add(in, gapCode, f.FID, v.Text())
		return none
	case year < 1700:
		n.add(in, leftTooSmall, f.FID, v.Text())
		return none
	case year > latest:
		n.add(in, leftFuture, f.FID, v.Text())
		return none
	}
	switch how {
	case datedMiddle:
		n.add(in, tookMiddle, f.FID, v.Text())
	case datedBound:
		n.add(in, tookBound, f.FID, v.Text())
	case datedShort:
		n.add(in, tookShortYear, f.FID, v.Text())
	case datedEpoch:
		n.add(in, tookEpoch, f.FID, v.Text())
	case datedDayNumber:
		n.add(in, tookDayNumber, f.FID, v.Text())
	}
	n.values[in]++
	return risk.Known(year)
}

// season reads when in the year the tree was planted: from the date of planting,
// else from a column of its own, which may bring the year as well.
func (c *columns) season(f *layer.Feature, t *risk.Tree) {
	if b := &c.bound[inPlanted]; t.PlantedYear.Known && b.column >= 0 && b.column < len(f.Values) {
		t.Season, t.PlantedMonth = readSeason(f.Values[b.column].Text())
	}
	s := c.text(inSeason, f)
	if s == "" {
		return
	}
	if y, _, ok := readYear(s, c.year); ok && !t.PlantedYear.Known && plausibleYear(y) && (c.year == 0 || y <= c.year) {
		t.PlantedYear = risk.Known(y)
	}
	if t.Season == "" && t.PlantedMonth == 0 {
		if t.Season, t.PlantedMonth = readSeason(s); t.Season == "" && t.PlantedMonth == 0 {
			t.Season = s
		}
	}
}

// wordsKept bounds how many different texts of a column are remembered.
const wordsKept = 1 << 14

// remembered looks a text up, and thinks about it when it is new.
func remembered[T any](known map[string]T, s string, think func(string) T) T {
	if v, ok := known[s]; ok {
		return v
	}
	v := think(s)
	if len(known) < wordsKept {
		known[s] = v
	}
	return v
}

// speciesText is what a species cell says.
type speciesText struct {
	name    string
	epithet bool // a second name alone, as in "rubrum"
	empty   bool // a stump or planting site
	hedge   bool
}

func thinkSpecies(s string) speciesText {
	t := speciesText{name: trimCell(s)}
	if gapWord(t.name) {
		return speciesText{}
	}
	low := strings.ToLower(t.name)
	for _, w := range []string{"vacant", "vac.", "stump", "planting site", "planting space", "empty", "no tree", "available site", "unplanted", "tree removed", "removed tree"} {
		if strings.HasPrefix(low, w) || strings.HasSuffix(low, " "+w) {
			t.empty = true
		}
	}
	switch strings.TrimRight(low, " s.") {
	case "hedge", "hedgerow", "hedge row", "hecke", "haie":
		t.hedge = true
	}
	// An epithet is one word, or two, of small letters.
	first := t.name[0]
	t.epithet = first >= 'a' && first <= 'z' || strings.HasPrefix(low, "x ") || strings.HasPrefix(t.name, "×") || low == "spp" || low == "sp" || low == "spp." || low == "sp."
	return t
}

// speciesOf returns the species as recorded: the Latin name first, then the
// common name; a genus column is put before a lone epithet.
func (c *columns) speciesOf(f *layer.Feature) (string, recordKind) {
	var t speciesText
	kind := singleTree
	n := &c.census
	if b := &c.bound[inSpecies]; b.column >= 0 && b.column < len(f.Values) {
		v := &f.Values[b.column]
		if v.Null() {
			n.add(inSpecies, gapBlank, f.FID, "")
		} else {
			s := v.Text()
			t = remembered(c.species, s, thinkSpecies)
			if t.name == "" {
				c.gap(inSpecies, f.FID, trimCell(s))
			} else {
				n.values[inSpecies]++
			}
		}
	}
	switch {
	case t.empty:
		kind = emptySite
	case t.hedge:
		kind = hedgeRow
	}
	if c.bound[inGenus].column >= 0 {
		if genus := c.text(inGenus, f); genus != "" {
			switch {
			case t.name == "":
				t.name = genus
			case t.epithet && !strings.EqualFold(t.name, genus) && !(len(t.name) > len(genus) && strings.EqualFold(t.name[:len(genus)], genus)):
				t.name = genus + " " + t.name
				n.add(inGenus, tookGenus, f.FID, "")
			}
		}
	}
	if t.name == "" && c.bound[inCommon].column >= 0 {
		s := c.text(inCommon, f)
		common := remembered(c.species, s, thinkSpecies)
		if common.name != "" {
			t.name = common.name
			n.add(inCommon, tookCommon, f.FID, common.name)
			switch {
			case common.empty:
				kind = emptySite
			case common.hedge:
				kind = hedgeRow
			}
		}
	}
	return t.name, kind
}

// statusText is what a status cell says.
type statusText uint8

const (
	saysNothing statusText = iota
	saysStanding
	saysGone
	saysEmpty
	saysHedge
	saysDead
	saysUnknown // words that mean nothing here
	saysYes     // yes, 1, true
	saysNo
	saysDate
)

func thinkStatus(s string) statusText {
	low := strings.ToLower(trimCell(s))
	if gapWord(low) {
		return saysNothing
	}
	switch low {
	case "y", "yes", "true", "t", "1", "1.0", "ja", "oui", "si", "sí":
		return saysYes
	case "n", "no", "false", "f", "0", "0.0", "nein", "non", "nee":
		return saysNo
	}
	has := func(list ...string) bool {
		for _, w := range list {
			if strings.Contains(low, w) {
				return true
			}
		}
		return false
	}
	switch {
	case has("to be removed", "to be felled", "not removed", "for removal", "removal recommended", "removal scheduled", "removal pending", "removal planned",
		"recommended removal", "recommend removal", "will be removed", "should be removed", "not missing", "not felled", "not dead", "removal request"):
		return saysStanding
	case has("vacant", "empty", "planting site", "planting space", "no tree", "stump", "unplanted", "proposed", "planned", "future"):
		return saysEmpty
	case saidGone(low):
		return saysGone
	case strings.HasPrefix(low, "hedge") || low == "hecke" || low == "haie":
		return saysHedge
	case has("dead", "snag", "deceased") && !has("deadwood", "dead wood", "dead branch", "dead limb", "no dead"):
		return saysDead
	case low == "d" || low == "tot" || low == "mort":
		return saysDead
	case has("alive", "living", "standing", "active", "present", "existing", "in service", "good", "fair", "poor", "excellent", "planted", "established", "healthy") ||
		low == "live" || low == "a" || low == "l" || low == "tree" || low == "ok":
		if has("inactive") {
			return saysGone
		}
		return saysStanding
	}
	if y, how, ok := readYear(low, 0); ok && how != datedByNullDate && plausibleYear(y) {
		return saysDate
	}
	return saysUnknown
}

// saidGone reports whether a status says that the tree is gone. "Limb removed"
// and "missing bark" do not: a tree is not given up for a word about it.
func saidGone(low string) bool {
	for _, w := range []string{"tree removed", "was removed", "been removed", "removal complete", "tree missing", "tree gone", "cut down"} {
		if strings.Contains(low, w) {
			return true
		}
	}
	for _, w := range []string{"removed", "missing", "gone", "felled", "deleted", "retired", "decommissioned", "gefällt", "abattu", "gekapt", "fallen", "lost"} {
		rest, ok := strings.CutPrefix(low, w)
		if !ok {
			continue
		}
		rest = strings.TrimSpace(rest)
		if rest == "" || !isLetter(rest[0]) && rest[0] < 0x80 { // alone, or with a date
			return true
		}
		for _, next := range []string{"as of", "since", "in ", "on ", "by ", "for ", "before", "after", "or ", "due", "tree", "spring", "fall", "summer", "winter"} {
			if strings.HasPrefix(rest, next) {
				return true
			}
		}
	}
	return false
}

// status reads the column of removal or status.
func (c *columns) status(f *layer.Feature) statusText {
	b := &c.bound[inRemoved]
	if b.column < 0 || b.column >= len(f.Values) {
		return saysNothing
	}
	v := &f.Values[b.column]
	if v.Null() {
		return saysNothing
	}
	said := remembered(c.statuses, v.Text(), thinkStatus)
	if said != saysNothing {
		c.census.values[inRemoved]++
	}
	switch said {
	case saysYes, saysDate:
		if b.statusWords { // "status: 1" and a date of status say nothing of removal
			break
		}
		return saysGone
	case saysNo:
		if b.statusWords {
			break
		}
		return saysStanding
	case saysUnknown:
	default:
		return said
	}
	c.census.unknownStatus.add(f.FID, v.Text())
	return saysNothing
}

// saidDead reads the column of life or death.
func (c *columns) saidDead(f *layer.Feature) bool {
	b := &c.bound[inAlive]
	if b.column < 0 || b.column >= len(f.Values) || f.Values[b.column].Null() {
		return false
	}
	v := &f.Values[b.column]
	said := remembered(c.statuses, v.Text(), thinkStatus)
	switch said {
	case saysDead:
		c.census.values[inAlive]++
		return true
	case saysYes:
		c.census.values[inAlive]++
		return b.inverted
	case saysNo:
		c.census.values[inAlive]++
		return !b.inverted
	case saysNothing, saysStanding:
	default:
		c.census.add(inAlive, leftUnknownWord, f.FID, v.Text())
	}
	return false
}

// conditionText is what a condition cell says, 0 (dead) to 1.
type conditionText struct {
	share  float64
	known  bool
	dead   bool
	middle bool
	number float64 // a bare number, whose order is another question
	isNum  bool
	gap    bool
	pct    bool
}

// conditionWords are taken at the middle of the classes in which appraisers
// rate condition in percent: excellent 81-100, good 61-80, fair 41-60, poor
// 21-40, very poor 6-20, dead 0-5 (Council of Tree and Landscape Appraisers,
// Guide for Plant Appraisal, 10th ed.; from memory). The last class is taken
// as 0. Very good and dying lie between their neighbours (no source). Longer
// phrases stand before the words that they hold.
var conditionWords = []struct {
	word  string
	share float64
	dead  bool
}{
	{"very good", 0.80, false}, {"very poor", 0.13, false}, {"very bad", 0.13, false},
	{"excellent", 0.905, false}, {"good", 0.705, false}, {"fair", 0.505, false}, {"average", 0.505, false}, {"moderate", 0.505, false},
	{"poor", 0.305, false}, {"bad", 0.305, false}, {"critical", 0.13, false}, {"dying", 0.08, false}, {"moribund", 0.08, false},
	{"declining", 0.305, false}, {"dead", 0, true}, {"healthy", 0.705, false}, {"stressed", 0.505, false},
}

func thinkCondition(s string) conditionText {
	low := strings.ToLower(trimCell(s))
	if gapWord(low) {
		return conditionText{gap: true}
	}
	if v, ok := plainNumber(low); ok {
		return conditionText{number: v, isNum: true}
	}
	if rest, ok := strings.CutSuffix(low, "%"); ok {
		if a, ok := readAmount(rest, ofText, oneNumber); ok {
			return conditionText{number: a.value, isNum: true, pct: true, middle: a.how == asMiddle}
		}
	}
	switch low {
	case "e", "ex", "exc":
		low = "excellent"
	case "vg":
		low = "very good"
	case "g":
		low = "good"
	case "f":
		low = "fair"
	case "p":
		low = "poor"
	case "vp":
		low = "very poor"
	case "d":
		low = "dead"
	}
	sum, found, dead := 0.0, 0, false
	rest := low
	for _, w := range conditionWords {
		at := strings.Index(rest, w.word)
		if at < 0 || at > 0 && isLetter(rest[at-1]) || at+len(w.word) < len(rest) && isLetter(rest[at+len(w.word)]) {
			continue // "dead" in "deadwood", "fair" in "fairly"
		}
		if strings.HasSuffix(strings.TrimRight(rest[:at], " "), "not") {
			return conditionText{}
		}
		sum += w.share
		found++
		dead = dead || w.dead
		rest = rest[:at] + strings.Repeat("_", len(w.word)) + rest[at+len(w.word):]
	}
	if found == 0 || found > 2 {
		return conditionText{}
	}
	return conditionText{share: sum / float64(found), known: true, dead: dead && found == 1, middle: found == 2}
}

func isLetter(c byte) bool { return c >= 'a' && c <= 'z' || c >= 'A' && c <= 'Z' }

// condition reads the condition as a share of the best, 0 to 1.
func (c *columns) condition(f *layer.Feature) conditionText {
	b, n := &c.bound[inCondition], &c.census
	if b.column < 0 || b.column >= len(f.Values) {
		return conditionText{}
	}
	v := &f.Values[b.column]
	if v.Null() {
		n.add(inCondition, gapBlank, f.FID, "")
		return conditionText{}
	}
	var t conditionText
	if x, ok := v.Float(); ok {
		t = conditionText{number: x, isNum: true}
	} else {
		t = remembered(c.conditions, v.Text(), thinkCondition)
	}
	switch {
	case t.gap:
		c.gap(inCondition, f.FID, trimCell(v.Text()))
	case t.isNum:
		worst, best := b.worst, b.best
		if t.pct {
			worst, best = 0, 100
		}
		if worst == best {
			if t.number == 0 || codeForGap(t.number) {
				n.add(inCondition, gapCode, f.FID, v.Text())
			} else {
				n.add(inCondition, leftNoOrder, f.FID, v.Text())
			}
			return conditionText{}
		}
		share := (t.number - worst) / (best - worst)
		switch {
		case codeForGap(t.number) || t.number == 0 && !(share >= 0 && share <= 1):
			n.add(inCondition, gapCode, f.FID, v.Text())
			return conditionText{}
		case math.IsNaN(share) || share < 0:
			n.add(inCondition, leftTooSmall, f.FID, v.Text())
			return conditionText{}
		case share > 1:
			n.add(inCondition, leftTooLarge, f.FID, v.Text())
			return conditionText{}
		}
		t.share, t.known = share, true
	case !t.known:
		n.add(inCondition, leftUnknownWord, f.FID, v.Text())
		return conditionText{}
	}
	if t.known {
		n.values[inCondition]++
		if t.middle {
			n.add(inCondition, tookMiddle, f.FID, v.Text())
		}
	}
	return t
}

type stockText struct {
	stock      collar.Stock
	known, gap bool
}

func (c *columns) stock(f *layer.Feature) collar.Stock {
	b, n := &c.bound[inStock], &c.census
	if b.column < 0 || b.column >= len(f.Values) {
		return collar.StockUnknown
	}
	v := &f.Values[b.column]
	if v.Null() {
		n.add(inStock, gapBlank, f.FID, "")
		return collar.StockUnknown
	}
	t := remembered(c.stocks, v.Text(), func(s string) stockText {
		s = trimCell(s)
		stock, ok := collar.ParseStock(s)
		return stockText{stock, ok && stock != collar.StockUnknown, gapWord(s)}
	})
	switch {
	case t.known:
		n.values[inStock]++
	case t.gap:
		c.gap(inStock, f.FID, trimCell(v.Text()))
	default:
		n.add(inStock, leftUnknownWord, f.FID, v.Text())
	}
	return t.stock
}

type textureText struct {
	texture    soil.Texture
	known, gap bool
}

func (c *columns) texture(f *layer.Feature) soil.Texture {
	b, n := &c.bound[inTexture], &c.census
	if b.column < 0 || b.column >= len(f.Values) {
		return soil.NoTexture
	}
	v := &f.Values[b.column]
	if v.Null() {
		n.add(inTexture, gapBlank, f.FID, "")
		return soil.NoTexture
	}
	t := remembered(c.textures, v.Text(), thinkTexture)
	switch {
	case t.known:
		n.values[inTexture]++
	case t.gap:
		c.gap(inTexture, f.FID, trimCell(v.Text()))
	default:
		n.add(inTexture, leftUnknownWord, f.FID, v.Text())
	}
	return t.texture
}

func thinkTexture(s string) textureText {
	s = trimCell(s)
	texture, ok := soil.ParseTexture(s)
	return textureText{texture, ok && texture != soil.NoTexture, gapWord(s)}
}

// answer reads a yes or no.
func (c *columns) answer(in inventoryField, f *layer.Feature) collar.Answer {
	b, n := &c.bound[in], &c.census
	if b.column < 0 || b.column >= len(f.Values) {
		return collar.Unknown
	}
	v := &f.Values[b.column]
	if v.Null() {
		n.add(in, gapBlank, f.FID, "")
		return collar.Unknown
	}
	s := trimCell(v.Text())
	// "None" and "N/A" are what an empty cell turns into, no answer.
	if gapWord(s) && s != "x" && s != "X" { // a cross is a yes
		c.gap(in, f.FID, s)
		return collar.Unknown
	}
	said, ok := readAnswer(in, s)
	if !ok {
		n.add(in, leftUnknownWord, f.FID, v.Text())
		return collar.Unknown
	}
	n.values[in]++
	return said
}

// readAnswer reads yes and no, and the words of the trade for them.
func readAnswer(in inventoryField, s string) (collar.Answer, bool) {
	if a, ok := collar.ParseAnswer(s); ok {
		return a, a != collar.Unknown
	}
	switch strings.ToLower(s) {
	case "1.0", "x", "ja", "oui", "si", "sí":
		return collar.Yes, true
	case "0.0", "nein", "non", "nee":
		return collar.No, true
	}
	var yes, no string
	switch in {
	case inFlareSeen:
		yes, no = "visible|exposed|seen|at grade|above grade", "not visible|buried|hidden|covered|below grade|not seen|no flare"
	case inMulchContact:
		yes, no = "volcano|against|touching|contact|on trunk|on stem|piled", "clear|off|not touching|away|no contact|not against"
	case inCorrected:
		yes, no = "corrected|shaved|pruned|cut|teased|washed|sliced", "not corrected|uncorrected|untouched|as is|not pruned"
	}
	low := strings.ToLower(s)
	// What denies holds the words that affirm, so it goes first.
	for w := range strings.SplitSeq(no, "|") {
		if w != "" && strings.Contains(low, w) {
			return collar.No, true
		}
	}
	for w := range strings.SplitSeq(yes, "|") {
		if w != "" && strings.Contains(low, w) {
			return collar.Yes, true
		}
	}
	return collar.Unknown, false
}

// pit returns the recorded opening in metres.
func (c *columns) pit(f *layer.Feature) (length, width risk.Maybe[float64]) {
	b, n, m := &c.bound[inPit], &c.census, &inventory[inPit]
	if b.column >= 0 && b.column < len(f.Values) {
		v := &f.Values[b.column]
		s := ""
		if !v.Null() {
			s = trimCell(v.Text())
		}
		if s == "" || gapWord(s) {
			c.gap(inPit, f.FID, s)
		} else if p, ok := readPit(s); !ok {
			n.add(inPit, leftUnreadable, f.FID, s)
		} else {
			per := b.factor
			if p.hasUnit {
				per = p.unit.per
			}
			l, w := p.length*per, p.width*per
			switch {
			case p.length == 0 || p.width == 0:
				n.add(inPit, gapZero, f.FID, s)
			case codeForGap(p.length):
				n.add(inPit, gapCode, f.FID, s)
			case l < m.low || w < m.low:
				n.add(inPit, leftTooSmall, f.FID, s)
			case l > m.high || w > m.high:
				n.add(inPit, leftTooLarge, f.FID, s)
			default:
				n.values[inPit]++
				if p.hasUnit && p.unit.name != b.unit.name {
					n.add(inPit, tookCellUnit, f.FID, s)
				}
				if p.square {
					n.add(inPit, tookSquare, f.FID, s)
				}
				if p.middle {
					n.add(inPit, tookMiddle, f.FID, s)
				}
				length, width = risk.Known(l), risk.Known(w)
			}
		}
	}
	if l := c.measure(inPitLength, f); l.Known && !length.Known {
		length = l
	}
	if w := c.measure(inPitWidth, f); w.Known && !width.Known {
		width = w
	}
	return length, width
}

// crowding tells how many trees share a place with another.
type crowding struct {
	Trees int // trees with another within the distance
	Most  int // trees on the fullest spot
	At    int // index of the first tree there; -1 when there is none
}

// sharedPlaces counts points that lie within the distance of another (1 cm
// finds the same point recorded twice). It does not depend on their order.
func sharedPlaces(points []geo.XY, withinM float64) crowding {
	type cell struct{ x, y int64 }
	at := func(x, y, side float64) cell { return cell{int64(math.Floor(x / side)), int64(math.Floor(y / side))} }
	// Nearly every tree is alone in cells much wider than the distance; looking at
	// all neighbours of the narrow cells is for the rest. Cells that share a count
	// by chance only make more of it.
	wide := 100 * withinM
	width := 3 + bits.Len(uint(len(points)))
	counts := make([]uint8, 1<<width)
	count := func(c cell) *uint8 {
		return &counts[(uint64(c.x)*0x9e3779b97f4a7c15^uint64(c.y)*0xc2b2ae3d27d4eb4f)>>(64-width)]
	}
	for _, p := range points {
		if n := count(at(p.X, p.Y, wide)); *n < 2 {
			*n++
		}
	}
	alone := func(p geo.XY) bool {
		lo, hi := at(p.X-withinM, p.Y-withinM, wide), at(p.X+withinM, p.Y+withinM, wide)
		n := uint8(0)
		for x := lo.x; x <= hi.x; x++ {
			for y := lo.y; y <= hi.y; y++ {
				n += *count(cell{x, y})
			}
		}
		return n <= 1
	}
	var near []int
	for i, p := range points {
		if !alone(p) {
			near = append(near, i)
		}
	}
	// Two points in one cell of this side are never farther apart than withinM.
	side := withinM / math.Sqrt2
	type spot struct {
		first, last int32
		count       int32
	}
	spots := make(map[cell]*spot, len(near))
	next := make([]int32, len(points))
	for _, i := range near {
		c := at(points[i].X, points[i].Y, side)
		s := spots[c]
		if s == nil {
			spots[c] = &spot{int32(i), int32(i), 1}
		} else {
			next[s.last] = int32(i)
			s.last = int32(i)
			s.count++
		}
		next[i] = -1
	}
	r := crowding{At: -1}
	for _, i := range near {
		p := points[i]
		c := at(p.X, p.Y, side)
		s := spots[c]
		if int(s.count) > r.Most && s.count > 1 {
			r.Most, r.At = int(s.count), int(s.first)
		}
		shared := s.count > 1
		for dx := int64(-2); dx <= 2 && !shared; dx++ {
			for dy := int64(-2); dy <= 2 && !shared; dy++ {
				other := spots[cell{c.x + dx, c.y + dy}]
				if other == nil || other == s {
					continue
				}
				for j := other.first; j >= 0 && !shared; j = next[j] {
					shared = points[j].Distance(p) <= withinM
				}
			}
		}
		if shared {
			r.Trees++
			if r.At < 0 {
				r.At, r.Most = i, 2
			}
		}
	}
	return r
}
