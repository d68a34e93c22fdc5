package main

import (
	"math"

	"soilshed/scripts/plat"
)

// The sheet: five columns and four rows of blocks between kerbs, in metres.
var (
	avenueM = [6]float64{7.5, 8.5, 9, 14, 8.5, 8} // carriageways, west to east
	streetM = [5]float64{8, 9, 11, 8.5, 7.5}      // south to north
	columnM = [5]float64{84, 92, 88, 100, 80}
	rowM    = [4]float64{62, 66, 58, 64}

	avenueNames = [6]string{"Millrace Avenue", "Sparrow Avenue", "Kettle Lane", "The Parade", "Harrow Avenue", "Meadow Avenue"}
	streetNames = [5]string{"Fennel Street", "Cooper's Row", "Lantern Street", "Thimble Street", "Quarry Lane"}
)

// verge is what lies between a kerb and the property line.
type verge struct {
	stripM, walkM float64
	pitLM, pitWM  float64 // pits in the walk where there is no strip
	atKerb        bool    // pits touch the kerb: hole and shell share an edge
	crackM        float64 // the walk was drawn this far off the kerb
}

var (
	avenueVerge = [6]verge{
		{stripM: 3.5, walkM: 1.5}, {stripM: 1.8, walkM: 1.5}, {walkM: 2.6, pitLM: 1.0, pitWM: 1.0, crackM: 0.05},
		{stripM: 3.0, walkM: 2.0}, {stripM: 1.2, walkM: 1.5}, {stripM: 4.5, walkM: 1.5},
	}
	streetVerge = [5]verge{
		{stripM: 0.9, walkM: 1.5}, {stripM: 2.4, walkM: 1.5}, {walkM: 3.8, pitLM: 2.4, pitWM: 1.2},
		{walkM: 3.0, pitLM: 1.5, pitWM: 1.5, atKerb: true, crackM: 0.04}, {stripM: 2.0, walkM: 1.5},
	}
	thimbleHomes = verge{stripM: 1.5, walkM: 1.5} // Thimble Street where people live
)

const (
	homes  = 'h'
	shops  = 's'
	school = 'e'
	plaza  = 'z'
	park   = 'p'
)

// uses of the blocks, south row first.
var uses = [4]string{"hhehh", "hsssh", "hszsh", "hhhph"}

type block struct {
	plat.Block
	col, row int
	use      rune
	verges   [4]verge
	streets  [4]string
	drives   [4][][2]float64 // stretches of each side that a driveway crosses
	pits     [4][]float64    // along each side
}

func (b *block) propertyM(s plat.Side) float64 { return b.verges[s].stripM + b.verges[s].walkM }

// property is the block within its sidewalks.
func (b *block) property() plat.Block {
	return plat.Block{
		West: b.West + b.propertyM(plat.West), East: b.East - b.propertyM(plat.East),
		South: b.South + b.propertyM(plat.South), North: b.North - b.propertyM(plat.North),
	}
}

// spot is a place where a tree stands or could.
type spot struct {
	sheet, at plat.Point
	toward    plat.Point // a step of one metre toward the paving it may be misplaced onto
	site      string
	street    string
	group     string  // trees planted together
	pit       string  // as an inventory would record it
	comfort   float64 // 0 cramped, 1 roomy; of the hidden truth
}

type town struct {
	grid       *plat.Grid
	warp       plat.Warp
	width      float64 // of the sheet
	height     float64
	blocks     []*block
	spots      []spot
	empty      []spot // pits without a tree
	layers     map[string][]record
	layerNames []string
	tables     []table
	dice       *plat.Dice
}

const (
	kerbRadiusM = 3.5
	padArmM     = 4.2
	stepM       = 6 // between the points of a curve
)

func drawStreets() *town {
	t := &town{grid: plat.NorthIowa(), layers: map[string][]record{}, dice: plat.NewDice(seed, 1)}
	for _, w := range columnM {
		t.width += w
	}
	for _, w := range avenueM {
		t.width += w
	}
	for _, h := range rowM {
		t.height += h
	}
	for _, h := range streetM {
		t.height += h
	}
	origin := t.grid.Forward(-94.42, 43.2667)
	smooth := func(x float64) float64 { x = plat.Clamp(x, 0, 1); return x * x * (3 - 2*x) }
	sin, cos := math.Sincos(6 * math.Pi / 180)
	t.warp = func(p plat.Point) plat.Point {
		x := p.X + 15*math.Sin(math.Pi*p.Y/t.height)*smooth((p.X/t.width-0.3)/0.6)
		y := p.Y + 9*math.Sin(2*math.Pi*p.X/t.width)*smooth((p.Y/t.height-0.35)/0.6)
		return plat.Point{X: origin.X + x*cos - y*sin, Y: origin.Y + x*sin + y*cos}
	}
	y := 0.0
	for row := range rowM {
		y += streetM[row]
		x := 0.0
		for col := range columnM {
			x += avenueM[col]
			b := &block{Block: plat.Block{West: x, South: y, East: x + columnM[col], North: y + rowM[row]},
				col: col, row: row, use: rune(uses[row][col])}
			b.verges = [4]verge{streetVerge[row], avenueVerge[col+1], streetVerge[row+1], avenueVerge[col]}
			b.streets = [4]string{streetNames[row], avenueNames[col+1], streetNames[row+1], avenueNames[col]}
			for s := range b.verges {
				if b.streets[s] == "Thimble Street" && (col == 0 || col == 4) {
					b.verges[s] = thimbleHomes
				}
			}
			t.blocks = append(t.blocks, b)
			x += columnM[col]
		}
		y += rowM[row]
	}
	t.layerNames = []string{"roads", "sidewalks", "driveways", "buildings", "beds", "rootable", "walls", "soil"}
	t.drawRoads()
	for _, b := range t.blocks {
		switch b.use {
		case homes:
			t.drawHomes(b)
		case shops:
			t.drawShops(b)
		case school:
			t.drawSchool(b)
		case plaza:
			t.drawPlaza(b)
		case park:
			t.drawPark(b)
		}
		for s := plat.South; s <= plat.West; s++ {
			t.drawSide(b, s)
		}
	}
	t.drawMedians()
	t.drawWallsAndSoil()
	t.drawMistakes()
	return t
}

func text(name, v string) plat.Prop { return plat.Prop{Name: name, Value: v} }
func num(name string, v float64, decimals int) plat.Prop {
	return plat.Prop{Name: name, Value: plat.Num{Value: v, Decimals: decimals}}
}

func (t *town) add(layer string, geometry any, props ...plat.Prop) {
	t.layers[layer] = append(t.layers[layer], record{geometry, props})
}

// pave bends a shell and adds it to a layer.
func (t *town) pave(layer string, shell plat.Ring, props ...plat.Prop) {
	t.add(layer, []plat.Polygon{{t.warp.Ring(shell, stepM)}}, props...)
}

// drawRoads makes the carriageway one polygon with a hole for each block, as
// road layers come, the main street drawn once more over it after its
// resurfacing, and a stub that leaves the town.
func (t *town) drawRoads() {
	outer := plat.Block{East: t.width, North: t.height}
	whole := plat.Polygon{t.warp.Ring(outer.Kerb(8), stepM)}
	for _, b := range t.blocks {
		whole = append(whole, plat.Reverse(t.warp.Ring(b.Kerb(kerbRadiusM), stepM)))
	}
	t.add("roads", []plat.Polygon{whole}, text("NAME", "carriageway"), plat.Prop{Name: "LAID_YR"})
	first, below := t.blocks[0], t.blocks[5]
	t.pave("roads", plat.Ring{{X: first.West - 7, Y: below.North}, {X: t.width - 1, Y: below.North}, {X: t.width - 1, Y: below.North + streetM[2]}, {X: first.West - 7, Y: below.North + streetM[2]}},
		text("NAME", "Lantern Street"), plat.Prop{Name: "LAID_YR", Value: 2019})
	t.pave("roads", plat.Ring{{X: t.width - 8, Y: t.height - 3}, {X: t.width, Y: t.height - 3}, {X: t.width + 2, Y: t.height + 45}, {X: t.width - 6, Y: t.height + 45}},
		text("NAME", "Meadow Avenue"), plat.Prop{Name: "LAID_YR", Value: 2006})
}

func (t *town) building(r plat.Ring, kind string) {
	// Walls are straight: corners are placed, edges are not bent.
	out := make(plat.Ring, len(r))
	for i, p := range r {
		out[i] = t.warp(p)
	}
	t.add("buildings", []plat.Polygon{{out}}, text("KIND", kind))
}

// drive paves from the kerb to toM into the block and notes what it crosses.
func (t *town) drive(b *block, s plat.Side, a0, a1, toM float64) {
	from := 0.0
	if t.dice.Chance(0.25) {
		from = 0.05 // drawn short of the kerb, as happens
	}
	b.drives[s] = append(b.drives[s], [2]float64{a0, a1})
	t.pave("driveways", b.Rect(s, a0, a1, from, toM), text("KIND", "driveway"))
}

func (t *town) drawHomes(b *block) {
	d := t.dice
	for _, s := range []plat.Side{plat.South, plat.North} {
		length := b.Length(s)
		lots := int((length - 10) / 17)
		lotM := (length - 10) / float64(lots)
		in := b.propertyM(s)
		for i := range lots {
			a := 5 + float64(i)*lotM
			setback := in + d.Between(4.5, 7)
			houseM := d.Between(8, min(10.5, lotM-5.5))
			deep := d.Between(8, 10)
			t.building(b.Rect(s, a+1, a+1+houseM, setback, setback+deep), "house")
			if d.Chance(0.3) {
				t.building(b.Rect(s, a+1+houseM*0.5, a+1+houseM, setback+deep-0.1, setback+deep+2.5), "house")
			}
			if d.Chance(0.85) {
				w := d.Between(2.6, 3.2)
				a0 := a + houseM + 1.4
				t.drive(b, s, a0, a0+w, setback+d.Between(3, 7))
				if d.Chance(0.5) {
					t.building(b.Rect(s, a0-0.2, a0+w+0.2, setback+7, setback+12.5), "garage")
					t.pave("driveways", b.Rect(s, a0, a0+w, setback+2.5, setback+7), text("KIND", "driveway"))
				}
			}
			if d.Chance(0.22) {
				t.lawnTree(b, s, a+d.Between(3, houseM), in+d.Between(1.6, 3.2), 0.8)
			}
		}
	}
}

func (t *town) lawnTree(b *block, s plat.Side, along, in, comfort float64) {
	p, out := b.At(s, along, in), b.At(s, along, in-1)
	t.spots = append(t.spots, spot{sheet: p, at: t.warp(p), toward: step(t.warp(p), t.warp(out)), site: "lawn",
		street: b.streets[s], group: group(b, s) + " lawn", comfort: comfort})
}

func group(b *block, s plat.Side) string {
	return string(rune('a'+b.col)) + string(rune('1'+b.row)) + s.String()
}

func step(from, to plat.Point) plat.Point {
	h := math.Hypot(to.X-from.X, to.Y-from.Y)
	return plat.Point{X: (to.X - from.X) / h, Y: (to.Y - from.Y) / h}
}

func (t *town) drawShops(b *block) {
	d := t.dice
	front, back := plat.North, plat.South // toward Lantern Street
	if b.row == 2 {
		front, back = plat.South, plat.North
	}
	in := b.propertyM(front)
	depth := 0.0
	for a := b.propertyM((front+3)%4) + 0.3; a < b.Length(front)-b.propertyM((front+1)%4)-6; {
		w := min(d.Between(11, 19), b.Length(front)-b.propertyM((front+1)%4)-0.3-a)
		deep := d.Between(13, 18)
		depth = max(depth, deep)
		t.building(b.Rect(front, a, a+w, in+0.02, in+deep), "shop")
		a += w
		if d.Chance(0.25) {
			a += 2.2 // a passage
		}
	}
	// The car park behind, with tree islands as holes, and its way in.
	high := b.Length((front + 1) % 4)
	lot0, lot1 := b.propertyM(back)+2.2, high-in-depth-3
	l := b.Length(back)
	a0, a1 := b.propertyM((back+3)%4)+2.5, l-b.propertyM((back+1)%4)-2.5
	hard := plat.Polygon{t.warp.Ring(b.Rect(back, a0, a1, lot0, lot1), stepM)}
	for a := a0 + 14; a < a1-10; a += 19 {
		mid := (lot0 + lot1) / 2
		p := b.At(back, a, mid)
		island := t.warp.Rigid(p, back, 1.8, 4.6)
		hard = append(hard, plat.Reverse(island))
		t.spots = append(t.spots, spot{sheet: p, at: t.warp(p), toward: step(t.warp(p), t.warp(b.At(back, a+1, mid))),
			site: "car park island", street: b.streets[back], group: group(b, back) + " car park", pit: "1.8x4.6", comfort: 0.2})
	}
	t.add("driveways", []plat.Polygon{hard}, text("KIND", "parking"))
	at := d.Between(0.35, 0.6) * l
	t.drive(b, back, at, at+6, lot0+0.3)
}

func (t *town) drawSchool(b *block) {
	p := b.property()
	t.building(plat.Ring{
		{X: p.West + 12, Y: p.South + 14}, {X: p.East - 14, Y: p.South + 14}, {X: p.East - 14, Y: p.South + 24},
		{X: p.West + 26, Y: p.South + 24}, {X: p.West + 26, Y: p.North - 8}, {X: p.West + 12, Y: p.North - 8}}, "school")
	t.pave("driveways", b.Rect(plat.East, 22, 52, b.propertyM(plat.East)+3, 30), text("KIND", "parking"))
	t.drive(b, plat.East, 34, 40, b.propertyM(plat.East)+3.5)
	t.pave("driveways", plat.Ring{{X: p.West + 29, Y: p.North - 22}, {X: p.West + 46, Y: p.North - 22}, {X: p.West + 46, Y: p.North - 9}, {X: p.West + 29, Y: p.North - 9}}, text("KIND", "court"))
	// Beside the walls of the inner corner: an L-shaped bed.
	for i, at := range []plat.Point{{X: p.West + 27.6, Y: p.South + 25.6}, {X: p.West + 34, Y: p.South + 26}, {X: p.West + 48, Y: p.South + 26.5}, {X: p.West + 5, Y: p.South + 20}, {X: p.West + 5.5, Y: p.South + 30}, {X: p.West + 20, Y: p.South + 6}, {X: p.West + 34, Y: p.South + 6.5}, {X: p.West + 47, Y: p.South + 6}} {
		q := t.warp(at)
		g := "school yard"
		if i > 4 {
			g = "school front"
		}
		t.spots = append(t.spots, spot{sheet: at, at: q, toward: step(q, t.warp(plat.Point{X: at.X - 1, Y: at.Y})), site: "lawn", street: b.streets[plat.South], group: g, comfort: 0.85})
	}
}

func (t *town) drawPlaza(b *block) {
	p := b.property()
	paved := plat.Polygon{t.warp.Ring(plat.Ring{{X: p.West - 0.1, Y: p.South - 0.1}, {X: p.East + 0.1, Y: p.South - 0.1}, {X: p.East + 0.1, Y: p.North + 0.1}, {X: p.West - 0.1, Y: p.North + 0.1}}, stepM)}
	for i := range 6 {
		for j := range 3 {
			at := plat.Point{X: p.West + 12 + 11*float64(i), Y: p.South + 9 + 9*float64(j)}
			paved = append(paved, plat.Reverse(t.warp.Rigid(at, plat.South, 2, 2)))
			q := t.warp(at)
			t.spots = append(t.spots, spot{sheet: at, at: q, toward: step(q, t.warp(plat.Point{X: at.X + 1, Y: at.Y})), site: "plaza pit", street: b.streets[plat.South], group: "plaza", pit: "2.0x2.0", comfort: 0.25})
		}
	}
	t.add("sidewalks", []plat.Polygon{paved}, text("KIND", "plaza"), text("STREET", "Lantern Street"))
	t.building(plat.Ring{{X: p.West + 6, Y: p.North - 11}, {X: p.East - 6, Y: p.North - 11}, {X: p.East - 6, Y: p.North - 1}, {X: p.West + 6, Y: p.North - 1}}, "market hall")
	t.building(plat.Ring{{X: p.East - 9, Y: p.South + 3}, {X: p.East - 5, Y: p.South + 3}, {X: p.East - 5, Y: p.South + 7}, {X: p.East - 9, Y: p.South + 7}}, "kiosk")
	// Two raised beds stand on the paving, which was not cut for them.
	for _, x := range []float64{p.West + 18, p.West + 51} {
		at := plat.Point{X: x, Y: p.South + 4}
		t.add("beds", []plat.Polygon{{t.warp.Rigid(at, plat.South, 9, 2.4)}}, text("KIND", "raised bed"))
		q := t.warp(at)
		t.spots = append(t.spots, spot{sheet: at, at: q, toward: step(q, t.warp(plat.Point{X: at.X, Y: at.Y + 1})), site: "raised bed", street: b.streets[plat.South], group: "plaza beds", pit: "9.0x2.4", comfort: 0.35})
	}
	// Paving hung on frames over soil around the western pits, stone and soil
	// mix under the eastern ones.
	t.pave("rootable", plat.Ring{{X: p.West + 8, Y: p.South + 6}, {X: p.West + 38, Y: p.South + 6}, {X: p.West + 38, Y: p.South + 30}, {X: p.West + 8, Y: p.South + 30}},
		text("KIND", "suspended pavement"), num("depth_m", 1.0, 2), num("usable", 0.9, 2))
	t.pave("rootable", plat.Ring{{X: p.West + 40, Y: p.South + 6}, {X: p.West + 70, Y: p.South + 6}, {X: p.West + 70, Y: p.South + 30}, {X: p.West + 40, Y: p.South + 30}},
		text("KIND", "stone and soil mix"), num("depth_m", 0.8, 2), num("usable", 0.2, 2))
}

// ribbon is a path of some width along a line of the sheet.
func ribbon(line []plat.Point, widthM float64) plat.Ring {
	var left, right plat.Ring
	for i, p := range line {
		a, b := line[max(i-1, 0)], line[min(i+1, len(line)-1)]
		u := step(a, b)
		left = append(left, plat.Point{X: p.X - u.Y*widthM/2, Y: p.Y + u.X*widthM/2})
		right = append(right, plat.Point{X: p.X + u.Y*widthM/2, Y: p.Y - u.X*widthM/2})
	}
	return append(right, plat.Reverse(left)...)
}

func (t *town) drawPark(b *block) {
	d := t.dice
	p := b.property()
	var paths [][]plat.Point
	for k := range 2 {
		var line []plat.Point
		for i := 0; i <= 24; i++ {
			f := float64(i) / 24
			y := p.South + f*(p.North-p.South)
			if k == 1 {
				y = p.North - f*(p.North-p.South)
			}
			line = append(line, plat.Point{X: p.West + f*(p.East-p.West), Y: y + 7*math.Sin(f*2*math.Pi)})
		}
		line[0].X -= 0.3
		line[24].X += 0.3
		paths = append(paths, line)
		t.add("sidewalks", []plat.Polygon{{t.warp.Ring(ribbon(line, 2.2), stepM)}}, text("KIND", "path"), text("STREET", "Lantern Green"))
	}
	t.pave("driveways", plat.Ring{{X: p.West + 38, Y: p.North - 15}, {X: p.West + 56, Y: p.North - 15}, {X: p.West + 56, Y: p.North - 5}, {X: p.West + 38, Y: p.North - 5}}, text("KIND", "court"))
	placed := []plat.Point{}
	for len(placed) < 42 {
		at := plat.Point{X: d.Between(p.West+3, p.East-3), Y: d.Between(p.South+3, p.North-3)}
		ok := at.X < p.West+36 || at.X > p.West+58 || at.Y < p.North-17
		for _, line := range paths {
			for _, q := range line {
				ok = ok && math.Hypot(q.X-at.X, q.Y-at.Y) > 3.6
			}
		}
		for _, q := range placed {
			ok = ok && math.Hypot(q.X-at.X, q.Y-at.Y) > 5.5
		}
		if !ok {
			continue
		}
		placed = append(placed, at)
		q := t.warp(at)
		g := "green west"
		if at.X > (p.West+p.East)/2 {
			g = "green east"
		}
		t.spots = append(t.spots, spot{sheet: at, at: q, toward: step(q, t.warp(plat.Point{X: at.X + 1, Y: at.Y})), site: "park", street: "Lantern Green", group: g, comfort: 1})
	}
}

// drawSide paves one side's walk and its corner and finds where trees stand.
func (t *town) drawSide(b *block, s plat.Side) {
	d := t.dice
	var in, width [4]float64
	for i, v := range b.verges {
		in[i], width[i] = v.stripM+v.crackM, v.walkM-v.crackM
	}
	v := b.verges[s]
	length := b.Length(s)
	walk := b.Walk(s, in, width, 2)
	poly := plat.Polygon{}
	clear := func(a, half float64) bool {
		for _, x := range b.drives[s] {
			if a+half > x[0] && a-half < x[1] {
				return false
			}
		}
		return true
	}
	from, to := padArmM+1.5, length-padArmM-1.5
	var holes []plat.Ring
	gap := d.Between(8, 11.5)
	for a := from + d.Between(0, 3); a <= to; a += gap * d.Between(0.9, 1.15) {
		if !clear(a, 1.8) {
			continue
		}
		if v.stripM > 0 {
			if d.Chance(0.12) {
				continue
			}
			p := b.At(s, a, v.stripM/2+d.Normal(0, 0.05*v.stripM))
			t.spots = append(t.spots, spot{sheet: p, at: t.warp(p), toward: step(t.warp(p), t.warp(b.At(s, a, v.stripM/2+5))),
				site: "strip", street: b.streets[s], group: group(b, s), comfort: plat.Clamp(0.15+0.15*v.stripM, 0, 0.8)})
			continue
		}
		if a < b.propertyM((s+3)%4)+v.pitLM || a > length-b.propertyM((s+1)%4)-v.pitLM {
			continue
		}
		centre := b.At(s, a, 0.5+v.pitWM/2)
		hole := t.warp.Rigid(centre, s, v.pitLM, v.pitWM)
		if v.atKerb {
			centre = b.At(s, a, v.crackM+v.pitWM/2)
			corners := b.Rect(s, a-v.pitLM/2, a+v.pitLM/2, v.crackM, v.crackM+v.pitWM)
			walk = withPoints(walk, corners[0], corners[1])
			hole = t.warp.Ring(corners, stepM)
		}
		holes = append(holes, plat.Reverse(hole))
		b.pits[s] = append(b.pits[s], a)
		at := t.warp(centre)
		sp := spot{sheet: centre, at: plat.Point{X: at.X + d.Normal(0, 0.06), Y: at.Y + d.Normal(0, 0.06)}, toward: step(at, t.warp(b.At(s, a, 6))),
			site: "pit", street: b.streets[s], group: group(b, s), pit: f(1, v.pitWM) + "x" + f(1, v.pitLM), comfort: plat.Clamp(0.05+0.03*v.pitLM*v.pitWM, 0, 0.2)}
		if d.Chance(0.08) {
			t.empty = append(t.empty, sp)
			continue
		}
		t.spots = append(t.spots, sp)
	}
	poly = append(append(poly, t.warp.Ring(walk, stepM)), holes...)
	t.add("sidewalks", []plat.Polygon{poly}, text("KIND", "walk"), text("STREET", b.streets[s]))
	if in[s] > 0.1 || in[(s+1)%4] > 0.1 {
		t.pave("sidewalks", b.CornerPad(s, in, kerbRadiusM, padArmM), text("KIND", "corner"), text("STREET", b.streets[s]))
	}
}

// withPoints puts points that lie on a ring's edges into the ring, so that a
// hole drawn to them shares the edge exactly.
func withPoints(r plat.Ring, points ...plat.Point) plat.Ring {
	for _, p := range points {
		for i, a := range r {
			c := r[(i+1)%len(r)]
			l := math.Hypot(c.X-a.X, c.Y-a.Y)
			along := ((p.X-a.X)*(c.X-a.X) + (p.Y-a.Y)*(c.Y-a.Y)) / l
			off := ((p.X-a.X)*(c.Y-a.Y) - (p.Y-a.Y)*(c.X-a.X)) / l
			if math.Abs(off) < 1e-9 && along > 1e-6 && along < l-1e-6 {
				r = append(r[:i+1:i+1], append(plat.Ring{p}, r[i+1:]...)...)
				break
			}
		}
	}
	return r
}

// drawMedians lays planted beds on The Parade's carriageway, which was not cut
// for them: beds win over paving.
func (t *town) drawMedians() {
	for row := range 4 {
		east := t.blocks[row*5+3]
		x := east.West - avenueM[3]/2
		bed := plat.Ring{{X: x - 1.3, Y: east.South + 7}, {X: x + 1.3, Y: east.South + 7}, {X: x + 1.3, Y: east.North - 7}, {X: x - 1.3, Y: east.North - 7}}
		t.pave("beds", bed, text("KIND", "median"))
		for y := east.South + 12; y < east.North-9; y += 9.5 {
			p := plat.Point{X: x, Y: y}
			q := t.warp(p)
			t.spots = append(t.spots, spot{sheet: p, at: q, toward: step(q, t.warp(plat.Point{X: x + 1, Y: y})), site: "median", street: "The Parade", group: "parade median", comfort: 0.5})
		}
	}
}

func (t *town) drawWallsAndSoil() {
	// A retaining wall behind the walk of Quarry Lane, and one along the green.
	b := t.blocks[15]
	in := b.propertyM(plat.North)
	for a := 8.0; a < b.Length(plat.North)-8; { // broken where driveways pass
		to := b.Length(plat.North) - 8
		next := to
		for _, x := range b.drives[plat.North] {
			if x[0] > a && x[0] < to {
				to, next = x[0], x[1]
			}
		}
		t.add("walls", t.warp.Line([]plat.Point{b.At(plat.North, a, in+0.9), b.At(plat.North, to, in+0.9)}, stepM), text("KIND", "retaining wall"))
		a = next
	}
	b = t.blocks[18]
	in = b.propertyM(plat.West)
	t.add("walls", t.warp.Line([]plat.Point{b.At(plat.West, 14, in+1.2), b.At(plat.West, 50, in+1.2)}, stepM), text("KIND", "garden wall"))

	type soil struct {
		id, texture     string
		depth, rho, awc float64
		x0, x1, y0, y1  float64
	}
	w, h := t.width, t.height
	for _, s := range []soil{
		{"A1", "silt loam", 1.20, 1.38, 0.20, -40, 0.34 * w, -40, 0.45 * h},
		{"A2", "silt loam", 1.00, 1.62, 0.17, 0.34 * w, 0.72 * w, -40, 0.45 * h},
		{"B1", "sandy loam", 0.90, 1.55, 0.11, 0.72 * w, w + 40, -40, 0.45 * h},
		{"C1", "clay loam", 0.75, 1.58, 0.14, -40, 0.34 * w, 0.45 * h, h + 60},
		{"D1", "clay", 0.60, 1.50, 0.12, 0.34 * w, 0.62 * w, 0.45 * h, h + 60},
		{"A3", "loam", 1.50, 1.35, 0.15, 0.62 * w, w + 40, 0.45 * h, h + 60},
	} {
		t.add("soil", []plat.Polygon{{t.warp.Ring(plat.Ring{{X: s.x0, Y: s.y0}, {X: s.x1, Y: s.y0}, {X: s.x1, Y: s.y1}, {X: s.x0, Y: s.y1}}, 20)}},
			text("SOIL_ID", s.id), text("texture", s.texture), num("depth_m", s.depth, 2), num("density", s.rho, 2), num("awc", s.awc, 3))
	}
	// Stone and soil mix under the walk of one shopping block.
	b = t.blocks[8]
	t.pave("rootable", b.Rect(plat.North, 12, b.Length(plat.North)-12, 0.4, 3.4), text("KIND", "stone and soil mix"), num("depth_m", 0.9, 2), num("usable", 0.2, 2))
}

// drawMistakes adds what every real layer has.
func (t *town) drawMistakes() {
	// A driveway drawn crosswise, a house drawn twice, a walk without geometry,
	// a sliver and a stray copy of a corner.
	b := t.blocks[4]
	r := b.Rect(plat.East, 20, 23.5, 0, 11)
	t.add("driveways", []plat.Polygon{{t.warp.Ring(plat.Ring{r[0], r[2], r[1], r[3]}, 50)}}, text("KIND", "driveway"))
	t.layers["buildings"] = append(t.layers["buildings"], t.layers["buildings"][7])
	t.add("sidewalks", nil, text("KIND", "walk"), text("STREET", "Fennel Street"))
	b = t.blocks[10]
	t.pave("sidewalks", b.Rect(plat.West, 8, 40, 3.49, 3.503), text("KIND", "walk"), text("STREET", "Millrace Avenue"))
	for _, rec := range t.layers["sidewalks"] {
		if rec.props[0].Value == "corner" {
			t.layers["sidewalks"] = append(t.layers["sidewalks"], rec)
			break
		}
	}
}
