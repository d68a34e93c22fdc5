package risk

import (
	"fmt"
	"sync"

	"soilshed/risk/collar"
	"soilshed/risk/soil"
	"soilshed/risk/species"
	"soilshed/risk/wind"
)

// NeedRule is the rule by which a tree's need decides its class.
type NeedRule uint8

const (
	NeedCrown    NeedRule = iota // volume per area of crown projection
	NeedWater                    // the published water-use budget
	NeedStandard                 // a municipality's table by mature size
	NeedClimate                  // what the weather file asks for
	needRules
)

var needRuleNames = [needRules]string{"crown", "water", "standard", "climate"}

func (r NeedRule) String() string { return needRuleNames[r] }

// ParseNeedRule finds a rule by its name.
func ParseNeedRule(s string) (NeedRule, error) {
	for i, n := range needRuleNames {
		if s == n {
			return NeedRule(i), nil
		}
	}
	return 0, fmt.Errorf("no rule of need is called %q: crown, water, standard or climate", s)
}

// Settings are what the person who runs an assessment may set.
type Settings struct {
	// Year is the year for which trees are assessed.
	Year int
	// South of the equator the seasons are turned.
	South bool
	// ReachM sets one reach for all trees; 0 takes ReachPerDBH x DBH, held
	// between LeastReachM and MostReachM.
	ReachM                               float64
	ReachPerDBH, LeastReachM, MostReachM float64

	Need      NeedRule
	Bounds    soil.Bounds
	CrownM3M2 float64 // of NeedCrown
	// Budget holds the climate of NeedWater: LAI, PanMmD, Ratio and Days.
	Budget   soil.Budget
	Standard soil.Standard
	// MaxDryDays is how many dry days in a mean season NeedClimate allows.
	MaxDryDays float64

	// Texture stands where no soil texture is known, and AWC, when above 0,
	// for the available water capacity of every soil.
	Texture soil.Texture
	AWC     float64
	// Runoff is the part of the rain on paving within reach that drains to the
	// opening.
	Runoff float64
	// WindLoad multiplies the load of the wind-tunnel figures, WindLoadSpread is the
	// standard deviation of its logarithm; 1 and 0 take the figures as they are.
	WindLoad, WindLoadSpread float64
	// WindLoadSize is the power of the DBH, over 40 cm, by which that factor goes,
	// and WindLoadSizeSpread its standard deviation; 0 and 0 take the figures as
	// they are.
	WindLoadSize, WindLoadSizeSpread float64
	// RootsCutYears is for how long sidewalk or kerb work beside a tree counts
	// as cut roots.
	RootsCutYears int
}

// DefaultSettings are those of soilshed's design.
func DefaultSettings(year int) Settings {
	return Settings{
		Year: year,
		// A foot for an inch of DBH, not less than 3 m nor more than 9 m: common
		// practice, no source.
		ReachPerDBH: 12, LeastReachM: 3, MostReachM: 9,
		Bounds:    soil.DefaultBounds,
		CrownM3M2: soil.CrownRatioM3M2,
		Budget:    soil.PublishedBudget(0),
		Standard:  soil.Standards[0],
		// A month of a season: common practice, no source.
		MaxDryDays: 30,
		// Loam: what planting soils are commonly specified as; common practice,
		// no source.
		Texture:  soil.Loam,
		WindLoad: wind.SurveyedLoad, WindLoadSpread: wind.SurveyedLoadSpread,
		WindLoadSize: wind.SurveyedSize, WindLoadSizeSpread: wind.SurveyedSizeSpread,
		// Setting, no source: roots cut longer ago are taken to have grown again
		// or to have felled the tree.
		RootsCutYears: 10,
	}
}

// Model is a method ready to assess trees. It is only read, by any number of
// goroutines.
type Model struct {
	Settings
	Evidence *collar.Evidence
	Wind     wind.Climate
	girdling *wind.Girdling
	// water answers for each kind of leaf; nil without a weather file.
	water *[3]lazyTable
	// typical is the median DBH in cm of the inventory by genus, "" for all.
	typical map[string]float64
	names   sync.Map // species by name
}

// NewModel prepares a model. days and etoMM are the weather and its reference
// evapotranspiration; no days leave the water of the season unknown.
func NewModel(s Settings, e *collar.Evidence, w wind.Climate, days []soil.Day, etoMM []float64) (*Model, error) {
	w.Load, w.LoadSpread = s.WindLoad, s.WindLoadSpread
	w.Size, w.SizeSpread = s.WindLoadSize, s.WindLoadSizeSpread
	m := &Model{Settings: s, Evidence: e, Wind: w.Prepare()}
	held := collar.ShareDistribution(true)
	nodes := make([]wind.SectionNode, len(held))
	for i, h := range held {
		nodes[i] = wind.SectionNode{ShareOfCircumference: h.Share, DepthFraction: h.Depth, Weight: h.Weight}
	}
	m.girdling = wind.NewGirdling(nodes)
	if len(days) == 0 {
		if s.Need == NeedClimate {
			return nil, fmt.Errorf("the rule of need climate asks for a weather file (--weather)")
		}
		return m, nil
	}
	m.water = new([3]lazyTable)
	for leaf := range m.water {
		l := species.Leaf(leaf)
		c, err := soil.NewClimate(days, etoMM, soil.DefaultLeafing(l != species.Deciduous, l == species.Conifer))
		if err != nil {
			return nil, err
		}
		m.water[leaf].climate = c
	}
	return m, nil
}

// WaterOf lets the model answer for the water of the season with the tables of
// another whose weather and station are the same, so that they are solved once.
// It must be called while neither is shared.
func (m *Model) WaterOf(other *Model) { m.water = other.water }

// lazyTable is solved when the first tree of its kind asks.
type lazyTable struct {
	climate *soil.Climate
	once    sync.Once
	table   *soil.Table
}

func (l *lazyTable) get() *soil.Table {
	l.once.Do(func() { l.table = soil.NewTable(l.climate) })
	return l.table
}

// HasWater tells whether the water of the season is computed.
func (m *Model) HasWater() bool { return m.water != nil }
