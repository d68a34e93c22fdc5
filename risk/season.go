package risk

import (
	"strconv"
	"strings"
)

// seasons by the month, from December on, in the northern half of the earth.
var seasons = [...]string{"winter", "spring", "summer", "autumn"}

// PlantingSeason names the season in which a tree was planted, as those planted
// together are grouped by: "2012 spring" where year and season are known, the
// year or the season alone where the other is not, "" where neither is. The
// season is the one recorded, else that of the month; in the south the year's
// half is turned. December goes with the winter (the summer, in the south) that
// it begins. A recorded season with a number in it is a name of its own.
func PlantingSeason(t *Tree, south bool) string {
	name, year := t.Season, t.PlantedYear
	if strings.ContainsAny(name, "0123456789") {
		return name
	}
	if name == "" && t.PlantedMonth >= 1 && t.PlantedMonth <= 12 {
		k := t.PlantedMonth % 12 / 3
		if south {
			k = (k + 2) % 4
		}
		name = seasons[k]
		if t.PlantedMonth == 12 {
			year.Value++
		}
	}
	switch {
	case !year.Known:
		return name
	case name == "":
		return strconv.Itoa(year.Value)
	}
	return strconv.Itoa(year.Value) + " " + name
}
