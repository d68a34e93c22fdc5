package main

import (
	"context"
	"encoding/xml"
	"fmt"
	"io"
	"math"
	"slices"
	"strings"

	"github.com/spf13/pflag"

	"soilshed/geo"
	"soilshed/geo/ground"
	"soilshed/geo/layer"
	"soilshed/risk"
	"soilshed/risk/wind"
)

const aboutDraw = `soilshed draw draws one tree to scale, as an SVG picture for a report: the paving,
the shares of the ground, its reach rose, and where it would fall. It takes the
flags of assess.

  soilshed draw --tree 4711 --trees trees.geojson --pavement walks.geojson --out tree.svg`

func runDraw(ctx context.Context, args []string, stdout, stderr io.Writer) error {
	var o options
	f := flagsOf(&o, "draw")
	number := f.String("tree", "", "`NUMBER` of the tree")
	if err := parse(f, args, "draw", aboutDraw, stdout); err != nil {
		if err == pflag.ErrHelp {
			return nil
		}
		return err
	}
	switch {
	case f.NArg() > 0:
		return usagef("draw takes flags alone, not %q; the tree is --tree NUMBER", f.Arg(0))
	case *number == "":
		return usagef("no tree: --tree NUMBER")
	case !strings.HasSuffix(strings.ToLower(o.out), ".svg"):
		return usagef("--out %q: the picture is an SVG file: --out tree.svg", o.out)
	}
	if err := o.understand(); err != nil {
		return err
	}
	a := &assessment{o: &o}
	if err := a.prepare(ctx); err != nil {
		return err
	}
	defer a.in.source.Close()
	tree, err := a.in.numbered(*number, o.trees)
	if err != nil {
		return err
	}
	picture, err := a.draw(ctx, tree)
	if err != nil {
		return err
	}
	if err := layer.WriteFile(o.out, picture); err != nil {
		return err
	}
	if !o.quiet {
		fmt.Fprintf(stdout, "Tree %s drawn: %s\n\n%s\n", a.in.trees.id(tree), o.out, wrap(caution, 78))
	}
	return nil
}

// Sizes of the picture in millimetres.
const (
	drawWideMM  = 180
	drawTextMM  = 2.8 // height of letters
	drawTitleMM = 4.2
	drawSmallMM = 2.3
	drawPaperMM = 6 // margin
)

// drawScales are the scales of drawings, as on a plan.
var drawScales = []float64{50, 100, 200, 250, 500, 1000, 2000}

// Tones of paper: greys that shares and symbols stand out from.
var pavedTones = []string{pavedWay: "#d4d4d6", pavedWalk: "#e6e5e2", pavedBuilding: "#b9b8b5", pavedOther: "#dcdbd8", bedKind: "#f7f8f2"}

const openTone = "#f7f8f2"

// drawing is a picture under way: millimetres, y downwards, the stem in the
// middle of the map.
type drawing struct {
	b     strings.Builder
	stem  geo.XY
	perM  float64 // millimetres a metre
	halfM float64 // half of the side of the map
}

func (d *drawing) x(p geo.XY) float64 { return drawWideMM/2 + (p.X-d.stem.X)*d.perM }
func (d *drawing) y(p geo.XY) float64 { return mapTopMM + d.halfM*d.perM - (p.Y-d.stem.Y)*d.perM }

// mapTopMM is where the map begins, below the title.
const mapTopMM = 22

func (d *drawing) put(format string, a ...any) { fmt.Fprintf(&d.b, format+"\n", a...) }

// plainText is s fit for XML: escaped, and without what XML cannot hold.
func plainText(s string) string {
	var b strings.Builder
	if err := xml.EscapeText(&b, []byte(s)); err != nil {
		return ""
	}
	return b.String()
}

func (d *drawing) text(x, y, mm float64, style, s string) {
	d.put(`<text x="%.2f" y="%.2f" font-size="%g"%s>%s</text>`, x, y, mm, style, plainText(s))
}

func (d *drawing) rings(rings [][]geo.XY, style string) {
	d.b.WriteString(`<path d="`)
	for _, r := range rings {
		for k, p := range r {
			c := 'L'
			if k == 0 {
				c = 'M'
			}
			fmt.Fprintf(&d.b, "%c%.2f %.2f", c, d.x(p), d.y(p))
		}
		d.b.WriteByte('Z')
	}
	d.put(`" fill-rule="evenodd"%s/>`, style)
}

// draw makes the picture of a tree.
func (a *assessment) draw(ctx context.Context, tree int) ([]byte, error) {
	at := a.in.at[tree]
	size := a.sizeOf(tree)
	st := a.survey.Stand(int32(tree))
	radius := max(st.ReachM, st.FallM) * 1.06
	// Neighbours whose ground may lie in the picture.
	near := map[int32]bool{}
	for i, p := range a.in.at {
		if math.Abs(p.X-at.X) < 2.5*radius && math.Abs(p.Y-at.Y) < 2.5*radius && !a.in.trees.removed(i) {
			near[int32(i)] = true
		}
	}
	near[int32(tree)] = true
	type found struct {
		stem  geo.XY
		share [][][]geo.XY
	}
	sites := make([]found, a.in.trees.len())
	a.rows = make(rows, a.in.trees.len())
	if err := a.sitesOf(ctx, func(i int32) bool { return near[i] }, func(i int32, s *ground.Site) {
		sites[i] = found{s.At, s.Share}
		a.rows.set(int(i), a.one(i, s, nil))
	}); err != nil {
		return nil, err
	}
	// The tree itself with the spread of its soil, and its rose.
	var site ground.Site
	if err := a.each(ctx, []int32{int32(tree)}, func(i int32, s *ground.Site) {
		site = *s
		a.rows.set(int(i), a.one(i, s, nil))
	}); err != nil {
		return nil, err
	}
	d := &drawing{stem: site.At, halfM: radius}
	scale := drawScales[len(drawScales)-1]
	for _, s := range drawScales {
		if 2*radius*1000/s <= drawWideMM-2*drawPaperMM {
			scale = s
			break
		}
	}
	d.perM = 1000 / scale
	// The map fills the width, at its scale.
	d.halfM = (drawWideMM - 2*drawPaperMM) / 2 / d.perM
	side := 2 * d.halfM * d.perM
	left := (drawWideMM - side) / 2

	// The map.
	d.put(`<clipPath id="map"><rect x="%.2f" y="%d" width="%.2f" height="%.2f"/></clipPath>`, left, mapTopMM, side, side)
	d.put(`<g clip-path="url(#map)">`)
	d.put(`<rect x="%.2f" y="%d" width="%.2f" height="%.2f" fill="%s"/>`, left, mapTopMM, side, side, openTone)
	floor := make([][]paved, len(pavedKinds))
	if err := a.paving(ctx, func(p paved) {
		box := noBox
		for _, r := range p.rings {
			for _, v := range r {
				box = [4]float64{min(box[0], v.X), min(box[1], v.Y), max(box[2], v.X), max(box[3], v.Y)}
			}
		}
		if meets(box, [4]float64{d.stem.X, d.stem.Y, d.stem.X, d.stem.Y}, d.halfM) {
			q := paved{kind: p.kind}
			for _, r := range p.rings {
				q.rings = append(q.rings, slices.Clone(r))
			}
			floor[p.kind] = append(floor[p.kind], q)
		}
	}); err != nil {
		return nil, err
	}
	for k, list := range floor {
		for _, p := range list {
			d.rings(p.rings, fmt.Sprintf(` fill="%s" stroke="#a9a8a5" stroke-width="0.12"`, pavedTones[k]))
		}
	}
	for i := range sites {
		if !near[int32(i)] || i == tree {
			continue
		}
		for _, p := range sites[i].share {
			d.rings(p, fmt.Sprintf(` fill="%s" fill-opacity="0.3" stroke="%s" stroke-width="0.15" stroke-dasharray="0.8 0.6"`, a.toneOf(i), ink))
		}
	}
	for _, p := range site.Share {
		d.rings(p, fmt.Sprintf(` fill="%s" fill-opacity="0.8" stroke="%s" stroke-width="0.35"`, a.toneOf(tree), ink))
	}
	r := a.rows.at(tree)
	cx, cy := d.x(d.stem), d.y(d.stem)
	d.put(`<circle cx="%.2f" cy="%.2f" r="%.2f" fill="none" stroke="%s" stroke-width="0.2" stroke-dasharray="1.4 1"/>`, cx, cy, st.ReachM*d.perM, ink)
	d.b.WriteString(`<path d="`)
	for k, m := range site.ReachM {
		u := geo.Bearing(k * 360 / ground.Bearings).Step()
		fmt.Fprintf(&d.b, "M%.2f %.2fL%.2f %.2f", cx, cy, cx+u.X*float64(m)*d.perM, cy-u.Y*float64(m)*d.perM)
	}
	d.put(`" fill="none" stroke="%s" stroke-width="0.18"/>`, ink)
	if r.res.Assessed && st.FallM > 0 {
		d.put(`<circle cx="%.2f" cy="%.2f" r="%.2f" fill="none" stroke="%s" stroke-width="0.5" stroke-dasharray="3 1.5"/>`, cx, cy, st.FallM*d.perM, ink)
		if b := r.res.WeakBearing; !math.IsNaN(b) {
			d.arrow(cx, cy, geo.Bearing(b), st.FallM*d.perM)
		}
	}
	for i := range sites {
		if !near[int32(i)] || i == tree {
			continue
		}
		p := sites[i].stem
		d.put(`<circle cx="%.2f" cy="%.2f" r="0.9" fill="#ffffff" stroke="%s" stroke-width="0.3"/>`, d.x(p), d.y(p), ink)
		d.text(d.x(p)+1.4, d.y(p)-0.8, drawSmallMM, haloStyle, cutName(a.in.trees.id(i), 14))
	}
	// The stem at its own size, and never smaller than can be seen.
	d.put(`<circle cx="%.2f" cy="%.2f" r="%.2f" fill="%s"/>`, cx, cy, max(0.8, size.DBHCm/200*d.perM), ink)
	d.put(`</g>`)
	d.put(`<rect x="%.2f" y="%d" width="%.2f" height="%.2f" fill="none" stroke="%s" stroke-width="0.3"/>`, left, mapTopMM, side, side, ink)
	d.north(left+side-7, mapTopMM+4)
	d.scaleBar(left+4, mapTopMM+side-4, a.o.units == "us")

	bottom := a.drawText(d, tree, &size, mapTopMM+side+5, scale)
	var out strings.Builder
	fmt.Fprintf(&out, `<?xml version="1.0" encoding="UTF-8"?>
<svg xmlns="http://www.w3.org/2000/svg" width="%[1]dmm" height="%.0[2]fmm" viewBox="0 0 %[1]d %.0[2]f" font-family="Open Sans, DejaVu Sans, Arial, sans-serif" fill="%[3]s" role="img" aria-labelledby="t">
<title id="t">%[4]s</title>
<rect width="%[1]d" height="%.0[2]f" fill="#ffffff"/>
`, drawWideMM, math.Ceil(bottom+drawPaperMM), ink, plainText("Tree "+a.in.trees.id(tree)+": its ground and where it would fall"))
	out.WriteString(d.b.String())
	out.WriteString("</svg>\n")
	return []byte(out.String()), nil
}

const haloStyle = ` stroke="#ffffff" stroke-width="0.6" paint-order="stroke" stroke-linejoin="round"`

// toneOf is the colour of a tree's soil class.
func (a *assessment) toneOf(i int) string {
	r := a.rows.at(i)
	if !r.res.Graded {
		return unknownTone
	}
	return soilTones[r.res.Class].colour
}

// arrow points the way a tree would fall, from its stem.
func (d *drawing) arrow(x, y float64, b geo.Bearing, long float64) {
	u := b.Step()
	ex, ey := x+u.X*long, y-u.Y*long
	// The head: back from the tip, to either side.
	side := func(s float64) (float64, float64) {
		return ex - 3*u.X - s*1.4*u.Y, ey + 3*u.Y - s*1.4*u.X
	}
	lx, ly := side(1)
	rx, ry := side(-1)
	d.put(`<path d="M%.2f %.2fL%.2f %.2fM%.2f %.2fL%.2f %.2fL%.2f %.2f" fill="none" stroke="%s" stroke-width="0.9"/>`, x, y, ex, ey, lx, ly, ex, ey, rx, ry, ink)
}

func (d *drawing) north(x, y float64) {
	d.put(`<path d="M%.2f %.2fl2.2 7l-2.2 -1.5l-2.2 1.5z" fill="%s"%s/>`, x, y, ink, haloStyle)
	d.text(x, y+10.5, drawTextMM, ` font-weight="bold" text-anchor="middle"`+haloStyle, "N")
}

func (d *drawing) scaleBar(x, y float64, us bool) {
	perUnit, unit := d.perM, "m"
	if us {
		perUnit, unit = d.perM*0.3048, "ft"
	}
	// The longest of 1, 2, 5 x 10^n that fits in 50 mm.
	n := 1.0
	for _, v := range []float64{1, 2, 5, 10, 20, 50, 100, 200, 500} {
		if v*perUnit <= 50 {
			n = v
		}
	}
	d.put(`<rect x="%.2f" y="%.2f" width="%.2f" height="7.5" fill="#ffffff" fill-opacity="0.85"/>`, x-2, y-6, n*perUnit+14)
	d.put(`<path d="M%.2f %.2fv1.6h%.2fv-1.6" fill="none" stroke="%s" stroke-width="0.4"/>`, x, y-2, n*perUnit, ink)
	d.text(x, y-3, drawTextMM, "", "0")
	d.text(x+n*perUnit, y-3, drawTextMM, ` text-anchor="middle"`, shortest(n)+" "+unit)
}

// drawText writes title, numbers, key and caution; it returns where they end.
func (a *assessment) drawText(d *drawing, tree int, size *risk.Size, y, scale float64) float64 {
	t, r := a.in.trees.at(tree), a.rows.at(tree)
	us := a.o.units == "us"
	left := float64(drawPaperMM)
	say := func(name string) string {
		f := pageField(name)
		v := f.value(a, tree, r, size, us)
		if v.Null() {
			return "not known"
		}
		if u := f.field(us).Unit; u != "" {
			return v.Text() + " " + u
		}
		return v.Text()
	}
	d.text(left, 9, drawTitleMM, ` font-weight="bold"`, cutName("Tree "+t.ID, 70))
	where := say("species")
	if sp := size.Species; sp != nil && size.NameKnown && sp.Common != "" {
		where += " (" + sp.Common + ")"
	}
	if t.Street != "" {
		where += ", " + t.Street
	}
	d.text(left, 14, drawTextMM, "", cutName(where, 110))
	d.text(left, 18.5, drawTextMM, "", fmt.Sprintf("1 : %s when printed %d mm wide. Assessed for %d. DBH %s, reach %s.", shortest(scale), drawWideMM, a.year, say("dbh_cm"), a.lengthWords(a.survey.Stand(int32(tree)).ReachM)))
	var lines []string
	if !r.res.Assessed {
		lines = append(lines, "Gone on record: not assessed.")
	} else {
		lines = append(lines, fmt.Sprintf("Soil: has %s, needs %s; %s.", say("soil_m3"), say("need_m3"), say("soil_class")))
		if !math.IsNaN(r.p10) {
			lines = append(lines, fmt.Sprintf("If the point is off by the stated error, it has %s to %s.", say("soil_p10"), say("soil_p90")))
		}
		lines = append(lines, fmt.Sprintf("Ground: %s; share %s of an opening of %s; other trees in it: %s.", say("ground"), say("share_m2"), say("open_m2"), say("mates")))
		if r.how != uncoveredGround && r.how != openGround {
			lines = append(lines, fmt.Sprintf("Nearest hard edge: %s to the %s.", say("reach_m"), risk.Compass(r.shortBrg)))
		}
		if w := risk.Compass(r.res.WeakBearing); w != "" {
			lines = append(lines, fmt.Sprintf("It would fall to the %s, %s far (its height).", w, a.lengthWords(wind.FallM(size.HeightM))))
		} else {
			lines = append(lines, fmt.Sprintf("No way stands out in which it would fall; it reaches %s (its height).", a.lengthWords(wind.FallM(size.HeightM))))
		}
		if why := a.local(r.res.Why()); why != "" {
			lines = append(lines, "Reasons: "+why+".")
		}
	}
	for _, l := range lines {
		for _, part := range strings.Split(wrap(l, 105), "\n") {
			d.text(left, y, drawTextMM, "", part)
			y += drawTextMM * 1.45
		}
	}
	// The key.
	y += 1.5
	x := left
	key := func(words string, sign func(x, y float64)) {
		long := 9 + 1.45*float64(len(words))
		if x+long > drawWideMM-drawPaperMM {
			x, y = left, y+4.4
		}
		sign(x, y-0.9)
		d.text(x+7.5, y, drawSmallMM, "", words)
		x += long
	}
	key("its share", func(x, y float64) {
		d.put(`<rect x="%.2f" y="%.2f" width="6" height="2.6" fill="%s" fill-opacity="0.8" stroke="%s" stroke-width="0.35"/>`, x, y-1.3, a.toneOf(tree), ink)
	})
	key("shares of others", func(x, y float64) {
		d.put(`<rect x="%.2f" y="%.2f" width="6" height="2.6" fill="%s" fill-opacity="0.3" stroke="%s" stroke-width="0.15" stroke-dasharray="0.8 0.6"/>`, x, y-1.3, soilTones[1].colour, ink)
	})
	line := func(style string) func(x, y float64) {
		return func(x, y float64) {
			d.put(`<path d="M%.2f %.2fh6" fill="none" stroke="%s" %s/>`, x, y, ink, style)
		}
	}
	key("free distance from the stem", line(`stroke-width="0.18"`))
	key("reach of its roots, as counted", line(`stroke-width="0.2" stroke-dasharray="1.4 1"`))
	key("fall zone: its height", line(`stroke-width="0.5" stroke-dasharray="3 1.5"`))
	key("the way it would fall", line(`stroke-width="0.9"`))
	for k, name := range []string{"road, parking", "walk", "building", "other hard ground"} {
		key(name, func(x, y float64) {
			d.put(`<rect x="%.2f" y="%.2f" width="6" height="2.6" fill="%s" stroke="#a9a8a5" stroke-width="0.12"/>`, x, y-1.3, pavedTones[k])
		})
	}
	y += 5.5
	for _, part := range strings.Split(wrap(caution, 140), "\n") {
		d.text(left, y, drawSmallMM, "", part)
		y += drawSmallMM * 1.4
	}
	return y - drawSmallMM*1.4
}

// lengthWords is a length in the units of the run, to a tenth.
func (a *assessment) lengthWords(m float64) string {
	if a.o.units == "us" {
		return fmt.Sprintf("%.1f ft", m*usUnits[lengthM].factor)
	}
	return fmt.Sprintf("%.1f m", m)
}
