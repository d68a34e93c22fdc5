package soil

import "math"

// Reference evapotranspiration after FAO-56, chapters 2 to 4. The equation
// numbers are those of the paper; temperatures in degrees C, pressures in kPa,
// radiation in MJ per m2 and day, wind in m/s, latitude in degrees (south
// negative), heights in m above sea level.

// PressureKPa is the mean air pressure at height zM. Eq. 7.
func PressureKPa(zM float64) float64 {
	return 101.3 * math.Pow((293-0.0065*zM)/293, 5.26)
}

// PsychrometricKPaC is the psychrometric constant, kPa per degree. Eq. 8.
func PsychrometricKPaC(pressureKPa float64) float64 { return 0.665e-3 * pressureKPa }

// SaturationKPa is the saturation vapour pressure at tC. Eq. 11.
func SaturationKPa(tC float64) float64 { return 0.6108 * math.Exp(17.27*tC/(tC+237.3)) }

// SlopeKPaC is the slope of the saturation vapour pressure at tC. Eq. 13.
func SlopeKPaC(tC float64) float64 {
	return 4098 * SaturationKPa(tC) / ((tC + 237.3) * (tC + 237.3))
}

// VapourRHKPa is the actual vapour pressure from the day's extremes of
// temperature and relative humidity (percent). Eq. 17.
func VapourRHKPa(tminC, tmaxC, rhMinPct, rhMaxPct float64) float64 {
	return (SaturationKPa(tminC)*rhMaxPct + SaturationKPa(tmaxC)*rhMinPct) / 200
}

// Sun is the sun over a latitude on a day of the year.
type Sun struct {
	DistanceRel float64 // dr, inverse relative distance earth-sun, eq. 23
	DeclRad     float64 // solar declination, eq. 24
	SunsetRad   float64 // ws, sunset hour angle, eq. 25
	RaMJ        float64 // extraterrestrial radiation, eq. 21
	DaylightH   float64 // N, eq. 34
}

// SunOn computes the sun for day J of the year (1 to 366). Beyond the polar
// circles it gives the polar night and day.
func SunOn(latDeg float64, J int) Sun {
	phi := latDeg * math.Pi / 180
	dr := 1 + 0.033*math.Cos(2*math.Pi*float64(J)/365)
	d := 0.409 * math.Sin(2*math.Pi*float64(J)/365-1.39)
	ws := math.Acos(math.Max(-1, math.Min(1, -math.Tan(phi)*math.Tan(d))))
	ra := 24 * 60 / math.Pi * 0.0820 * dr *
		(ws*math.Sin(phi)*math.Sin(d) + math.Cos(phi)*math.Cos(d)*math.Sin(ws))
	return Sun{dr, d, ws, math.Max(0, ra), 24 * ws / math.Pi}
}

// SolarSunshineMJ is the solar radiation for nH hours of bright sunshine. Eq. 35.
func SolarSunshineMJ(nH float64, s Sun) float64 {
	return (0.25 + 0.50*nH/s.DaylightH) * s.RaMJ
}

// SolarRangeMJ is the solar radiation from the day's range of temperature; k is
// 0.16 inland and 0.19 on a coast. Eq. 50.
func SolarRangeMJ(tminC, tmaxC, k float64, s Sun) float64 {
	return k * math.Sqrt(math.Max(0, tmaxC-tminC)) * s.RaMJ
}

// ClearSkyMJ is the radiation under a clear sky at height zM. Eq. 37.
func ClearSkyMJ(zM float64, s Sun) float64 { return (0.75 + 2e-5*zM) * s.RaMJ }

// NetShortMJ is the net short-wave radiation of the reference grass. Eq. 38.
func NetShortMJ(solarMJ float64) float64 { return 0.77 * solarMJ }

// NetLongMJ is the net outgoing long-wave radiation; solar over clear sky is
// held to 1 and below. Eq. 39.
func NetLongMJ(tminC, tmaxC, eaKPa, solarMJ, clearMJ float64) float64 {
	k4 := func(tC float64) float64 { return math.Pow(tC+273.16, 4) }
	cloud := 0.0
	if clearMJ > 0 {
		cloud = math.Min(1, solarMJ/clearMJ)
	}
	return 4.903e-9 * (k4(tminC) + k4(tmaxC)) / 2 *
		(0.34 - 0.14*math.Sqrt(math.Max(0, eaKPa))) * (1.35*cloud - 0.35)
}

// Wind2M brings a wind measured at height zM to 2 m. Eq. 47.
func Wind2M(uMS, zM float64) float64 { return uMS * 4.87 / math.Log(67.8*zM-5.42) }

// Air is what the Penman-Monteith equation asks of a day.
type Air struct {
	TmeanC float64 // mean of the day's extremes
	EsKPa  float64 // mean saturation vapour pressure, eq. 12
	EaKPa  float64 // actual vapour pressure
	U2MS   float64 // wind at 2 m
	RnMJ   float64 // net radiation
	GMJ    float64 // soil heat flux; 0 for a day
	ZM     float64 // height above the sea
}

// PenmanMonteith is the reference evapotranspiration, mm per day. Eq. 6.
func PenmanMonteith(a Air) float64 {
	D, g := SlopeKPaC(a.TmeanC), PsychrometricKPaC(PressureKPa(a.ZM))
	return (0.408*D*(a.RnMJ-a.GMJ) + g*900/(a.TmeanC+273)*a.U2MS*(a.EsKPa-a.EaKPa)) /
		(D + g*(1+0.34*a.U2MS))
}

// MeanSaturationKPa is the mean saturation vapour pressure of a day. Eq. 12.
func MeanSaturationKPa(tminC, tmaxC float64) float64 {
	return (SaturationKPa(tminC) + SaturationKPa(tmaxC)) / 2
}

// Hargreaves is the reference evapotranspiration, mm per day, from temperature
// alone. Eq. 52.
func Hargreaves(tminC, tmaxC float64, s Sun) float64 {
	return math.Max(0, 0.0023*((tminC+tmaxC)/2+17.8)*math.Sqrt(math.Max(0, tmaxC-tminC))*0.408*s.RaMJ)
}

// Station is where the weather was measured.
type Station struct {
	LatDeg  float64 // south negative
	HeightM float64 // above the sea
	WindM   float64 // height of the wind gauge; 0 for the standard 10 m
}

// Method is how the reference evapotranspiration of a day was found.
type Method uint8

const (
	ByHargreaves Method = iota
	ByPenmanMonteith
)

// String is the name of the method.
func (m Method) String() string {
	return [...]string{"Hargreaves (FAO-56 eq. 52)", "Penman-Monteith (FAO-56 eq. 6)"}[min(m, ByPenmanMonteith)]
}

// AssumedWindMS is the wind at 2 m where none was measured: FAO-56, chapter 3,
// the mean of over 2000 stations.
const AssumedWindMS = 2

// ETo is the reference evapotranspiration of a day, mm, and how it was found:
// Penman-Monteith where radiation or sunshine and the humidity were measured
// (a missing wind is AssumedWindMS), Hargreaves otherwise.
func ETo(d Day, at Station) (mm float64, how Method) {
	s := SunOn(at.LatDeg, d.Date.YearDay())
	solar, ea := math.NaN(), math.NaN()
	switch {
	case !math.IsNaN(d.SolarMJ):
		solar = d.SolarMJ
	case !math.IsNaN(d.SunH) && s.DaylightH > 0:
		solar = SolarSunshineMJ(math.Min(d.SunH, s.DaylightH), s)
	}
	switch {
	case !math.IsNaN(d.DewC): // eq. 14
		ea = SaturationKPa(d.DewC)
	case !math.IsNaN(d.RHMinPct) && !math.IsNaN(d.RHMaxPct):
		ea = VapourRHKPa(d.TminC, d.TmaxC, d.RHMinPct, d.RHMaxPct)
	case !math.IsNaN(d.RHMeanPct): // eq. 19
		ea = d.RHMeanPct / 100 * MeanSaturationKPa(d.TminC, d.TmaxC)
	}
	if math.IsNaN(solar) || math.IsNaN(ea) {
		return Hargreaves(d.TminC, d.TmaxC, s), ByHargreaves
	}
	u2 := float64(AssumedWindMS)
	if !math.IsNaN(d.WindMS) {
		zM := at.WindM
		if zM <= 0 {
			zM = 10
		}
		u2 = Wind2M(d.WindMS, zM)
	}
	es := MeanSaturationKPa(d.TminC, d.TmaxC)
	rn := NetShortMJ(solar) - NetLongMJ(d.TminC, d.TmaxC, ea, solar, ClearSkyMJ(at.HeightM, s))
	return math.Max(0, PenmanMonteith(Air{
		TmeanC: (d.TminC + d.TmaxC) / 2, EsKPa: es, EaKPa: math.Min(ea, es),
		U2MS: u2, RnMJ: rn, ZM: at.HeightM,
	})), ByPenmanMonteith
}

// Reference is the reference evapotranspiration of every day of a series, mm,
// by one method for all, lest a change of method look like weather:
// Penman-Monteith when at least 95 % of the days allow it (the rest by
// Hargreaves), else Hargreaves for all. It returns the method and the number of
// days that fell back. A missing day has 0.
func Reference(days []Day, at Station) (mm []float64, how Method, fellBack int) {
	mm = make([]float64, len(days))
	n := 0
	for i, d := range days {
		if d.Missing {
			continue
		}
		n++
		var m Method
		if mm[i], m = ETo(d, at); m == ByHargreaves {
			fellBack++
		}
	}
	if 20*fellBack <= n {
		return mm, ByPenmanMonteith, fellBack
	}
	for i, d := range days {
		if !d.Missing {
			mm[i] = Hargreaves(d.TminC, d.TmaxC, SunOn(at.LatDeg, d.Date.YearDay()))
		}
	}
	return mm, ByHargreaves, 0
}
