package soil_test

import (
	"fmt"

	"soilshed/risk/soil"
)

// FAO-56 example 8 (chapter 3): extraterrestrial radiation, 3 September at 20
// degrees south.
func ExampleSunOn() {
	s := soil.SunOn(-20, 246)
	fmt.Printf("dr %.3f  d %.3f rad  ws %.3f rad  Ra %.1f MJ/m2/d\n", s.DistanceRel, s.DeclRad, s.SunsetRad, s.RaMJ)
	// Output: dr 0.985  d 0.120 rad  ws 1.527 rad  Ra 32.2 MJ/m2/d
}

// FAO-56 example 9 (chapter 3): daylight hours of the same day.
func ExampleSunOn_daylight() {
	fmt.Printf("N %.1f h\n", soil.SunOn(-20, 246).DaylightH)
	// Output: N 11.7 h
}

// FAO-56 example 10 (chapter 3): solar radiation from 220 h of sunshine in May,
// Rio de Janeiro; Ra and N as printed there.
func ExampleSolarSunshineMJ() {
	rio := soil.Sun{RaMJ: 25.1, DaylightH: 10.9}
	fmt.Printf("Rs %.2f MJ/m2/d\n", soil.SolarSunshineMJ(7.1, rio))
	// Output: Rs 14.45 MJ/m2/d
}

// FAO-56 example 14 (chapter 3): wind of 3.2 m/s at 10 m, brought to 2 m.
func ExampleWind2M() {
	fmt.Printf("u2 %.1f m/s\n", soil.Wind2M(3.2, 10))
	// Output: u2 2.4 m/s
}

// FAO-56 example 17 (chapter 4): Bangkok, 13 degrees 44 minutes N, 2 m, April:
// monthly means.
func ExamplePenmanMonteith() {
	const tmin, tmax, ea = 25.6, 34.8, 2.85
	s := soil.SunOn(13+44./60, 105)
	rs := soil.SolarSunshineMJ(8.5, s)
	rn := soil.NetShortMJ(rs) - soil.NetLongMJ(tmin, tmax, ea, rs, soil.ClearSkyMJ(2, s))
	g := 0.14 * ((tmin+tmax)/2 - 29.2) // eq. 43
	eto := soil.PenmanMonteith(soil.Air{
		TmeanC: (tmin + tmax) / 2, EsKPa: soil.MeanSaturationKPa(tmin, tmax), EaKPa: ea,
		U2MS: 2, RnMJ: rn, GMJ: g, ZM: 2,
	})
	fmt.Printf("Ra %.2f  Rs %.2f  Rn %.2f  G %.2f MJ/m2/d  ETo %.2f mm/d\n", s.RaMJ, rs, rn, g, eto)
	// Output: Ra 38.06  Rs 22.65  Rn 14.33  G 0.14 MJ/m2/d  ETo 5.72 mm/d
}

// FAO-56 example 18 (chapter 4): Uccle, 50 degrees 48 minutes N, 100 m, 6 July.
func ExampleETo() {
	d := soil.Blank(soil.Date(2015, 7, 6)) // day 187 of the year
	d.TminC, d.TmaxC = 12.3, 21.5
	d.RHMinPct, d.RHMaxPct = 63, 84
	d.WindMS = 10 / 3.6 // 10 km/h at 10 m
	d.SunH = 9.25
	mm, how := soil.ETo(d, soil.Station{LatDeg: 50.8, HeightM: 100})
	fmt.Printf("ETo %.1f mm/d (%.2f) by %v\n", mm, mm, how)

	s := soil.SunOn(50.8, 187)
	rs, ea := soil.SolarSunshineMJ(9.25, s), soil.VapourRHKPa(12.3, 21.5, 63, 84)
	clear := soil.ClearSkyMJ(100, s)
	fmt.Printf("u2 %.3f m/s  P %.1f  g %.4f  D %.3f  es %.3f  ea %.3f\n", soil.Wind2M(10/3.6, 10),
		soil.PressureKPa(100), soil.PsychrometricKPaC(soil.PressureKPa(100)),
		soil.SlopeKPaC(16.9), soil.MeanSaturationKPa(12.3, 21.5), ea)
	fmt.Printf("Ra %.2f  N %.1f  Rs %.2f  Rso %.2f  Rns %.2f  Rnl %.2f\n",
		s.RaMJ, s.DaylightH, rs, clear, soil.NetShortMJ(rs), soil.NetLongMJ(12.3, 21.5, ea, rs, clear))
	// Output:
	// ETo 3.9 mm/d (3.88) by Penman-Monteith (FAO-56 eq. 6)
	// u2 2.078 m/s  P 100.1  g 0.0666  D 0.122  es 1.997  ea 1.409
	// Ra 41.09  N 16.1  Rs 22.07  Rso 30.90  Rns 17.00  Rnl 3.71
}

// FAO-56 example 20 (chapter 4): Lyon, 45 degrees 43 minutes N, 200 m, July,
// with temperatures alone: dew point = Tmin, radiation from the range (kRs
// 0.16), wind 2 m/s; and by Hargreaves.
func ExampleHargreaves() {
	const tmin, tmax = 14.8, 26.6
	s := soil.SunOn(45+43./60, 196)
	rs, ea := soil.SolarRangeMJ(tmin, tmax, 0.16, s), soil.SaturationKPa(tmin)
	air := soil.Air{
		TmeanC: (tmin + tmax) / 2, EsKPa: soil.MeanSaturationKPa(tmin, tmax), EaKPa: ea, U2MS: 2, ZM: 200,
		RnMJ: soil.NetShortMJ(rs) - soil.NetLongMJ(tmin, tmax, ea, rs, soil.ClearSkyMJ(200, s)),
	}
	fmt.Printf("ea %.2f kPa  Ra %.1f  Rs %.1f MJ/m2/d\n", ea, s.RaMJ, rs)
	fmt.Printf("ETo %.1f mm/d; Hargreaves %.1f mm/d\n", soil.PenmanMonteith(air), soil.Hargreaves(tmin, tmax, s))
	at := func(u2 float64) float64 { air.U2MS = u2; return soil.PenmanMonteith(air) }
	fmt.Printf("wind 1 m/s: %+.0f %%, 3 m/s: %+.0f %%\n", 100*(at(1)/at(2)-1), 100*(at(3)/at(2)-1))
	// Output:
	// ea 1.68 kPa  Ra 40.6  Rs 22.3 MJ/m2/d
	// ETo 4.6 mm/d; Hargreaves 5.0 mm/d
	// wind 1 m/s: -7 %, 3 m/s: +6 %
}

// FAO-56 example 36 (chapter 8): readily available water of onion, tomato and
// maize on three soils, mm.
func ExampleTAWmm() {
	soils := []struct {
		name   string
		fc, wp float64
	}{{"loamy sand", .15, .06}, {"silt", .32, .15}, {"silty clay", .35, .23}}
	for _, crop := range []struct {
		name  string
		zr, p float64
	}{{"onion", 0.4, 0.30}, {"tomato", 0.8, 0.40}, {"maize", 1.2, 0.55}} {
		fmt.Printf("%-7s", crop.name)
		for _, s := range soils {
			fmt.Printf("%4.0f", crop.p*soil.TAWmm(s.fc, s.wp, crop.zr))
		}
		fmt.Println()
	}
	// Output:
	// onion    11  20  14
	// tomato   29  54  38
	// maize    59 112  79
}

// FAO-56 example 37 (chapter 8): tomato on a silt loam without rain, depletion
// 55 mm at the start: stress coefficient, evapotranspiration and depletion of
// ten days.
func ExampleBucket_Step() {
	b := soil.Bucket{TAW: soil.TAWmm(.32, .12, 0.8), P: 0.40, Dr: 55}
	fmt.Printf("TAW %.0f RAW %.0f mm\n", b.TAW, b.P*b.TAW)
	for day := 1; day <= 10; day++ {
		ks := b.Stress()
		used, _ := b.Step(0, 1.2*5)
		fmt.Printf("%d: Ks %.2f  ETc %.2f  Dr %.1f\n", day, ks, used, b.Dr)
	}
	// Output:
	// TAW 160 RAW 64 mm
	// 1: Ks 1.00  ETc 6.00  Dr 61.0
	// 2: Ks 1.00  ETc 6.00  Dr 67.0
	// 3: Ks 0.97  ETc 5.81  Dr 72.8
	// 4: Ks 0.91  ETc 5.45  Dr 78.3
	// 5: Ks 0.85  ETc 5.11  Dr 83.4
	// 6: Ks 0.80  ETc 4.79  Dr 88.2
	// 7: Ks 0.75  ETc 4.49  Dr 92.6
	// 8: Ks 0.70  ETc 4.21  Dr 96.9
	// 9: Ks 0.66  ETc 3.95  Dr 100.8
	// 10: Ks 0.62  ETc 3.70  Dr 104.5
}

// Lindsey & Bassuk 1991: the worked example as a drought of ten days.
func ExampleDrought() {
	const ft = 0.3048
	b := soil.PublishedBudget(soil.CrownAreaM2(20 * ft))
	mm, _ := soil.Drought(10, b.DemandMmD()).StorageThrough(0, 0)
	v := mm / 1000 * b.CrownM2 / b.AWC
	fmt.Printf("%.1f mm, %.0f ft3; by the formula %.0f ft3\n", mm, v/(ft*ft*ft), soil.NeedWaterM3(b)/(ft*ft*ft))
	// The paper prints 220, rounded.
	// Output: 40.7 mm, 221 ft3; by the formula 221 ft3
}
