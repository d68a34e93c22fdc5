package main

import (
	"errors"
	"fmt"
	"math"
	"strings"

	"soilshed/geo/ground"
	"soilshed/geo/layer"
)

// takeoff is what a redesign has to be built: areas and volumes from the layers
// themselves, and trees.
type takeoff struct {
	changes []ground.Change
	// openedM2 and closedM2 are paved ground that is open afterwards, and open
	// ground that is paved; underlaidM2 what lies over new rootable ground, and
	// lostM2 what no longer does.
	openedM2, closedM2, underlaidM2, lostM2 float64
	// engineeredM3 is new rootable ground under paving, stone and all; mixM3 is
	// the part of it that is less than half soil. openedM3 is the soil of the
	// opened ground.
	engineeredM3, mixM3, openedM3 float64
	planted, removed              int
	items                         []billItem
	cost                          float64 // NaN without prices
}

// suspendedFrom is the usable part from which rootable ground is priced as
// suspended pavement: mixes of stone and soil hold about a fifth of soil,
// suspended pavements nine tenths (from memory; the bound between them is a
// setting).
const suspendedFrom = 0.5

// measureChanges adds up the changes between two maps.
func (t *takeoff) measureChanges(changes []ground.Change) {
	t.changes = changes
	for i := range changes {
		c := &changes[i]
		switch c.What {
		case ground.Opened:
			t.openedM2 += c.AreaM2
			t.openedM3 += c.VolumeM3()
		case ground.Closed:
			t.closedM2 += c.AreaM2
		case ground.Lost:
			t.lostM2 += c.AreaM2
		case ground.Underlaid, ground.ClosedUnderlaid:
			t.underlaidM2 += c.AreaM2
			t.engineeredM3 += c.VolumeM3()
			if c.Usable < suspendedFrom {
				t.mixM3 += c.VolumeM3()
			}
			if c.What == ground.ClosedUnderlaid {
				t.closedM2 += c.AreaM2
			}
		}
	}
}

// priceItem is a line that a file of prices may have.
type priceItem struct {
	name string
	of   measure // areaM2, volumeM3, or plain for trees
	doc  string
	get  func(t *takeoff) float64
}

var priceItems = []priceItem{
	{"remove pavement", areaM2, "paved ground that is opened, or taken up to lay rootable ground under it",
		func(t *takeoff) float64 { return t.openedM2 + t.underlaidPavedM2() }},
	{"lay pavement", areaM2, "open ground that is paved, and paving laid again over new rootable ground",
		func(t *takeoff) float64 { return t.closedM2 + t.underlaidPavedM2() }},
	{"open bed", areaM2, "paved ground that is open afterwards: loosening, edging, mulch",
		func(t *takeoff) float64 { return t.openedM2 }},
	{"soil", volumeM3, "soil of the opened ground, to its usable depth; 0 where the soil that is there will do",
		func(t *takeoff) float64 { return t.openedM3 }},
	{"stone and soil mix", volumeM3, "new rootable ground that is less than half soil, stone and all",
		func(t *takeoff) float64 { return t.mixM3 }},
	{"suspended pavement", volumeM3, "new rootable ground that is half soil or more, frames and all",
		func(t *takeoff) float64 { return t.engineeredM3 - t.mixM3 }},
	{"plant tree", plain, "trees that stand in the design and not today",
		func(t *takeoff) float64 { return float64(t.planted) }},
	{"remove tree", plain, "trees that stand today and not in the design",
		func(t *takeoff) float64 { return float64(t.removed) }},
}

// underlaidPavedM2 is the paving that is taken up and laid again.
func (t *takeoff) underlaidPavedM2() float64 {
	sum := 0.0
	for i := range t.changes {
		if t.changes[i].What == ground.Underlaid {
			sum += t.changes[i].AreaM2
		}
	}
	return sum
}

// priceUnits are the units in which a price may be given, by what is measured,
// with how many of the record's unit are in one.
var priceUnits = map[measure]map[string]float64{
	areaM2:   {"m2": 1, "ft2": 0.3048 * 0.3048, "yd2": 0.9144 * 0.9144},
	volumeM3: {"m3": 1, "ft3": 0.3048 * 0.3048 * 0.3048, "yd3": 0.9144 * 0.9144 * 0.9144},
	plain:    {"tree": 1},
}

var priceUnitNames = map[measure]string{areaM2: "m2, ft2 or yd2", volumeM3: "m3, ft3 or yd3", plain: "tree"}

// priceList is a file of unit prices: CSV with the columns item, unit, price and
// note. The prices are the user's own, in one currency of theirs.
type priceList struct {
	file  string
	price map[string]float64 // of an item, for the record's unit
}

func priceNames() []string {
	var n []string
	for _, p := range priceItems {
		n = append(n, p.name)
	}
	return n
}

// readPrices reads a file of prices. It is strict: what it does not know is an
// error, as a price that is left out makes a design look cheap.
func readPrices(file string) (*priceList, error) {
	t, err := openTable(file)
	if err != nil {
		return nil, err
	}
	column, err := t.strict([]string{"item", "unit", "price", "note"}, "item", "unit", "price")
	if err != nil {
		return nil, err
	}
	list := &priceList{file: file, price: map[string]float64{}}
	lines := map[string]int{}
	for i := range t.Rows {
		r := &t.Rows[i]
		name := strings.ToLower(r.cell(column["item"]))
		k := -1
		for n := range priceItems {
			if priceItems[n].name == name {
				k = n
			}
		}
		if k < 0 {
			hint := ""
			if near := closestName(name, priceNames()); near != "" {
				hint = "; did you mean " + near + "?"
			}
			return nil, t.lineError(r.Line, "item", fmt.Errorf("there is no item %q%s", r.cell(column["item"]), hint), "the items are: "+strings.Join(priceNames(), ", "))
		}
		item := &priceItems[k]
		if lines[name] > 0 {
			return nil, t.lineError(r.Line, "item", fmt.Errorf("%s is priced on line %d already", name, lines[name]), "take one of the lines out")
		}
		unit := strings.ToLower(r.cell(column["unit"]))
		per, ok := priceUnits[item.of][unit]
		if !ok {
			return nil, t.lineError(r.Line, "unit", fmt.Errorf("%s is priced by the %s, not by %q", name, priceUnitNames[item.of], r.cell(column["unit"])), "convert the price")
		}
		text := r.cell(column["price"])
		v, ok := plainNumber(text)
		if !ok || math.IsNaN(v) || math.IsInf(v, 0) || v < 0 {
			return nil, t.lineError(r.Line, "price", fmt.Errorf("%q is no price", text), "a plain number, 0 or more, such as 1250.50, without a sign of a currency")
		}
		lines[name] = r.Line
		list.price[name] = v / per
	}
	return list, nil
}

// leastPriced is the quantity, in m2, m3 or trees, below which nothing is priced:
// a difference that small is how a layer was drawn or written.
const leastPriced = 0.005

// billItem is a line of what a design costs.
type billItem struct {
	item     *priceItem
	quantity float64 // in the record's unit
	price    float64
}

func (b *billItem) cost() float64 { return b.quantity * b.price }

// bill prices a takeoff.
func (t *takeoff) bill(p *priceList, name string) error {
	t.cost = math.NaN()
	if p == nil {
		return nil
	}
	t.cost = 0
	var without []string
	for i := range priceItems {
		item := &priceItems[i]
		q := item.get(t)
		if q < leastPriced {
			continue
		}
		price, ok := p.price[item.name]
		if !ok {
			without = append(without, fmt.Sprintf("%s (%.4g %s)", item.name, q, priceUnit(item.of)))
			continue
		}
		b := billItem{item: item, quantity: q, price: price}
		t.items = append(t.items, b)
		t.cost += b.cost()
	}
	if len(without) > 0 {
		return &layer.Error{File: p.file, Err: errors.New("no price for what " + name + " takes: " + strings.Join(without, ", ")), Remedy: "add a line for each; 0 is a price"}
	}
	return nil
}

func priceUnit(m measure) string {
	if m == plain {
		return "trees"
	}
	return siUnits[m]
}
