package main

import (
	"fmt"
	"math"
	"math/rand/v2"
	"strings"
	"testing"

	"soilshed/geo"
	"soilshed/geo/layer"
	"soilshed/risk"
	"soilshed/risk/collar"
	"soilshed/risk/soil"
)

// near compares numbers that went through a change of unit.
func near(a, b float64) bool { return math.Abs(a-b) <= 1e-9*math.Max(1, math.Abs(b)) }

// textFeature makes a feature of texts; "∅" is null.
func textFeature(fid int64, cells ...string) *layer.Feature {
	f := &layer.Feature{FID: fid}
	for _, c := range cells {
		if c == "∅" {
			f.Values = append(f.Values, layer.Value{})
		} else {
			f.Values = append(f.Values, layer.String(c))
		}
	}
	return f
}

// oneCell reads a single column called column that holds the text.
func oneCell(t *testing.T, flag, column, text string) (risk.Tree, recordKind, *columns) {
	t.Helper()
	var flags []string
	if flag != "" {
		flags = append(flags, flag)
	}
	c, _ := mustBind(t, schemaOf(column), bindOptions{Year: 2026}, flags...)
	tree, kind := c.tree(textFeature(1, text))
	return tree, kind, c
}

// The odd values that open inventories hold, each read or left out with a word.
func TestOddValuesOfInventories(t *testing.T) {
	table, err := openTable("../../fixtures/inventory/odd_values.csv")
	if err != nil {
		t.Fatal(err)
	}
	if len(table.Notes) > 0 {
		t.Errorf("the byte-order mark is no trouble: %q", table.Notes)
	}
	c, notes := mustBind(t, &layer.Schema{Fields: table.fields()}, bindOptions{File: "odd_values.csv", Year: 2026})
	if n := len(notes); n != 11 {
		t.Fatalf("%d of 11 columns recognised: %q", n, notes)
	}
	type want struct {
		id, species, street string
		dbh, height, crown  float64 // 0 is not known
		planted             int
		condition           float64 // -1 is not known
		pitL, pitW          float64
		kind                recordKind
		dead                bool
	}
	wants := []want{
		{"1", "Acer rubrum", "Lindenstraße", 30.48, 9.5, 7, 2015, 0.705, 1.2, 2.4, singleTree, false},
		{"1~2", "Quercus rubra", "Öhlweg", 9, 9.144, 0, 2015, 0.505, 1.2192, 1.8288, singleTree, false},
		{"2", "littleleaf linden", "", 0, 0, 0, 0, 0.305, 0, 0, singleTree, false},
		{"3", "", "", 0, 0, 0, 0, -1, 0, 0, singleTree, false},
		{"4", "", "", 0, 0, 0, 0, 0, 0, 0, singleTree, true},
		{"5", "Tilia cordata", "", 0, 0, 0, 2015, -1, 0, 0, goneTree, false},
		{"6", "Tilia cordata", "", 44.5, 0, 0, 2015, -1, 0, 0, hedgeRow, false},
		{"7", "Acer rubrum - red maple", "", 36, 0, 0, 2015, 0.405, 1.5, 1.5, singleTree, false},
		{"8", "Vacant site", "", 0, 0, 0, 0, -1, 0, 0, emptySite, false},
		{"9", "Gleditsia triacanthos", "", 30, 0, 0, 0, -1, 0, 0, singleTree, false},
		{"#11", "Ulmus", "", 30, 0, 0, 2015, -1, 0, 0, singleTree, false},
	}
	if len(table.Rows) != len(wants) {
		t.Fatalf("%d rows", len(table.Rows))
	}
	or := func(m risk.Maybe[float64]) float64 { return m.Or(0) }
	for i, w := range wants {
		tree, kind := c.tree(textFeature(int64(i+1), table.Rows[i].Cells...))
		got := want{tree.ID, tree.Species, tree.Street, or(tree.DBHCm), or(tree.HeightM), or(tree.CrownM), tree.PlantedYear.Or(0),
			tree.Condition.Or(-1), or(tree.PitLM), or(tree.PitWM), kind, tree.Dead}
		if got.id != w.id || got.species != w.species || got.street != w.street || !near(got.dbh, w.dbh) || !near(got.height, w.height) || got.crown != w.crown ||
			got.planted != w.planted || !near(got.condition, w.condition) || !near(got.pitL, w.pitL) || !near(got.pitW, w.pitW) || got.kind != w.kind || got.dead != w.dead {
			t.Errorf("record %d:\n got %+v\nwant %+v", i+1, got, w)
		}
		if tree.Removed != (kind == goneTree || kind == emptySite) {
			t.Errorf("record %d: removed %v for kind %d", i+1, tree.Removed, kind)
		}
	}
	said := strings.Join(c.census.sentences(), "\n")
	for _, w := range []string{
		"1 tree is recorded as removed or missing (feature 6)",
		"1 record is for stumps or empty planting sites (feature 9)",
		"1 record is for hedges, not single trees (feature 7)",
		"1 tree is recorded as dead",
		`id (column TREEID): 1 with a number that an earlier record has, made unique by ~2, ~3, ... ("1" in feature 2); 1 without a number`,
		`1 given as 0, which stands for not measured; 1 given as a code for not measured ("999" in feature 5); 1 too large to be true ("1912" in feature 3)`,
		`1 given as a range: its middle is taken ("6-12" in feature 2)`,
		`1 open-ended: the bound is taken ("36+" in feature 8)`,
		`1 with several stems, joined by the root of the sum of squares ("18; 24" in feature 11)`,
		`1 read in the unit that the cell names ("12 in" in feature 1)`,
		`1 too small to be true ("11" in feature 3); 2 after the year of the data ("2930" in feature 4, "4019" in feature 5)`,
		`1 given as a date that stands for none ("1900-01-01" in feature 10)`,
		`1 given as a time counted from 1970 ("1428019200000" in feature 7)`,
		`1 given as a number whose order is not stated ("4" in feature 11)`,
		`1 too large to be true ("70" in feature 11)`,
		`1 too large to be true ("150" in feature 11)`,
		`"None" in feature 4`, `"<Null>" in feature 5`, `"NA" in feature 3`,
	} {
		if !strings.Contains(said, w) {
			t.Errorf("the census does not say %q", w)
		}
	}
	if t.Failed() {
		t.Log(said)
	}
}

// One column of a GeoJSON file may hold numbers, texts, truths and nulls.
func TestMixedTypesOfGeoJSON(t *testing.T) {
	source, err := layer.Open("../../fixtures/inventory/odd_types.geojson", layer.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer source.Close()
	c, _ := mustBind(t, source.Schema(), bindOptions{Year: 2026})
	type want struct {
		id, species string
		dbh, height float64
		planted     int
		removed     bool
	}
	wants := []want{
		{"1", "Acer rubrum", 30.48, 9.144, 2015, false},
		{"1~2", "Ácer, Straßenbaum – 'Öhl'", 30.48, 9.144, 2015, true},
		{"1~3", "", 157 / math.Pi, 9.144, 2015, false},
		{"#4", "", 0, 0, 0, false},
		{"#5", "", 0, 0, 0, false},
		{"6", "", 0, 0, 0, false},
	}
	i := 0
	for f, err := range source.Features() {
		if err != nil {
			t.Fatal(err)
		}
		tree, _ := c.tree(&f)
		w := wants[i]
		i++
		if tree.ID != w.id || tree.Species != w.species || !near(tree.DBHCm.Or(0), w.dbh) || !near(tree.HeightM.Or(0), w.height) || tree.PlantedYear.Or(0) != w.planted || tree.Removed != w.removed {
			t.Errorf("record %d: got %+v, want %+v", i, tree, w)
		}
	}
	if i != len(wants) {
		t.Errorf("%d records of %d", i, len(wants))
	}
	said := strings.Join(c.census.sentences(), "\n")
	for _, w := range []string{
		`dbh (column DBH_IN): no value in 4 of 6 records: 2 blank; 1 given as 0, which stands for not measured; 1 too large to be true ("752.8" in feature 5)`,
		`"-9999" in feature 4`, `"tall" in feature 5`, `"25-35" in feature 2`, `"9.144 m" in feature 3`, `"4019" in feature 5`,
	} {
		if !strings.Contains(said, w) {
			t.Errorf("not said: %s\n%s", w, said)
		}
	}
}

// What README files of open data warn of, each by name.
func TestEachOddValueByName(t *testing.T) {
	for _, c := range []struct {
		name, flag, column, text string
		want                     float64 // DBH in cm; 0 is not known
		why                      reason
	}{
		{"DBH in cm", "", "DBH_CM", "44.5", 44.5, reasons},
		{"DBH in inches", "", "DBH (in)", "10", 25.4, reasons},
		{"DBH told in inches", "dbh=D:in", "D", "10", 25.4, reasons},
		{"girth in metres as text", "", "girth_m", "1.57", 157 / math.Pi, tookGirth},
		{"girth in metres with a comma and its unit", "", "Stammumfang", "1,57 m", 157 / math.Pi, tookGirth},
		{"girth told for dbh", "dbh=U:girth-cm", "U", "157", 157 / math.Pi, reasons},
		{"1,912 cm trunk", "", "DBH_CM", "1912", 0, leftTooLarge},
		{"1,912 cm trunk with a comma", "", "DBH_CM", "1,912", 0, leftTooLarge},
		{"less than nothing", "", "DBH", "-12", 0, leftTooSmall},
		{"-1", "", "DBH", "-1", 0, gapCode},
		{"9999", "", "DBH", "9999", 0, gapCode},
		{"0.0", "", "DBH", "0.0", 0, gapZero},
		{"NaN as text", "", "DBH", "NaN", 0, gapWordy},
		{"words", "", "DBH", "see notes", 0, leftUnreadable},
		{"NA", "", "DBH", "NA", 0, gapWordy},
		{"None", "", "DBH", "None", 0, gapWordy},
		{"<Null>", "", "DBH", "<Null>", 0, gapWordy},
		{"question mark", "", "DBH", "?", 0, gapWordy},
		{"blanks", "", "DBH", " \u00a0 ", 0, gapBlank},
		{"null", "", "DBH", "∅", 0, gapBlank},
	} {
		tree, _, cols := oneCell(t, c.flag, c.column, c.text)
		if !near(tree.DBHCm.Or(0), c.want) || tree.DBHCm.Known != (c.want != 0) {
			t.Errorf("%s: got %+v, want %g cm", c.name, tree.DBHCm, c.want)
		}
		found := c.why == reasons
		for in := range inventoryField(inventoryFields) {
			for why := range reasons {
				if n := cols.census.tallies[in][why].count; n > 0 && in != inID {
					if why == c.why {
						found = true
					} else if c.why == reasons || c.why < gaps {
						t.Errorf("%s: %s is counted as %q", c.name, inventory[in].name, reasonWords[why])
					}
				}
			}
		}
		if !found {
			t.Errorf("%s: not counted as %q", c.name, reasonWords[c.why])
		}
	}
	// Numbers that are no numbers.
	c, _ := mustBind(t, schemaOf("DBH"), bindOptions{})
	for i, v := range []float64{math.NaN(), math.Inf(1), math.Inf(-1), -1.7976931348623157e308} {
		tree, _ := c.tree(&layer.Feature{FID: int64(i + 1), Values: []layer.Value{layer.Number(v)}})
		if tree.DBHCm.Known {
			t.Errorf("%g is taken for a DBH", v)
		}
	}
}

func TestPlantingYears(t *testing.T) {
	for text, want := range map[string]int{
		"11": 0, "2930": 0, "4019": 0, "1699": 0, "1700": 1700, "2026": 2026, "2027": 0, "0": 0, "9999": 0, "unknown": 0,
		"2015": 2015, "4/3/2015": 2015, "Spring 2015": 2015, "20150403": 2015, "2015.0": 2015,
	} {
		tree, _, _ := oneCell(t, "", "PLANT_DATE", text)
		if got := tree.PlantedYear.Or(0); got != want || tree.PlantedYear.Known != (want != 0) {
			t.Errorf("%q: got %d, want %d", text, got, want)
		}
	}
}

func TestConditions(t *testing.T) {
	for _, c := range []struct {
		flag, text string
		want       float64 // -1 is not known
		dead       bool
	}{
		{"", "Excellent", 0.905, false}, {"", "GOOD", 0.705, false}, {"", "fair ", 0.505, false}, {"", "Poor", 0.305, false},
		{"", "Very Poor", 0.13, false}, {"", "Critical", 0.13, false}, {"", "Dying", 0.08, false}, {"", "Dead", 0, true},
		{"", "Very good", 0.80, false}, {"", "G", 0.705, false}, {"", "2 - Good", 0.705, false}, {"", "Good (3)", 0.705, false},
		{"", "Fair/Poor", 0.405, false}, {"", "Fair to Poor", 0.405, false}, {"", "Good, some deadwood", 0.705, false},
		{"", "80%", 0.8, false}, {"", "80", -1, false}, {"", "3", -1, false}, {"", "not good", -1, false}, {"", "purple", -1, false}, {"", "None", -1, false},
		{"condition=C:1..5", "4", 0.75, false}, {"condition=C:5..1", "4", 0.25, false}, {"condition=C:1..5", "Good", 0.705, false},
		{"condition=C:1..5", "6", -1, false}, {"condition=C:1..5", "0", -1, false}, {"condition=C:%", "85", 0.85, false}, {"condition=C:0..1", "0.4", 0.4, false},
		{"condition=C:0..100", "101", -1, false},
	} {
		column := "C"
		if c.flag == "" {
			column = "CONDITION"
		}
		tree, _, cols := oneCell(t, c.flag, column, c.text)
		if !near(tree.Condition.Or(-1), c.want) || tree.Dead != c.dead {
			t.Errorf("%s %q: got %+v dead %v, want %g", c.flag, c.text, tree.Condition, tree.Dead, c.want)
		}
		if c.want < 0 {
			n := 0
			for why := range gaps {
				n += cols.census.tallies[inCondition][why].count
			}
			if n != 1 {
				t.Errorf("%q: left out without a count", c.text)
			}
		}
	}
	// A number of a column that says percent.
	tree, _, _ := oneCell(t, "", "CONDITION_PERCENT", "85")
	if !near(tree.Condition.Or(-1), 0.85) {
		t.Errorf("percent by name: %+v", tree.Condition)
	}
}

func TestStatus(t *testing.T) {
	for _, c := range []struct {
		column, text string
		kind         recordKind
		dead         bool
	}{
		{"TREE_STATUS", "Removed as of 08/2022", goneTree, false},
		{"TREE_STATUS", "Removed 2023 for an addition", goneTree, false},
		{"TREE_STATUS", "Missing as of 10/2022", goneTree, false},
		{"TREE_STATUS", "Inactive", goneTree, false},
		{"TREE_STATUS", "Removed", goneTree, false},
		{"TREE_STATUS", "Tree was removed after the storm", goneTree, false},
		{"TREE_STATUS", "Limb removed", singleTree, false},
		{"TREE_STATUS", "Missing bark on the south side", singleTree, false},
		{"TREE_STATUS", "Lost a limb", singleTree, false},
		{"TREE_STATUS", "Stump", emptySite, false},
		{"TREE_STATUS", "Vacant", emptySite, false},
		{"TREE_STATUS", "Planting site", emptySite, false},
		{"TREE_STATUS", "hedge", hedgeRow, false},
		{"TREE_STATUS", "Dead as of 09/2022", singleTree, true},
		{"TREE_STATUS", "snag", singleTree, true},
		{"TREE_STATUS", "to be removed", singleTree, false},
		{"TREE_STATUS", "Removal recommended", singleTree, false},
		{"TREE_STATUS", "Active", singleTree, false},
		{"TREE_STATUS", "Good, some deadwood", singleTree, false},
		{"TREE_STATUS", "1", singleTree, false},          // a code of an unknown list
		{"TREE_STATUS", "2021-05-03", singleTree, false}, // the date of the status
		{"TREE_STATUS", "Excessive resin on bole", singleTree, false},
		{"TREE_STATUS", "None", singleTree, false},
		{"Removed", "TRUE", goneTree, false},
		{"Removed", "FALSE", singleTree, false},
		{"Removed", "1", goneTree, false},
		{"Removed", "Y", goneTree, false},
		{"Removed", "0", singleTree, false},
		{"RemovedDate", "2021-05-03", goneTree, false},
		{"LIVE_TREE", "Dead", singleTree, true},
		{"LIVE_TREE", "Live", singleTree, false},
		{"Alive", "FALSE", singleTree, true},
		{"Alive", "1", singleTree, false},
		{"Dead\n", "TRUE", singleTree, true},
		{"Dead", "FALSE", singleTree, false},
		{"SPECIES", "Vacant, large", emptySite, false},
		{"SPECIES", "Stump", emptySite, false},
		{"SPECIES", "hedge", hedgeRow, false},
		{"SPECIES", "hedge maple", singleTree, false}, // Acer campestre
	} {
		tree, kind, _ := oneCell(t, "", c.column, c.text)
		if kind != c.kind || tree.Dead != c.dead {
			t.Errorf("%s %q: got kind %d dead %v", c.column, c.text, kind, tree.Dead)
		}
	}
}

func TestSpeciesOfSeveralColumns(t *testing.T) {
	for _, c := range []struct{ latin, genus, common, want string }{
		{"Acer rubrum", "Acer", "red maple", "Acer rubrum"},
		{"rubrum", "Acer", "red maple", "Acer rubrum"},
		{"unknown", "Acer", "red maple", "Acer"},
		{"spp.", "Acer", "red maple", "Acer spp."},
		{"∅", "∅", "red maple", "red maple"},
		{"NA", "N/A", "None", ""},
		{"x freemanii", "Acer", "", "Acer x freemanii"},
		{"Acer x freemanii 'Armstrong'", "Acer", "", "Acer x freemanii 'Armstrong'"},
	} {
		cols, _ := mustBind(t, schemaOf("SPECIES", "GENUS", "COMMON_NAME"), bindOptions{})
		if tree, _ := cols.tree(textFeature(1, c.latin, c.genus, c.common)); tree.Species != c.want {
			t.Errorf("%+v: got %q", c, tree.Species)
		}
	}
	// Common names alone are the species.
	cols, _ := mustBind(t, schemaOf("COMMON_NAME"), bindOptions{})
	if tree, _ := cols.tree(textFeature(1, "red maple")); tree.Species != "red maple" || len(cols.census.sentences()) != 0 {
		t.Errorf("got %q, %q", tree.Species, cols.census.sentences())
	}
}

func TestWordsOfTheTrade(t *testing.T) {
	cols, _ := mustBind(t, schemaOf("STOCK_TYPE", "CORRECTED", "ROOT_FLARE_VISIBLE", "MULCH_CONTACT", "SOIL_TEXTURE", "BULK_DENSITY_KG_M3", "FLARE_DEPTH_IN", "SIDEWALK_YR"), bindOptions{Year: 2026})
	tree, _ := cols.tree(textFeature(1, "Balled & burlapped", "Yes", "buried", "volcano", "silty clay loam", "1450", "4", "2019"))
	if tree.Stock != collar.Balled || tree.Corrected != collar.Yes || tree.FlareSeen != collar.No || tree.MulchTouches != collar.Yes ||
		tree.Texture != soil.SiltyClayLoam || !near(tree.DensityGCm3.Or(0), 1.45) || !near(tree.FlareCm.Or(0), 10.16) || tree.WalkReplacedYr.Or(0) != 2019 {
		t.Errorf("got %+v", tree)
	}
	if tree, _ = cols.tree(textFeature(9, "∅", "x", "∅", "∅", "∅", "∅", "∅", "∅")); tree.Corrected != collar.Yes {
		t.Errorf("a cross: %v", tree.Corrected)
	}
	tree, _ = cols.tree(textFeature(2, "cloned", "maybe", "None", "∅", "mud", "1.45", "0", "2031"))
	if tree.Stock != collar.StockUnknown || tree.Corrected != collar.Unknown || tree.FlareSeen != collar.Unknown || tree.MulchTouches != collar.Unknown ||
		tree.Texture != soil.NoTexture || tree.DensityGCm3.Known || tree.FlareCm.Or(-1) != 0 || tree.WalkReplacedYr.Known {
		t.Errorf("got %+v", tree)
	}
	said := strings.Join(cols.census.sentences(), "\n")
	for _, w := range []string{`"cloned" in feature 2`, `"maybe" in feature 2`, `"mud" in feature 2`, `too small to be true ("1.45" in feature 2)`, `after the year of the data ("2031" in feature 2)`} {
		if !strings.Contains(said, w) {
			t.Errorf("not said: %s\n%s", w, said)
		}
	}
}

// House numbers are no part of a street.
func TestStreets(t *testing.T) {
	for _, c := range []struct{ column, text, want string }{
		{"STREET", "5th Avenue", "5th Avenue"}, {"STREET", "12 Apostles Road", "12 Apostles Road"},
		{"ADDRESS", "1234 Elm Street", "Elm Street"}, {"ADDRESS", "12-14A Elm Street", "Elm Street"}, {"ADDRESS", "5th Avenue", "5th Avenue"}, {"ADDRESS", "Elm Street", "Elm Street"}, {"ADDRESS", "1234", "1234"},
		{"STREET", "TRUE", ""}, {"STREET", "N/A", ""},
	} {
		if tree, _, _ := oneCell(t, "", c.column, c.text); tree.Street != c.want {
			t.Errorf("%s %q: got %q", c.column, c.text, tree.Street)
		}
	}
}

// No record is lost and no two have one id, whatever the ids.
func TestIDsAreUnique(t *testing.T) {
	cols, _ := mustBind(t, schemaOf("ID"), bindOptions{})
	texts := []string{"1", "1.0", "1.00", "1~2", "01", "", "NA", "#6", "x", "1.5", "-3.0", "A.0", "∅", " 7 ", "7"}
	wants := []string{"1", "1~2", "1~3", "1~2~2", "01", "#6", "#7", "#6~2", "x", "1.5", "-3", "A.0", "#13", "7", "7~2"}
	seen := map[string]bool{}
	for i, text := range texts {
		tree, _ := cols.tree(textFeature(int64(i+1), text))
		if tree.ID != wants[i] {
			t.Errorf("%q: got %q, want %q", text, tree.ID, wants[i])
		}
		if seen[tree.ID] {
			t.Errorf("%q twice", tree.ID)
		}
		seen[tree.ID] = true
	}
	// A number column.
	cols, _ = mustBind(t, schemaOf("ID"), bindOptions{})
	for i, v := range []layer.Value{layer.Whole(12), layer.Number(12), layer.String("12.0")} {
		tree, _ := cols.tree(&layer.Feature{FID: int64(i + 1), Values: []layer.Value{v}})
		if want := []string{"12", "12~2", "12~3"}[i]; tree.ID != want {
			t.Errorf("got %q, want %q", tree.ID, want)
		}
	}
}

// Inches that are read as centimetres are noticed, and so is the opposite;
// right units are not.
func TestWrongUnitIsNoticed(t *testing.T) {
	for _, c := range []struct {
		column, flag string
		scale        float64 // from cm to what is written
		warn         string
	}{
		{"DBH", "", 1 / 2.54, "look like in"},
		{"DBH", "", 1, ""},
		{"DBH", "", 10, "look like mm"},
		{"DBH", "", 0.01, "look like m."},
		{"DBH_IN", "", 1, "look like cm"},
		{"DBH_IN", "", 1 / 2.54, ""},
		{"DBH", "dbh=DBH:cm", 1 / 2.54, ""}, // told is told
	} {
		var flags []string
		if c.flag != "" {
			flags = []string{c.flag}
		}
		cols, _ := mustBind(t, schemaOf(c.column), bindOptions{}, flags...)
		for i := range 500 { // 5 to 105 cm, most of them small
			x := float64(i) / 499
			cols.tree(&layer.Feature{FID: int64(i + 1), Values: []layer.Value{layer.Number((5 + 100*x*x) * c.scale)}})
		}
		said := strings.Join(cols.census.sentences(), "\n")
		if got := strings.Contains(said, "WARNING"); got != (c.warn != "") || !strings.Contains(said, c.warn) {
			t.Errorf("%s x %g: %q", c.column, c.scale, said)
		}
	}
}

func TestSharedPlaces(t *testing.T) {
	var points []geo.XY
	for range 3000 { // thousands of trees on one coordinate
		points = append(points, geo.XY{X: 5, Y: 5})
	}
	points = append(points, geo.XY{X: 0, Y: 0}, geo.XY{X: 0.009, Y: 0}, geo.XY{X: 100, Y: 0}, geo.XY{X: 100.011, Y: 0}, geo.XY{X: -7, Y: 3})
	want := crowding{Trees: 3002, Most: 3000, At: 0}
	if got := sharedPlaces(points, 0.01); got != want {
		t.Errorf("got %+v, want %+v", got, want)
	}
	if got := sharedPlaces([]geo.XY{{X: 1}, {X: 2}}, 0.01); got != (crowding{At: -1}) {
		t.Errorf("nothing shared: %+v", got)
	}
	// The number of trees does not depend on the order, and is that of the
	// plain double loop.
	var mesh []geo.XY
	random := rand.New(rand.NewPCG(1, 2))
	for range 400 {
		mesh = append(mesh, geo.XY{X: random.Float64() * 0.3, Y: random.Float64() * 0.3})
	}
	plain := 0
	for i, p := range mesh {
		for j, q := range mesh {
			if i != j && p.Distance(q) <= 0.01 {
				plain++
				break
			}
		}
	}
	if plain == 0 || plain == len(mesh) {
		t.Fatalf("the mesh shows nothing: %d", plain)
	}
	if got := sharedPlaces(mesh, 0.01); got.Trees != plain {
		t.Errorf("got %d trees, the double loop %d", got.Trees, plain)
	}
	for i, j := 0, len(mesh)-1; i < j; i, j = i+1, j-1 {
		mesh[i], mesh[j] = mesh[j], mesh[i]
	}
	if got := sharedPlaces(mesh, 0.01); got.Trees != plain {
		t.Errorf("backwards: %d trees, not %d", got.Trees, plain)
	}
}

// The same records give the same sentences.
func TestSentencesAreStable(t *testing.T) {
	run := func() string {
		cols, _ := mustBind(t, schemaOf("TREEID", "DBH", "STOCK", "CONDITION", "STATUS", "TEXTURE"), bindOptions{})
		for i := range 200 {
			cols.tree(textFeature(int64(i+1), fmt.Sprint(i%7), fmt.Sprintf("%d-%d", i, i+2), fmt.Sprintf("kind %d", i%5), fmt.Sprint(i%6), fmt.Sprintf("word %d", i%9), "mud"))
		}
		return strings.Join(cols.census.sentences(), "\n")
	}
	if a, b := run(), run(); a != b || a == "" {
		t.Errorf("%s\n\n%s", a, b)
	}
}

func BenchmarkTree(b *testing.B) {
	cols, _ := mustBind(b, schemaOf("TREEID", "SPECIES", "COMMON_NAME", "DBH_CM", "HEIGHT_M", "CROWN_SPREAD", "PLANT_DATE", "TREE_STATUS", "CONDITION", "STOCK_TYPE", "STREET"), bindOptions{Year: 2026})
	features := make([]*layer.Feature, 1000)
	for i := range features {
		features[i] = textFeature(int64(i+1), fmt.Sprintf("T%d", i), "Acer rubrum", "red maple", fmt.Sprint(5+i%90), "9.5", "7.2", "2015-04-03", "Active", "Good", "bare root", "Elm Street")
	}
	i := 0
	b.ReportAllocs()
	for b.Loop() {
		cols.tree(features[i%len(features)])
		if i++; i%len(features) == 0 {
			clear(cols.seen)
		}
	}
}
