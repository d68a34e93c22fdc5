package risk

import "testing"

func TestPlantingSeason(t *testing.T) {
	for _, c := range []struct {
		year         Maybe[int]
		month        int
		season       string
		north, south string
	}{
		{Known(2012), 4, "", "2012 spring", "2012 autumn"},
		{Known(2012), 12, "", "2013 winter", "2013 summer"},
		{Known(2012), 2, "", "2012 winter", "2012 summer"},
		{Known(2012), 10, "", "2012 autumn", "2012 spring"},
		{Known(2012), 0, "autumn", "2012 autumn", "2012 autumn"},
		{Known(2012), 0, "", "2012", "2012"},
		{Known(2012), 0, "2012/13 dormant", "2012/13 dormant", "2012/13 dormant"},
		{Maybe[int]{}, 0, "spring", "spring", "spring"},
		{Maybe[int]{}, 0, "", "", ""},
	} {
		tree := Tree{PlantedYear: c.year, PlantedMonth: c.month, Season: c.season}
		if got := PlantingSeason(&tree, false); got != c.north {
			t.Errorf("%+v in the north: %q", c, got)
		}
		if got := PlantingSeason(&tree, true); got != c.south {
			t.Errorf("%+v in the south: %q", c, got)
		}
		if tree.PlantedYear != c.year {
			t.Error("the tree was changed")
		}
	}
}
