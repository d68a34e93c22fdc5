package main

import (
	"fmt"
	"math"
	"sort"
	"strconv"
	"strings"

	"soilshed/scripts/plat"
)

const surveyYear = 2024

// kind is a species with the invented constants by which it grows here.
type kind struct {
	latin, common string
	maxDBHCm      float64
	rate          float64 // of approach to that size, a year
	heightPerDBH  float64 // m at DBH 30 cm
	spreadPerDBH  float64
	prone         float64 // log-odds of girdling, of the hidden truth
}

var kinds = []kind{
	{"Acer platanoides", "Norway maple", 62, 0.045, 11, 9, 0.7},
	{"Acer rubrum", "red maple", 55, 0.05, 11.5, 8.5, 0.5},
	{"Acer saccharum", "sugar maple", 60, 0.035, 11.5, 8.5, 0.3},
	{"Tilia cordata", "littleleaf linden", 60, 0.042, 11.5, 8, 0.5},
	{"Gleditsia triacanthos", "honeylocust", 60, 0.055, 12, 10.5, 0},
	{"Celtis occidentalis", "hackberry", 70, 0.042, 12, 9.5, 0.1},
	{"Quercus bicolor", "swamp white oak", 75, 0.035, 11.5, 9, -0.2},
	{"Quercus macrocarpa", "bur oak", 85, 0.028, 11, 9, -0.3},
	{"Quercus rubra", "northern red oak", 75, 0.04, 12.5, 10, -0.2},
	{"Fraxinus pennsylvanica", "green ash", 60, 0.05, 12.5, 9, 0.1},
	{"Ulmus americana", "American elm", 80, 0.05, 13, 11, 0},
	{"Ginkgo biloba", "ginkgo", 50, 0.03, 11, 6.5, -0.4},
	{"Pyrus calleryana", "Callery pear", 38, 0.07, 9.5, 7, 0},
	{"Malus", "crabapple", 25, 0.08, 5.5, 6, 0},
	{"Syringa reticulata", "Japanese tree lilac", 22, 0.07, 6, 5, 0},
	{"Betula nigra", "river birch", 45, 0.06, 11.5, 8.5, -0.2},
}

// stocks in the plain words of planting records, with their effect in the
// hidden truth.
var stocks = []struct {
	words   []string
	effect  float64
	flareCm float64 // mean soil over the first main roots
}{
	{[]string{"container", "plastic container"}, 1.3, 6},
	{[]string{"fabric container", "air-pruned container"}, -0.4, 4},
	{[]string{"balled and burlapped", "field grown, balled"}, 0.2, 8},
	{[]string{"bare root"}, -0.8, 2},
}

var nurseries = []struct {
	name    string
	effect  float64
	flareCm float64
}{
	{"Three Gates Nursery", 0.7, 3}, {"Oxbow Growers", -0.3, -1}, {"Pellan & Daughters", 0, 0}, {"Long Acre Trees", 0.1, 2}, {"Stillwater Stock", -0.2, 0},
}

// lots says what is planted along a street, and when.
var lots = map[string]struct {
	kinds []int
	years []int
}{
	"Fennel Street":   {[]int{13, 14, 12}, []int{2006, 2012, 2017}},
	"Cooper's Row":    {[]int{3, 1, 5}, []int{1996, 2003, 2011}},
	"Lantern Street":  {[]int{4, 11, 12, 3}, []int{2004, 2009, 2015}},
	"Thimble Street":  {[]int{1, 3, 12}, []int{2001, 2008, 2014}},
	"Quarry Lane":     {[]int{0, 9, 5}, []int{1988, 1999, 2010}},
	"Millrace Avenue": {[]int{0, 2, 6}, []int{1982, 1994, 2008}},
	"Sparrow Avenue":  {[]int{1, 0, 5}, []int{1998, 2005, 2013}},
	"Kettle Lane":     {[]int{12, 11, 3}, []int{2007, 2012, 2018}},
	"The Parade":      {[]int{10, 6, 4}, []int{1990, 2002, 2010}},
	"Harrow Avenue":   {[]int{3, 1, 13}, []int{2000, 2007, 2016}},
	"Meadow Avenue":   {[]int{6, 7, 8, 5}, []int{1985, 1997, 2009}},
	"Lantern Green":   {[]int{7, 8, 2, 10, 15}, []int{1974, 1989, 2005}},
}

// tree is a record and the truth behind it.
type tree struct {
	spot
	id         int
	kind       *kind
	planted    int
	stock      int
	stockWords string
	nursery    int
	rootFix    bool
	flareCm    float64
	mulchCm    float64
	mulchTouch bool
	girdled    bool
	share      float64 // of the circumference
	largestCm  float64 // thickest root across the stem
	dbhCm      float64
	heightM    float64
	crownM     float64
	vigour     float64
	dead       bool
	walkYear   int
	removed    string
	displacedM float64
	recorded   plat.Point
	noGeometry bool
}

func (t *town) plant() {
	d := plat.NewDice(seed, 2)
	type campaign struct{ kind, year, stock, nursery int }
	groups := map[string]campaign{}
	walkWork := map[string]int{}
	newCampaign := func(street string) campaign {
		l := lots[street]
		c := campaign{kind: plat.Pick(d, l.kinds), year: plat.Pick(d, l.years), nursery: d.Below(len(nurseries))}
		// Balled stock was usual before 2000, containers after.
		switch p := d.Unit(); {
		case c.year < 2000 && p < 0.7:
			c.stock = 2
		case p < 0.45:
			c.stock = 0
		case p < 0.6:
			c.stock = 1
		case p < 0.85:
			c.stock = 2
		default:
			c.stock = 3
		}
		return c
	}
	var trees []*tree
	for _, s := range t.spots {
		c, known := groups[s.group]
		if !known {
			c = newCampaign(s.street)
			groups[s.group] = c
			if d.Chance(0.2) && s.site != "park" {
				walkWork[s.group] = 2008 + d.Below(14)
			}
		}
		if d.Chance(0.2) { // a replacement, or one of another year
			c = newCampaign(s.street)
			c.year = min(c.year+4+d.Below(12), 2022)
		}
		tr := &tree{spot: s, kind: &kinds[c.kind], planted: c.year + d.Below(2), stock: c.stock, nursery: c.nursery, walkYear: walkWork[s.group]}
		if tr.walkYear <= tr.planted {
			tr.walkYear = 0
		}
		tr.stockWords = plat.Pick(d, stocks[c.stock].words)
		tr.rootFix = tr.planted >= 2010 && d.Chance(0.35)
		tr.grow(d)
		trees = append(trees, tr)
	}
	// In street order, as inventories are walked.
	sort.SliceStable(trees, func(i, j int) bool { return trees[i].street < trees[j].street })
	for i, tr := range trees {
		tr.id = 1001 + i
		tr.recorded = tr.at
	}
	t.misplace(trees, plat.NewDice(seed, 3))
	t.writeTrees(trees, plat.NewDice(seed, 4))
	t.writeTruth(trees)
	t.excavate(trees, plat.NewDice(seed, 5))
}

func logistic(x float64) float64 { return 1 / (1 + math.Exp(-x)) }

// grow decides the hidden truth of a tree and what follows from it.
func (tr *tree) grow(d *plat.Dice) {
	age := float64(surveyYear - tr.planted)
	tr.flareCm = plat.Clamp(d.Normal(stocks[tr.stock].flareCm+nurseries[tr.nursery].flareCm, 4), 0, 30)
	tr.mulchCm = plat.Clamp(d.Normal(6, 5), 0, 35)
	if tr.site == "park" {
		tr.mulchCm = plat.Clamp(d.Normal(2, 3), 0, 15)
	}
	tr.mulchTouch = tr.mulchCm > 3 && d.Chance(0.1+0.02*tr.mulchCm)
	x := -2.6 + stocks[tr.stock].effect + nurseries[tr.nursery].effect + 0.12*tr.flareCm + tr.kind.prone
	if tr.mulchTouch {
		x += 0.6
	}
	if tr.rootFix {
		x -= 1
	}
	if age < 6 {
		x -= 1
	}
	tr.girdled = d.Chance(logistic(x))
	tr.share = plat.Clamp(d.Normal(0.02+0.01*tr.flareCm, 0.07), 0, 0.32)
	if tr.girdled {
		tr.share = plat.Clamp(0.34+d.Gamma2(0.2), 0.34, 0.95)
	}
	tr.vigour = plat.Clamp(0.72+0.3*tr.comfort+d.Normal(0, 0.07), 0.4, 1.15)
	if tr.girdled && age > 7 {
		tr.vigour -= plat.Clamp(d.Between(0.05, 0.45)*tr.share/0.5, 0, 0.5)
	}
	tr.vigour = plat.Clamp(tr.vigour, 0.2, 1.15)
	room := 0.55 + 0.45*tr.comfort
	tr.dbhCm = 4 + tr.kind.maxDBHCm*room*tr.vigour*(1-math.Exp(-tr.kind.rate*age))
	tr.largestCm = 0
	if tr.share > 0.03 {
		tr.largestCm = plat.Clamp(tr.dbhCm*(0.04+0.25*tr.share)*d.Between(0.6, 1.3), 0.4, 18)
	}
	tr.heightM = tr.kind.heightPerDBH * math.Pow(tr.dbhCm/30, 0.6) * d.Between(0.88, 1.12)
	tr.crownM = tr.kind.spreadPerDBH * math.Pow(tr.dbhCm/30, 0.75) * d.Between(0.85, 1.15) * (0.75 + 0.25*tr.vigour)
	tr.dead = tr.vigour < 0.32 || d.Chance(0.006)
}

// misplace does to the points what surveys do.
func (t *town) misplace(trees []*tree, d *plat.Dice) {
	strip := func(tr *tree) bool { return tr.site == "strip" }
	for _, tr := range trees {
		if tr.site != "park" && d.Chance(0.045) {
			m := d.Between(0.8, 1.4)
			if tr.comfort > 0.6 { // wide strips: farther, to reach the walk
				m += 0.8
			}
			tr.displacedM = m
			tr.recorded = plat.Point{X: tr.at.X + m*tr.toward.X, Y: tr.at.Y + m*tr.toward.Y}
		} else { // hand-held receivers: some centimetres
			tr.recorded = plat.Point{X: tr.at.X + d.Normal(0, 0.03), Y: tr.at.Y + d.Normal(0, 0.03)}
		}
		if d.Chance(0.02) {
			tr.removed = fmt.Sprintf("%d-%02d-%02d", 2019+d.Below(5), 1+d.Below(12), 1+d.Below(28))
		}
	}
	nth := func(n int, ok func(*tree) bool) *tree {
		for _, tr := range trees {
			if ok(tr) && tr.removed == "" && tr.displacedM == 0 {
				if n == 0 {
					return tr
				}
				n--
			}
		}
		panic("the town is too small")
	}
	middle := nth(40, strip)
	b := t.blocks[0]
	middle.recorded = t.warp(plat.Point{X: b.East + avenueM[1]/2, Y: b.South + 30})
	middle.displacedM = math.Hypot(middle.recorded.X-middle.at.X, middle.recorded.Y-middle.at.Y)
	nth(77, strip).noGeometry = true
	two := nth(110, strip)
	nth(111, strip).recorded = two.recorded // two trees on one point
}

func (t *town) writeTrees(trees []*tree, d *plat.Dice) {
	maybe := func(p float64, v any) any {
		if d.Chance(p) {
			return v
		}
		return nil
	}
	yes := func(b bool) string {
		if b {
			return "Y"
		}
		return "N"
	}
	write := func(tr *tree) {
		inches := tr.dbhCm / 2.54 * d.Between(0.98, 1.02)
		diam := strconv.FormatFloat(math.Round(inches*2)/2, 'f', -1, 64)
		switch p := d.Unit(); {
		case p < 0.02:
			diam = "N/A"
		case p < 0.03:
			diam = "0"
		case p < 0.037:
			diam = "999"
		case p < 0.06:
			diam = ""
		case p < 0.09:
			lo := max(math.Floor(inches/6)*6, 1)
			diam = fmt.Sprintf("%.0f-%.0f", lo, math.Floor(inches/6)*6+6)
		case p < 0.11:
			diam += " in"
		}
		latin, common := any(tr.kind.latin), any(tr.kind.common)
		switch p := d.Unit(); {
		case p < 0.03:
			latin = strings.Fields(tr.kind.latin)[0] + " sp."
		case p < 0.05:
			latin = nil
		case p < 0.08:
			common = nil
		case p < 0.10:
			latin = strings.ToUpper(tr.kind.latin)
		}
		cond := "Good"
		switch v := tr.vigour + d.Normal(0, 0.05); {
		case tr.dead:
			cond = "Dead"
		case v < 0.52:
			cond = "Poor"
		case v < 0.76:
			cond = "Fair"
		}
		flareSeen := yes(tr.flareCm+d.Normal(0, 1.5) < 4)
		var pit, walk, removed, mulchTouch, rootFix any
		if tr.pit != "" {
			pit = maybe(0.9, tr.pit)
		}
		if tr.walkYear > 0 {
			walk = maybe(0.8, tr.walkYear)
		}
		if tr.removed != "" {
			removed = tr.removed
		}
		if tr.mulchCm > 0.5 {
			mulchTouch = maybe(0.55, yes(tr.mulchTouch))
		}
		if tr.planted >= 2005 {
			rootFix = maybe(0.6, yes(tr.rootFix))
		}
		recordKeeping := 0.35 // old planting records are mostly lost
		if tr.planted >= 1995 {
			recordKeeping = 0.85
		}
		props := []plat.Prop{
			{Name: "TREEID", Value: tr.id}, {Name: "SPP_BOT", Value: latin}, {Name: "COMMON", Value: common},
			text("DIAM", diam),
			{Name: "PLANT_YR", Value: maybe(recordKeeping+0.1, tr.planted)},
			{Name: "STOCK", Value: maybe(recordKeeping-0.1, tr.stockWords)},
			{Name: "NURSERY", Value: maybe(recordKeeping, nurseries[tr.nursery].name)},
			{Name: "ROOT_FIX", Value: rootFix},
			{Name: "FLARE_CM", Value: maybe(0.45, plat.Num{Value: math.Max(0, math.Round(tr.flareCm+d.Normal(0, 1)))})},
			{Name: "FLARE_SEEN", Value: maybe(0.7, flareSeen)},
			{Name: "MULCH_CM", Value: maybe(0.5, plat.Num{Value: math.Round(tr.mulchCm)})},
			{Name: "MULCH_TCH", Value: mulchTouch},
			{Name: "COND", Value: maybe(0.94, cond)},
			{Name: "PIT", Value: pit}, text("STREET", tr.street), text("SITE", tr.site), {Name: "WALK_YR", Value: walk},
			{Name: "HEIGHT_M", Value: maybe(0.4, plat.Num{Value: tr.heightM, Decimals: 1})},
			{Name: "CROWN_M", Value: maybe(0.55, plat.Num{Value: tr.crownM, Decimals: 1})},
			{Name: "REMOVED", Value: removed},
		}
		if tr.noGeometry {
			t.add("trees", nil, props...)
			return
		}
		t.add("trees", tr.recorded, props...)
	}
	for _, tr := range trees {
		write(tr)
	}
	// Recorded twice: same id, same point.
	recs := t.layers["trees"]
	for _, i := range []int{57, 203, 388} {
		t.layers["trees"] = append(t.layers["trees"], recs[i])
	}
	// Four trees along the way out of town, where no paving was mapped.
	for i := range 4 {
		x := *trees[0]
		x.spot = spot{street: "Meadow Avenue", site: "verge", comfort: 0.9}
		x.id = trees[len(trees)-1].id + 1 + i
		x.kind, x.planted, x.stock, x.walkYear, x.removed, x.noGeometry = &kinds[6], 2011, 3, 0, "", false
		x.stockWords = "bare root"
		x.grow(d)
		x.recorded = t.warp(plat.Point{X: t.width + 1, Y: t.height + 75 + 12*float64(i)})
		write(&x)
	}
	t.layerNames = append(t.layerNames, "trees")
}

func (t *town) writeTruth(trees []*tree) {
	tab := table{name: "truth.csv", header: []string{"tree", "girdled", "share_girdled", "largest_root_cm", "flare_cm", "mulch_touches", "stock", "planted", "dbh_cm", "displaced_m"}}
	for _, tr := range trees {
		g := "0"
		if tr.girdled {
			g = "1"
		}
		touch := "0"
		if tr.mulchTouch {
			touch = "1"
		}
		tab.rows = append(tab.rows, []string{strconv.Itoa(tr.id), g, f(3, tr.share), f(1, tr.largestCm), f(1, tr.flareCm), touch, stocks[tr.stock].words[0], strconv.Itoa(tr.planted), f(1, tr.dbhCm), f(2, tr.displacedM)})
	}
	t.tables = append(t.tables, tab)
}

// excavate makes the records of the collars dug up so far: half of them trees
// that looked poor, half taken as they came.
func (t *town) excavate(trees []*tree, d *plat.Dice) {
	tab := table{name: "excavations.csv", header: []string{"tree", "date", "share_girdled", "largest_root_cm", "action", "notes"}}
	type dig struct {
		date string
		row  []string
	}
	var digs []dig
	for _, tr := range trees {
		p := 0.095
		if tr.vigour < 0.62 {
			p = 0.36
		}
		if tr.planted > 2018 || tr.site == "plaza pit" || !d.Chance(p) || tr.noGeometry || tr.removed != "" {
			continue
		}
		share := plat.Clamp(math.Round((tr.share+d.Normal(0, 0.03))*20)/20, 0, 1)
		action, notes := "none needed", ""
		switch {
		case tr.share > 0.65 && tr.vigour < 0.5:
			action, notes = "removal recommended", "stem flat on one side, \"waist\" below grade"
		case tr.share >= 0.34 && tr.largestCm > 7:
			action, notes = "left, watch", "root too thick to cut, fused"
		case tr.share >= 0.34:
			action, notes = fmt.Sprintf("cut %d roots", 2+d.Below(3)), "checked by arborist"
		case tr.share > 0.12:
			action = "cut 1 root"
		case tr.mulchTouch:
			action = "mulch pulled back"
		}
		if tr.flareCm > 10 && notes == "" {
			notes = fmt.Sprintf("first main roots %.0f cm down", tr.flareCm)
		}
		largest := ""
		if tr.largestCm > 0 {
			largest = f(1, tr.largestCm)
		}
		date := fmt.Sprintf("%d-%02d-%02d", 2021+d.Below(4), 4+d.Below(7), 1+d.Below(28))
		digs = append(digs, dig{date, []string{strconv.Itoa(tr.id), date, f(2, share), largest, action, notes}})
	}
	sort.SliceStable(digs, func(i, j int) bool { return digs[i].date < digs[j].date })
	for _, x := range digs {
		tab.rows = append(tab.rows, x.row)
	}
	// Two as they come: a dig broken off, and a tag that is in no inventory.
	tab.rows = append(tab.rows,
		[]string{strconv.Itoa(trees[150].id), "2024-09-12", "", "", "stopped", "gas line at 20 cm"},
		[]string{"9999", "2024-09-12", "0.40", "3.1", "cut 2 roots", "tag unreadable"})
	t.tables = append(t.tables, tab)
}
