package soil

import "math"

// Limit is the dry bulk density, g/cm3, that stops roots, with the spread of
// what is published.
type Limit struct {
	GCm3   float64 // the row that is used: NRCS, "restricts root growth"
	Lo, Hi float64 // lowest and highest of the published families
}

// RootLimit is the root-limiting bulk density of a texture class. Families of
// published values disagree by up to 0.35 g/cm3 for a silt loam (the lower end
// of the Florida range is where growth falls off, the NRCS value where it
// stops): texture.csv says which row was taken, Lo and Hi hold the others.
// Zeros for NoTexture.
//
// Sources: NRCS soil quality indicator on compaction, as quoted in the
// Minnesota stormwater manual; Univ. of Florida (after Harris 1990; Morris &
// Lowery 1988); Daddow & Warrington 1983 lies between them.
func RootLimit(t Texture) Limit {
	if t > Clay {
		return Limit{}
	}
	return textureRows[t].limit
}

// Layer is a horizon of a soil.
type Layer struct {
	TopM        float64 // depth of its upper face, m
	Texture     Texture
	DensityGCm3 float64 // dry bulk density; 0 where it was not measured
}

// UsableDepthM is the depth in metres to which roots may be counted: to the
// restrictive layer (+Inf for none), to the top of the first layer denser than
// its texture's root limit, and no deeper than maxM; never below 0.
func UsableDepthM(restrictiveM, maxM float64, layers ...Layer) float64 {
	d := math.Min(restrictiveM, maxM)
	for _, l := range layers {
		if limit := RootLimit(l.Texture).GCm3; limit > 0 && l.DensityGCm3 > limit {
			d = math.Min(d, l.TopM)
		}
	}
	return math.Max(0, d)
}
