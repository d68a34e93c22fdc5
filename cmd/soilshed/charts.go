package main

import (
	"bytes"
	"cmp"
	"fmt"
	"html"
	"image/color"
	"math"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	xfont "golang.org/x/image/font"
	"gonum.org/v1/plot"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"
	"gonum.org/v1/plot/vg/vgsvg"

	"soilshed/geo/layer"
)

// The charts of an assessment, as SVG pictures for a report: how soil against
// need is spread, and its classes by species, by planting year and by nursery
// stock. They count what the layer trees holds, in the page's groups and colours.

// chart is a picture of stacked bars: trees by group and by soil class.
type chart struct {
	file   string
	title  string
	note   string
	groups []chartGroup // from top to bottom
}

// chartGroup is a bar. counts are by tone: the soil classes from bad to good,
// then the trees whose ground is not known.
type chartGroup struct {
	name   string
	counts [chartTones]int
}

func (g *chartGroup) total() (n int) {
	for _, c := range g.counts {
		n += c
	}
	return n
}

func (g *chartGroup) add(counts [chartTones]int) {
	for k, n := range counts {
		g.counts[k] += n
	}
}

const (
	chartTones = 5
	// Bars of a chart before the rest are taken together (settings).
	speciesBars = 14
	yearBars    = 16
	// Steps of the bars.
	pctStep, pctBars = 25, 8
	yearStep         = 5
)

const notRecorded = "not recorded"

// charts are the charts of the assessment.
func (a *assessment) charts() []chart {
	us := a.o.units == "us"
	pct, species, planted, stock := pageField("soil_pct"), pageField("species"), pageField("planted"), pageField("stock")
	byPct := make([]chartGroup, pctBars+2)
	for k := range pctBars {
		byPct[k].name = fmt.Sprintf("%d to %d %%", k*pctStep, (k+1)*pctStep)
	}
	byPct[pctBars].name, byPct[pctBars+1].name = fmt.Sprintf("%d %% or more", pctBars*pctStep), "not known"
	kinds, years, stocks := map[string]*chartGroup{}, map[int]*chartGroup{}, map[string]*chartGroup{}
	for i, r := range a.rows.all() {
		if !r.res.Assessed {
			continue
		}
		tone := len(soilTones)
		if r.res.Graded {
			tone = int(r.res.Class)
		}
		size := a.sizeOf(i)
		bar := pctBars + 1
		if v, ok := pct.value(a, i, r, &size, us).Float(); ok {
			bar = min(pctBars, max(0, int(v/pctStep)))
		}
		byPct[bar].counts[tone]++
		name := cmp.Or(species.value(a, i, r, &size, us).Text(), notRecorded)
		count(kinds, name, name, tone)
		year, name := math.MaxInt, notRecorded
		if v, ok := planted.value(a, i, r, &size, us).Float(); ok {
			year = int(math.Floor(v/yearStep)) * yearStep
			name = fmt.Sprintf("%d to %d", year, year+yearStep-1)
		}
		count(years, year, name, tone)
		name = cmp.Or(stock.value(a, i, r, &size, us).Text(), notRecorded)
		count(stocks, name, name, tone)
	}
	if byPct[pctBars+1].total() == 0 {
		byPct = byPct[:pctBars+1]
	}
	return []chart{
		{"soil-against-need.svg", "Soil against need", "Trees by the soil they have, in percent of what they need.", byPct},
		{"soil-by-species.svg", "Soil by species", "The commonest kinds.", mostFirst(kinds, speciesBars, "kinds")},
		{"soil-by-planting-year.svg", "Soil by planting year", fmt.Sprintf("In steps of %d years.", yearStep), inOrder(years)},
		{"soil-by-stock.svg", "Soil by nursery stock", "By how they were grown.", mostFirst(stocks, speciesBars, "kinds of stock")},
	}
}

func count[K comparable](groups map[K]*chartGroup, key K, name string, tone int) {
	g := groups[key]
	if g == nil {
		g = &chartGroup{name: name}
		groups[key] = g
	}
	g.counts[tone]++
}

// mostFirst puts the largest groups first, and takes the rest together.
func mostFirst(groups map[string]*chartGroup, most int, what string) []chartGroup {
	var list []chartGroup
	for _, g := range groups {
		list = append(list, *g)
	}
	slices.SortFunc(list, func(a, b chartGroup) int { return cmp.Or(b.total()-a.total(), cmp.Compare(a.name, b.name)) })
	if len(list) > most+1 {
		rest := chartGroup{name: grouped(len(list)-most) + " other " + what}
		for _, g := range list[most:] {
			rest.add(g.counts)
		}
		list = append(list[:most:most], rest)
	}
	return list
}

// inOrder puts years in order, and takes the earliest together.
func inOrder(groups map[int]*chartGroup) []chartGroup {
	var years []int
	for y := range groups {
		years = append(years, y)
	}
	slices.Sort(years)
	var list []chartGroup
	if n := len(years) - yearBars; n > 1 {
		early := chartGroup{name: fmt.Sprintf("before %d", years[n])}
		for _, y := range years[:n] {
			early.add(groups[y].counts)
		}
		list, years = append(list, early), years[n:]
	}
	for _, y := range years {
		list = append(list, *groups[y])
	}
	return list
}

// Sizes of a chart.
const (
	chartWide   = 16 * vg.Centimeter
	chartBar    = 4 * vg.Millimeter
	chartStep   = 6 * vg.Millimeter
	chartAround = 3.2 * vg.Centimeter // title, keys and axis
	chartEdge   = 3 * vg.Millimeter
	chartName   = 36 // most letters of a name
)

// chartFont is what letters are measured in; chartFonts are what a reader may
// have in its place. Texts are stretched to what was measured, so that a wider
// font runs into nothing.
var chartFont = font.Font{Typeface: "Liberation", Variant: "Sans"}

const chartFonts = "Liberation Sans,Arial,Helvetica,DejaVu Sans,sans-serif"

// chartText is a text as the plotting library writes it: head, style, size,
// content. What is of the data in it is escaped and holds neither < nor ".
var chartText = regexp.MustCompile(`(<text [^>]*)\n\tstyle="font-family:Liberation Sans;([^"]*font-size:([0-9.]+)px[^"]*)">([^<]*)</text>`)

func stretched(m []byte) []byte {
	part := chartText.FindSubmatch(m)
	size, err := strconv.ParseFloat(string(part[3]), 64)
	if err != nil {
		return m
	}
	f := font.From(chartFont, vg.Length(size))
	if bytes.Contains(part[2], []byte("font-weight:bold")) {
		f.Weight = xfont.WeightBold
	}
	face := font.DefaultCache.Lookup(f, f.Size)
	wide := face.Width(html.UnescapeString(string(part[4])))
	return fmt.Appendf(nil, "%s textLength=\"%.2f\" lengthAdjust=\"spacingAndGlyphs\" style=\"font-family:%s;%s\">%s</text>", part[1], wide.Points(), chartFonts, part[2], part[4])
}

// svg draws the chart.
func (c *chart) svg() ([]byte, error) {
	p := plot.New()
	dark := rgb(ink)
	lettered := func(style *draw.TextStyle, points vg.Length) {
		style.Font, style.Color = font.From(chartFont, points), dark
	}
	p.X.Label.Text = "trees"
	for _, axis := range []*plot.Axis{&p.X, &p.Y} {
		lettered(&axis.Label.TextStyle, 9)
		lettered(&axis.Tick.Label, 9)
		axis.Color, axis.Tick.Color = dark, dark
	}

	n := len(c.groups)
	most := 1
	totals := plotter.XYLabels{XYs: make(plotter.XYs, n), Labels: make([]string, n)}
	for k := range c.groups {
		total := c.groups[k].total()
		most = max(most, total)
		totals.XYs[k] = plotter.XY{X: float64(total), Y: float64(n - 1 - k)}
		totals.Labels[k] = grouped(total)
	}
	var below *plotter.BarChart
	type key struct{ words, colour string }
	var keys []key
	for tone := range chartTones {
		values := make(plotter.Values, n)
		sum := 0
		for k := range c.groups {
			values[n-1-k] = float64(c.groups[k].counts[tone])
			sum += c.groups[k].counts[tone]
		}
		words, colour := "Ground not known", unknownTone
		if tone < len(soilTones) {
			words, colour = soilTones[tone].words, soilTones[tone].colour
		}
		if sum == 0 && tone == len(soilTones) {
			continue // nothing to tell in the legend
		}
		bars, err := plotter.NewBarChart(values, chartBar)
		if err != nil {
			return nil, err
		}
		bars.Horizontal, bars.Color = true, rgb(colour)
		bars.LineStyle = draw.LineStyle{Color: dark, Width: vg.Points(0.5)}
		if below != nil {
			bars.StackOn(below)
		}
		below = bars
		p.Add(bars)
		keys = append(keys, key{words, colour})
	}
	labels, err := plotter.NewLabels(totals)
	if err != nil {
		return nil, err
	}
	for k := range labels.TextStyle {
		lettered(&labels.TextStyle[k], 9)
		labels.TextStyle[k].YAlign = draw.YCenter
	}
	labels.Offset = vg.Point{X: 1.2 * vg.Millimeter}
	p.Add(labels)
	names := make([]plot.Tick, n)
	for k := range c.groups {
		names[k] = plot.Tick{Value: float64(n - 1 - k), Label: shortName(c.groups[k].name)}
	}
	p.Y.Tick.Marker = plot.ConstantTicks(names)
	p.Y.Tick.Length, p.Y.Tick.Width = 1.5*vg.Millimeter, 0
	p.Y.Padding, p.X.Padding = 0, vg.Millimeter
	// Room for the number after the longest bar.
	p.X.Min, p.X.Max = 0, float64(most)*1.12
	p.X.Tick.Marker = wholeTicks{}
	p.Y.Min, p.Y.Max = -0.5, float64(n)-0.5

	canvas := vgsvg.New(chartWide, chartAround+vg.Length(n)*chartStep)
	paper := draw.New(canvas)
	paper.FillPolygon(rgb("#ffffff"), []vg.Point{paper.Min, {X: paper.Max.X, Y: paper.Min.Y}, paper.Max, {X: paper.Min.X, Y: paper.Max.Y}})
	paper = draw.Crop(paper, chartEdge, -chartEdge, chartEdge, -chartEdge)
	// Above the bars stand the title and a line of keys.
	title, small := p.Y.Tick.Label, p.Y.Tick.Label
	lettered(&title, 12)
	title.Font.Weight = xfont.WeightBold
	title.XAlign, title.YAlign, small.XAlign, small.YAlign = draw.XLeft, draw.YTop, draw.XLeft, draw.YTop
	at := vg.Point{X: paper.Min.X, Y: paper.Max.Y}
	paper.FillText(title, at, c.title)
	at.Y -= 6.5 * vg.Millimeter
	for _, k := range keys {
		const side = 3 * vg.Millimeter
		box := []vg.Point{{X: at.X, Y: at.Y - side}, {X: at.X + side, Y: at.Y - side}, {X: at.X + side, Y: at.Y}, at}
		paper.FillPolygon(rgb(k.colour), box)
		paper.StrokeLines(below.LineStyle, append(box, box[0]))
		paper.FillText(small, vg.Point{X: at.X + side + vg.Millimeter, Y: at.Y}, k.words)
		at.X += side + small.Width(k.words) + 5*vg.Millimeter
	}
	p.Draw(draw.Crop(paper, 0, 0, 0, -12*vg.Millimeter))
	var drawn bytes.Buffer
	if _, err := canvas.WriteTo(&drawn); err != nil {
		return nil, err
	}
	return c.told(drawn.Bytes())
}

// told puts title and numbers into the picture, for those who cannot see it.
func (c *chart) told(drawn []byte) ([]byte, error) {
	head, body, ok := bytes.Cut(drawn, []byte("xmlns:xlink=\"http://www.w3.org/1999/xlink\">\n"))
	start := bytes.Index(head, []byte("<svg "))
	if !ok || start < 0 {
		return nil, fmt.Errorf("the plotting library writes another SVG than it did: %.80q", drawn)
	}
	body = chartText.ReplaceAllFunc(body, stretched)
	var b bytes.Buffer
	b.WriteString("<?xml version=\"1.0\" encoding=\"UTF-8\"?>\n")
	b.Write(head[start:])
	fmt.Fprintf(&b, "role=\"img\" aria-labelledby=\"title desc\">\n<title id=\"title\">%s</title>\n<desc id=\"desc\">%s", plainText(c.title), plainText(c.note))
	for _, g := range c.groups {
		var parts []string
		for tone, n := range g.counts {
			switch {
			case n == 0:
			case tone < len(soilTones):
				parts = append(parts, grouped(n)+" "+soilTones[tone].class)
			default:
				parts = append(parts, grouped(n)+" with ground not known")
			}
		}
		fmt.Fprintf(&b, " %s: %s", plainText(g.name), countOf(g.total(), "tree", "trees"))
		if len(parts) > 0 {
			fmt.Fprintf(&b, " (%s)", strings.Join(parts, ", "))
		}
		b.WriteByte('.')
	}
	fmt.Fprintf(&b, " %s</desc>\n", plainText(caution))
	b.Write(body)
	return b.Bytes(), nil
}

// wholeTicks marks whole numbers alone: there is no half of a tree.
type wholeTicks struct{}

func (wholeTicks) Ticks(low, high float64) []plot.Tick {
	step := 1.0
	for k := 0; high/step > 6; k++ {
		step = []float64{1, 2, 5}[k%3] * math.Pow10(k/3)
	}
	var ticks []plot.Tick
	for v := 0.0; v <= high; v += step {
		ticks = append(ticks, plot.Tick{Value: v, Label: grouped(int(v))})
	}
	return ticks
}

// shortName is a name as it is drawn: on one line, not too long, and with
// nothing that XML cannot hold.
func shortName(s string) string {
	s = strings.Map(func(r rune) rune {
		switch {
		case r < ' ' || r == 0x7f || r == utf8.RuneError || r == 0xfffe || r == 0xffff:
			return ' '
		}
		return r
	}, strings.ToValidUTF8(s, " "))
	if r := []rune(s); len(r) > chartName {
		return string(r[:chartName-1]) + "…"
	}
	return s
}

func rgb(colour string) color.Color {
	c := color.RGBA{A: 255}
	fmt.Sscanf(colour, "#%02x%02x%02x", &c.R, &c.G, &c.B)
	return c
}

// chartFiles are where the charts go.
func (o *options) chartFiles() []string {
	var files []string
	for _, name := range []string{"soil-against-need.svg", "soil-by-species.svg", "soil-by-planting-year.svg", "soil-by-stock.svg"} {
		files = append(files, filepath.Join(o.charts, name))
	}
	return files
}

// drawCharts draws all charts, by file.
func (a *assessment) drawCharts() (map[string][]byte, error) {
	drawn := map[string][]byte{}
	for _, c := range a.charts() {
		picture, err := c.svg()
		if err != nil {
			return nil, fmt.Errorf("chart %s: %w", c.file, err)
		}
		drawn[filepath.Join(a.o.charts, c.file)] = picture
	}
	return drawn, nil
}

// writeCharts puts the charts in their folder.
func (a *assessment) writeCharts(drawn map[string][]byte) error {
	for _, f := range a.o.chartFiles() {
		if err := layer.WriteFile(f, drawn[f]); err != nil {
			return err
		}
	}
	return nil
}
