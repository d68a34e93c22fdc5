// City writes an invented city of any size, for load and for comparison with
// reference programs: two layers, trees and pavement.
//
//	go run ./scripts/city --out DIR                     100,000 trees, 60,000 polygons
//	go run ./scripts/city --out DIR --trees 1000000 --polygons 1200000 --crs shape
//	go run ./scripts/city --out DIR --small             a random town of 2,000 trees
//
// --crs takes any of lonlat (trees.geojson and pavement.geojson, RFC 7946),
// shape (trees.shp and pavement.shp, metres, EPSG:26975) and metres
// (trees-metres.geojson and pavement-metres.geojson, the same grid, with a
// "crs" member), joined by commas. Block after block is drawn and written, so
// that memory does not grow with the city. Same flags, same bytes.
//
// It has what real layers have: curved streets, strips of all widths, pits as
// holes in sidewalks, some touching the kerb, driveways across strips, cracks
// of a few centimetres between neighbours, 2 % of the trees displaced, records
// twice, slivers, self-crossing rings, and some carriageways that are one
// polygon with a hole for each of 144 blocks.
package main

import (
	"flag"
	"fmt"
	"log"
	"math"
	"os"
	"path/filepath"
	"strings"

	"soilshed/scripts/plat"
)

func main() {
	log.SetFlags(0)
	log.SetPrefix("city: ")
	var c city
	flag.IntVar(&c.trees, "trees", 100000, "tree records")
	flag.IntVar(&c.polygons, "polygons", 60000, "pavement records")
	flag.IntVar(&c.giants, "giants", 3, "carriageways of 144 blocks in one polygon, at most (none in a small city)")
	flag.Uint64Var(&c.seed, "seed", 1, "another seed, another city")
	out := flag.String("out", "", "folder to write to")
	forms := flag.String("crs", "lonlat,metres", "lonlat, shape and metres, joined by commas")
	small := flag.Bool("small", false, "2,000 trees among 1,500 polygons, all of them uneven")
	flag.Parse()
	if *small {
		c.trees, c.polygons, c.giants, c.uneven = 2000, 1500, 0, true
	}
	if flag.NArg() > 0 || *out == "" || c.trees < 1 || c.polygons < 1 {
		log.Fatal("want --out DIR, and at least one tree and one polygon")
	}
	if err := c.write(*out, *forms); err != nil {
		log.Fatal(err)
	}
}

type city struct {
	trees, polygons, giants int
	seed                    uint64
	uneven                  bool

	grid       *plat.Grid
	warp       plat.Warp
	cols, rows int
	x, y       []float64 // west and south edges of the blocks' columns and rows
	wide, deep []float64

	treeSinks, paveSinks []plat.Sink
	nTrees, nPolygons    int
}

const (
	treesPerBlock = 26
	giantBlocks   = 12 // a side
	stepM         = 8
	armM          = 4.2
)

func (c *city) write(dir, forms string) error {
	if err := os.MkdirAll(dir, 0o755); err != nil {
		return err
	}
	c.lay()
	treeColumns := []plat.Column{{Name: "id", Size: 9}, {Name: "species", Text: true, Size: 24}, {Name: "dbh", Size: 6, Decimals: 1}, {Name: "planted", Size: 5}, {Name: "street", Text: true, Size: 16}}
	paveColumns := []plat.Column{{Name: "id", Size: 9}, {Name: "kind", Text: true, Size: 10}}
	for _, form := range strings.Split(forms, ",") {
		var tree, pave plat.Sink
		var err, err2 error
		switch form {
		case "lonlat", "metres":
			ending := ".geojson"
			if form == "metres" {
				ending = "-metres.geojson"
			}
			tree, err = plat.CreateGeoJSON(filepath.Join(dir, "trees"+ending), "trees", c.grid, form == "metres")
			pave, err2 = plat.CreateGeoJSON(filepath.Join(dir, "pavement"+ending), "pavement", c.grid, form == "metres")
		case "shape":
			same := func(p plat.Point) plat.Point { return p }
			tree, err = plat.CreateShapefile(filepath.Join(dir, "trees"), plat.ShapePoint, treeColumns, c.grid.ESRIMetres, same)
			pave, err2 = plat.CreateShapefile(filepath.Join(dir, "pavement"), plat.ShapePolygon, paveColumns, c.grid.ESRIMetres, same)
		default:
			return fmt.Errorf("--crs %s: lonlat, shape and metres are known", form)
		}
		if err != nil {
			return err
		}
		if err2 != nil {
			return err2
		}
		c.treeSinks, c.paveSinks = append(c.treeSinks, tree), append(c.paveSinks, pave)
	}
	if err := c.drawGiants(); err != nil {
		return err
	}
	for row := range c.rows {
		for col := range c.cols {
			if err := c.drawBlock(col, row); err != nil {
				return err
			}
		}
	}
	for _, s := range append(c.treeSinks, c.paveSinks...) {
		if err := s.Close(); err != nil {
			return err
		}
	}
	if c.nTrees != c.trees || c.nPolygons != c.polygons {
		return fmt.Errorf("made %d trees and %d polygons: too few polygons a tree for streets, or a mistake here", c.nTrees, c.nPolygons)
	}
	fmt.Printf("%d trees, %d polygons, %d x %d blocks\n", c.nTrees, c.nPolygons, c.cols, c.rows)
	return nil
}

func (c *city) blocks() int { return c.cols * c.rows }

func (c *city) lay() {
	n := float64(c.trees) / treesPerBlock
	c.cols = max(int(math.Round(math.Sqrt(n*0.85))), 1)
	c.rows = max(int(math.Round(n/float64(c.cols))), 1)
	// At most an eighth of the blocks, so that a small city is not all giant.
	c.giants = min(c.giants, (c.cols/giantBlocks)*(c.rows/giantBlocks), c.blocks()/8/(giantBlocks*giantBlocks))
	d := plat.NewDice(c.seed, 1<<40)
	at := 0.0
	for range c.cols {
		at += 9
		c.x = append(c.x, at)
		c.wide = append(c.wide, d.Between(78, 100))
		at += c.wide[len(c.wide)-1]
	}
	width := at
	at = 0
	for range c.rows {
		at += 9
		c.y = append(c.y, at)
		c.deep = append(c.deep, d.Between(56, 70))
		at += c.deep[len(c.deep)-1]
	}
	// The city's middle lies on the grid's line of scale 1.
	c.grid = plat.NorthIowa()
	middle := c.grid.Forward(-94, 43.2667)
	origin := plat.Point{X: middle.X - width/2, Y: middle.Y - at/2}
	a, b := d.Between(0, 6), d.Between(0, 6)
	sin, cos := math.Sincos(d.Between(-0.3, 0.3))
	c.warp = func(p plat.Point) plat.Point {
		x := p.X + 25*math.Sin(p.Y/140+a) + 40*math.Sin(p.Y/900+b)
		y := p.Y + 14*math.Sin(p.X/160+b) + 50*math.Sin(p.X/1100+a)
		return plat.Point{X: origin.X + x*cos - y*sin, Y: origin.Y + x*sin + y*cos}
	}
}

func (c *city) block(col, row int) plat.Block {
	return plat.Block{West: c.x[col], East: c.x[col] + c.wide[col], South: c.y[row], North: c.y[row] + c.deep[row]}
}

func (c *city) pave(kind string, polygon ...plat.Ring) error {
	c.nPolygons++
	props := []plat.Prop{{Name: "id", Value: c.nPolygons}, {Name: "kind", Value: kind}}
	for _, s := range c.paveSinks {
		if err := s.Add([]plat.Polygon{polygon}, props); err != nil {
			return err
		}
	}
	return nil
}

// giant says which giant carriageway a block lies in: the first ones of a grid
// of them, from the south-west.
func (c *city) giant(col, row int) bool {
	across := c.cols / giantBlocks
	if col/giantBlocks >= across || row/giantBlocks >= c.rows/giantBlocks {
		return false
	}
	return row/giantBlocks*across+col/giantBlocks < c.giants
}

func (c *city) drawGiants() error {
	for g := range c.giants {
		across := c.cols / giantBlocks
		col, row := g%across*giantBlocks, g/across*giantBlocks
		last := c.block(col+giantBlocks-1, row+giantBlocks-1)
		whole := plat.Block{West: c.x[col] - 9, South: c.y[row] - 9, East: last.East, North: last.North}
		polygon := []plat.Ring{c.warp.Ring(whole.Rect(plat.South, 0, whole.East-whole.West, 0, whole.North-whole.South), stepM)}
		for i := range giantBlocks * giantBlocks {
			b := c.block(col+i%giantBlocks, row+i/giantBlocks)
			polygon = append(polygon, plat.Reverse(c.warp.Ring(b.Kerb(3.5), stepM)))
		}
		if err := c.pave("road", polygon...); err != nil {
			return err
		}
	}
	return nil
}

var species = []string{"Acer platanoides", "Acer rubrum", "Acer saccharum", "Tilia cordata", "Gleditsia triacanthos", "Celtis occidentalis",
	"Quercus bicolor", "Quercus rubra", "Fraxinus pennsylvanica", "Ulmus americana", "Ginkgo biloba", "Pyrus calleryana", "Malus", "Syringa reticulata"}

// drawBlock makes one block, whole, from dice of its own.
func (c *city) drawBlock(col, row int) error {
	i := row*c.cols + col
	d := plat.NewDice(c.seed, uint64(i))
	b := c.block(col, row)
	// So many polygons and trees of the whole fall to this block.
	upTo := c.giants + (c.polygons-c.giants)*(i+1)/c.blocks()
	treesUpTo := c.trees * (i + 1) / c.blocks()

	var inM, walkM [4]float64
	var pits [4]float64 // length of the pits along the kerb; 0 where there is a strip
	for s := range inM {
		walkM[s] = 1.5
		if inM[s] = d.Between(0.8, 3.4); d.Chance(0.4) {
			walkM[s], pits[s] = d.Between(2.6, 4), d.Between(1, 2.6)
			inM[s] = 0
			if d.Chance(0.3) {
				inM[s] = d.Between(0.02, 0.07) // a crack along the kerb
			}
		}
	}
	spare := func() int { return upTo - c.nPolygons }

	if !c.giant(col, row) {
		if spare() > 0 {
			// Half a street to the south, its crossing, and half an avenue.
			if err := c.pave("road", c.warp.Ring(plat.Ring{{X: b.West - 9, Y: b.South - 9}, {X: b.East + 0.02, Y: b.South - 9}, {X: b.East + 0.02, Y: b.South}, {X: b.West - 9, Y: b.South}}, stepM)); err != nil {
				return err
			}
		}
		if spare() > 0 {
			if err := c.pave("road", c.warp.Ring(plat.Ring{{X: b.West - 9, Y: b.South - 0.01}, {X: b.West, Y: b.South - 0.01}, {X: b.West, Y: b.North + 0.02}, {X: b.West - 9, Y: b.North + 0.02}}, stepM)); err != nil {
				return err
			}
		}
		if row == c.rows-1 && spare() > 4 {
			if err := c.pave("road", c.warp.Ring(b.Rect(plat.North, -9, b.East-b.West+9, -9, 0), stepM)); err != nil {
				return err
			}
		}
		if col == c.cols-1 && spare() > 4 {
			if err := c.pave("road", c.warp.Ring(b.Rect(plat.East, 0, b.North-b.South, -9, 0), stepM)); err != nil {
				return err
			}
		}
	}

	// Lots, as many as the polygons allow after four walks and their corners.
	var drives [4][][2]float64
	var lots []plat.Ring
	var kinds []string
	for room := spare() - 8; room > 1; {
		before := len(lots)
		for _, s := range []plat.Side{plat.South, plat.North} {
			n := int((b.Length(s) - 10) / 12)
			k := len(drives[s])
			if k >= n || room < 2 {
				continue
			}
			a := 6 + (b.Length(s)-12)*float64(k)/float64(n)
			in := inM[s] + walkM[s]
			house := d.Between(5, 6.5)
			w := d.Between(2.4, 3.2)
			start := 0.0
			if d.Chance(0.2) {
				start = d.Between(0.02, 0.08)
			}
			drives[s] = append(drives[s], [2]float64{a + house + 1, a + house + 1 + w})
			lots = append(lots, c.warp.Ring(b.Rect(s, a+house+1, a+house+1+w, start, in+d.Between(6, 14)), stepM),
				c.warp.Ring(b.Rect(s, a, a+house, in+d.Between(1.5, 6), in+d.Between(9, 16)), 200))
			kinds = append(kinds, "driveway", "building")
			room -= 2
		}
		if len(lots) == before {
			break
		}
	}
	for k, r := range lots {
		if err := c.pave(kinds[k], r); err != nil {
			return err
		}
	}

	type stand struct{ sheet plat.Point }
	var stands []stand
	for s := plat.South; s <= plat.West; s++ {
		length := b.Length(s)
		var holes []plat.Ring
		for a := armM + d.Between(2, 6); a < length-armM-2; a += d.Between(6, 9.5) {
			blocked := false
			for _, x := range drives[s] {
				blocked = blocked || a+1.5 > x[0] && a-1.5 < x[1]
			}
			if blocked {
				continue
			}
			if pits[s] == 0 {
				stands = append(stands, stand{b.At(s, a, inM[s]*d.Between(0.35, 0.65))})
				continue
			}
			w := d.Between(0.9, min(1.8, walkM[s]-1))
			at := b.At(s, a, inM[s]+0.4+w/2)
			holes = append(holes, plat.Reverse(c.warp.Rigid(at, s, pits[s], w)))
			stands = append(stands, stand{at})
		}
		if spare() > 0 {
			walk := c.warp.Ring(b.Walk(s, inM, walkM, 2), stepM)
			if err := c.pave("walk", append([]plat.Ring{walk}, holes...)...); err != nil {
				return err
			}
		}
		if (inM[s] > 0.1 || inM[(s+1)%4] > 0.1) && spare() > 4-int(s) {
			if err := c.pave("walk", c.warp.Ring(b.CornerPad(s, inM, 3.5, armM), stepM)); err != nil {
				return err
			}
		}
	}
	if err := c.litter(b, d, upTo, lots); err != nil {
		return err
	}

	// Trees: first where they were planted, in an order that leaves no side
	// bare, then in yards.
	for k := len(stands) - 1; k > 0; k-- {
		j := d.Below(k + 1)
		stands[k], stands[j] = stands[j], stands[k]
	}
	year := 1975 + d.Below(45)
	kind := plat.Pick(d, species)
	for k := 0; c.nTrees < treesUpTo; k++ {
		var p plat.Point
		if k < len(stands) {
			p = c.warp(stands[k].sheet)
		} else {
			p = c.warp(plat.Point{X: d.Between(b.West+7, b.East-7), Y: d.Between(b.South+7, b.North-7)})
		}
		p.X += d.Normal(0, 0.05)
		p.Y += d.Normal(0, 0.05)
		share := 0.02
		if c.uneven {
			share = 0.08
		}
		if d.Chance(share) {
			m, turn := d.Between(0.5, 2.5), d.Between(0, 2*math.Pi)
			p.X += m * math.Cos(turn)
			p.Y += m * math.Sin(turn)
		}
		sp, planted := kind, year
		if d.Chance(0.3) {
			sp, planted = plat.Pick(d, species), 1975+d.Below(48)
		}
		dbh := plat.Prop{Name: "dbh"}
		if !d.Chance(0.05) {
			dbh.Value = plat.Num{Value: plat.Clamp(3+float64(2024-planted)*d.Between(0.4, 1.3), 3, 120), Decimals: 1}
		}
		props := []plat.Prop{{Name: "id", Value: c.nTrees + 1}, {Name: "species", Value: sp}, dbh, {Name: "planted", Value: planted}, {Name: "street", Value: fmt.Sprintf("Street %d", row+1)}}
		copies := 1
		if d.Chance(0.002) {
			copies = 2 // recorded twice: same id, same point
		}
		for ; copies > 0 && c.nTrees < treesUpTo; copies-- {
			c.nTrees++
			for _, s := range c.treeSinks {
				if err := s.Add(p, props); err != nil {
					return err
				}
			}
		}
	}
	return nil
}

// litter fills up the block's number of polygons with what else lies in real
// layers: slivers, copies, rings that cross themselves, sheds, and, now and
// then, a terrace with hundreds of holes.
func (c *city) litter(b plat.Block, d *plat.Dice, upTo int, lots []plat.Ring) error {
	for c.nPolygons < upTo {
		x, y := d.Between(b.West+12, b.East-16), d.Between(b.South+10, b.North-14)
		box := func(w, h float64) plat.Ring {
			return plat.Ring{{X: x, Y: y}, {X: x + w, Y: y}, {X: x + w, Y: y + h}, {X: x, Y: y + h}}
		}
		p := d.Unit()
		if c.uneven {
			p *= 0.6
		}
		var err error
		switch {
		case p < 0.08: // a sliver along the western walk
			err = c.pave("walk", c.warp.Ring(b.Rect(plat.West, 8, d.Between(12, 40), 5, 5+d.Between(0.002, 0.03)), stepM))
		case p < 0.14 && len(lots) > 0:
			err = c.pave("driveway", plat.Pick(d, lots))
		case p < 0.2: // a bow-tie
			r := c.warp.Ring(box(d.Between(2, 6), d.Between(2, 6)), 50)
			r[1], r[2] = r[2], r[1]
			err = c.pave("patio", r)
		case p < 0.205: // a terrace with a hole for each of many planters
			var rings []plat.Ring
			rings = append(rings, c.warp.Ring(box(4+9.6, 3+9.6), 0.5))
			for k := range 400 {
				at := plat.Point{X: x + 2 + 0.48*float64(k%20), Y: y + 1.5 + 0.48*float64(k/20)}
				rings = append(rings, plat.Reverse(c.warp.Rigid(at, plat.South, 0.3, 0.3)))
			}
			err = c.pave("patio", rings...)
		default:
			err = c.pave("shed", c.warp.Ring(box(d.Between(2, 5), d.Between(2, 4)), 50))
		}
		if err != nil {
			return err
		}
	}
	return nil
}
