package main

import (
	"bytes"
	"compress/gzip"
	"crypto/sha256"
	"embed"
	"encoding/base64"
	"encoding/binary"
	"encoding/json"
	"fmt"
	"html"
	"math"
	"slices"
	"strings"

	"soilshed/geo"
	"soilshed/geo/layer"
	"soilshed/risk/soil"
	"soilshed/risk/species"
)

// How a page is packed: a head in JSON, and blocks of columns, which page/map.js
// unpacks. The page of an assessment and that of a comparison are both made so.

//go:embed page
var pageFiles embed.FS

// pageStepM is the step of coordinates in the page.
const pageStepM = 0.1

// pageGrid is the plane of a page: whole steps from its south-west corner.
type pageGrid struct {
	StepM  float64 `json:"stepM"`
	WestM  float64 `json:"westM"` // place of step 0, 0 in the plane
	SouthM float64 `json:"southM"`
}

// pageBase is what the head of either page has.
type pageBase struct {
	pageGrid
	Title    string       `json:"title"`
	Place    string       `json:"place"` // file of the trees
	Caution  string       `json:"caution"`
	Notes    []string     `json:"notes"`
	Settings string       `json:"settings"`
	Year     int          `json:"year"`
	Trees    int          `json:"trees"`
	Details  int          `json:"details"`
	US       bool         `json:"us"`
	Map      []pageColumn `json:"map"`
	List     []pageColumn `json:"list"`
	Tones    []pageTone   `json:"tones"` // soil classes, ground not known, not assessed
	Failure  []pageStep   `json:"failure"`
	Girdling []pageStep   `json:"girdling"`
	Bounds   []float64    `json:"bounds"` // of the classes, part of the need, good to bad
	Ground   pageGround   `json:"ground"`
	// Common names of the species column's words.
	Common []string `json:"common"`
}

type pageTone struct {
	Colour string `json:"colour"`
	Words  string `json:"words"`
}

type pageStep struct {
	MM    float64 `json:"mm"`
	Words string  `json:"words"`
}

// pageColumn is a column of a block. A number is (stored - 1 + Min) / 10^Digits,
// a word is Words[stored - 1]; 0 stored is null. Text lies line by line.
type pageColumn struct {
	Name   string   `json:"name"`
	Alias  string   `json:"alias,omitempty"`
	Unit   string   `json:"unit,omitempty"`
	Doc    string   `json:"doc,omitempty"`
	Kind   string   `json:"kind"` // number, words, text
	Digits int      `json:"digits,omitempty"`
	Min    int64    `json:"min,omitempty"`
	Bytes  int      `json:"bytes,omitempty"`
	Words  []string `json:"words,omitempty"`
}

// symbols says how trees are drawn.
func (h *pageBase) symbols(bounds soil.Bounds, gone string) {
	for k := range soilTones {
		h.Tones = append(h.Tones, pageTone{soilTones[k].colour, toneWords(k, bounds)})
	}
	h.Tones = append(h.Tones, pageTone{unknownTone, "Ground not known"}, pageTone{ink, gone})
	for _, s := range failureSteps {
		h.Failure = append(h.Failure, pageStep{s.mm, s.words})
	}
	for _, s := range girdlingSteps {
		h.Girdling = append(h.Girdling, pageStep{s.mm, s.words})
	}
	h.Bounds = bounds[:]
}

// pageTone is the place of a tree's colour in the head's tones.
func (r *row) pageTone() int {
	switch {
	case !r.res.Assessed:
		return len(soilTones) + 1
	case !r.res.Graded:
		return len(soilTones)
	}
	return int(r.res.Class)
}

// Marks of a tree in the block of the map: the step of failure, that of girdling
// x 4, and these.
const (
	markDetails = 16 // the page tells more of it
	markPlanted = 32 // it stands in the proposal alone
)

// over lays the grid over places and puts them along a Z-order curve (Morton
// 1966) over its steps.
func (g *pageGrid) over(at []geo.XY) (order []int32) {
	west, south := math.Inf(1), math.Inf(1)
	for _, q := range at {
		west, south = min(west, q.X), min(south, q.Y)
	}
	g.StepM, g.WestM, g.SouthM = pageStepM, math.Floor(west), math.Floor(south)
	keys := make([]uint64, len(at))
	order = make([]int32, len(at))
	for i, q := range at {
		x, y := g.step(q)
		keys[i] = interleave(uint32(x)) | interleave(uint32(y))<<1
		order[i] = int32(i)
	}
	slices.SortFunc(order, func(i, j int32) int {
		switch {
		case keys[i] < keys[j]:
			return -1
		case keys[i] > keys[j]:
			return 1
		}
		return int(i - j)
	})
	return order
}

// step is a place in steps from the south-west corner.
func (g *pageGrid) step(q geo.XY) (x, y int) {
	return int(math.Round((q.X - g.WestM) / pageStepM)), int(math.Round((q.Y - g.SouthM) / pageStepM))
}

// interleave puts a 0 between the bits of v.
func interleave(v uint32) uint64 {
	x := uint64(v)
	x = (x | x<<16) & 0x0000FFFF0000FFFF
	x = (x | x<<8) & 0x00FF00FF00FF00FF
	x = (x | x<<4) & 0x0F0F0F0F0F0F0F0F
	x = (x | x<<2) & 0x3333333333333333
	return (x | x<<1) & 0x5555555555555555
}

// places appends the columns x and y of places, each from the one before.
func (h *pageBase) places(b []byte, n int, at func(k int) geo.XY) []byte {
	x, y := make([]uint32, n), make([]uint32, n)
	px, py := 0, 0
	for k := range n {
		sx, sy := h.step(at(k))
		x[k], y[k] = zigzag(sx-px), zigzag(sy-py)
		px, py = sx, sy
	}
	return h.mapColumn(h.mapColumn(b, "x", x), "y", y)
}

// mapColumn appends a column of the map, whose numbers are as stored.
func (h *pageBase) mapColumn(b []byte, name string, v []uint32) []byte {
	c := pageColumn{Name: name, Kind: "number", Bytes: bytesOf(v)}
	h.Map = append(h.Map, c)
	return planes(b, v, c.Bytes)
}

// zigzag makes small numbers of either sign small: 0, -1, 1, -2 become 0, 1, 2, 3.
func zigzag(v int) uint32 { return uint32(v)<<1 ^ uint32(v>>63) }

// bytesOf is the number of bytes that the largest takes, at least 1.
func bytesOf(v []uint32) int {
	n := 1
	for _, x := range v {
		for n < 4 && x>>(8*n) > 0 {
			n++
		}
	}
	return n
}

// planes appends the low bytes of all, then the next, and so on.
func planes(b []byte, v []uint32, n int) []byte {
	for k := range n {
		for _, x := range v {
			b = append(b, byte(x>>(8*k)))
		}
	}
	return b
}

// mostWords is how many different words a column may have before it is kept as
// text.
const mostWords = 1<<16 - 2

// packColumn appends a column of n values, with the name, alias, unit and digits
// of c, and says how it is read.
func packColumn(b []byte, c pageColumn, kind layer.Kind, n int, value func(k int) layer.Value) ([]byte, pageColumn) {
	if kind != layer.Text {
		c.Kind = "number"
		scale := math.Pow10(c.Digits)
		q := make([]int64, n)
		low, high := int64(math.MaxInt64), int64(math.MinInt64)
		for k := range n {
			v, ok := value(k).Float()
			if !ok || math.Abs(v*scale) > 1<<31 {
				q[k] = math.MinInt64
				continue
			}
			q[k] = int64(math.Round(v * scale))
			low, high = min(low, q[k]), max(high, q[k])
		}
		if low > high {
			low = 0
		}
		c.Min = low
		stored := make([]uint32, n)
		for k := range q {
			if q[k] != math.MinInt64 {
				stored[k] = uint32(q[k]-low) + 1
			}
		}
		c.Bytes = bytesOf(stored)
		return planes(b, stored, c.Bytes), c
	}
	text := make([]string, n)
	seen := map[string]uint32{}
	for k := range n {
		text[k] = oneLine(value(k).Text())
		if len(seen) <= mostWords {
			seen[text[k]] = 0
		}
	}
	delete(seen, "")
	// A word met twice is worth a place in a dictionary.
	if len(seen) <= mostWords && len(seen) <= n/2+1 {
		c.Kind = "words"
		for w := range seen {
			c.Words = append(c.Words, w)
		}
		slices.Sort(c.Words)
		for k, w := range c.Words {
			seen[w] = uint32(k + 1)
		}
		stored := make([]uint32, n)
		for k := range text {
			stored[k] = seen[text[k]]
		}
		c.Bytes = bytesOf(stored)
		return planes(b, stored, c.Bytes), c
	}
	c.Kind = "text"
	lines := []byte(strings.Join(text, "\n"))
	return append(binary.LittleEndian.AppendUint32(b, uint32(len(lines))), lines...), c
}

// oneLine keeps a text on one line.
func oneLine(s string) string {
	if !strings.ContainsAny(s, "\n\r") {
		return s
	}
	return strings.Join(strings.Fields(s), " ")
}

// common are the common names of species, for the search.
func commonNames(latin []string) []string {
	names := make([]string, len(latin))
	for k, w := range latin {
		if sp, ok := species.Lookup(w); ok && sp.Latin == w {
			names[k] = sp.Common
		}
	}
	return names
}

// pageBlock is a packed part of a page.
type pageBlock struct {
	name string
	data []byte
}

// assemble puts a page together: kind is the name of its part of the frame, and
// of its own style and script, which come after those of the map. The script
// stands behind the first block, so that it draws it while the browser reads on.
func assemble(kind, title string, head any, blocks []pageBlock) ([]byte, error) {
	// JSON in Go escapes <, > and &, so that no word of the data ends its element.
	words, err := json.Marshal(head)
	if err != nil {
		return nil, err
	}
	file := func(names ...string) string {
		var all strings.Builder
		for _, name := range names {
			b, readErr := pageFiles.ReadFile("page/" + name)
			if readErr != nil {
				err = readErr
			}
			all.Write(b)
		}
		return all.String()
	}
	frame, part := file("frame.html"), file(kind+".html")
	style, script := file("map.css", kind+".css"), "\"use strict\";\n(() => {\n"+file("map.js", kind+".js")+"})();\n"
	if err != nil {
		return nil, err
	}
	slots := strings.SplitN(part, "<!-- next -->\n", 3) // before the search, after it, under the map
	var packed [2]strings.Builder
	for k, b := range blocks {
		text, err := pack(b.data)
		if err != nil {
			return nil, err
		}
		fmt.Fprintf(&packed[min(k, 1)], "<script type=\"text/plain\" id=\"block-%s\">%s</script>\n", b.name, text)
	}
	var out bytes.Buffer
	strings.NewReplacer(
		"{{policy}}", fmt.Sprintf("default-src 'none'; script-src '%s'; style-src '%s'; base-uri 'none'; form-action 'none'", hashOf(script), hashOf(style)),
		"{{title}}", html.EscapeString(title),
		"{{caution}}", html.EscapeString(caution),
		"{{first}}", slots[0], "{{side}}", slots[1], "{{under}}", slots[2],
		"{{style}}", style, "{{head}}", string(words), "{{firstBlock}}", packed[0].String(), "{{blocks}}", packed[1].String(), "{{script}}", script,
	).WriteString(&out, frame)
	return out.Bytes(), nil
}

// hashOf is the hash by which the policy lets a script or style of the page be.
func hashOf(s string) string {
	sum := sha256.Sum256([]byte(s))
	return "sha256-" + base64.StdEncoding.EncodeToString(sum[:])
}

func pack(b []byte) (string, error) {
	var z bytes.Buffer
	w, err := gzip.NewWriterLevel(&z, gzip.DefaultCompression)
	if err != nil {
		return "", err
	}
	if _, err := w.Write(b); err != nil {
		return "", err
	}
	if err := w.Close(); err != nil {
		return "", err
	}
	return base64.StdEncoding.EncodeToString(z.Bytes()), nil
}
