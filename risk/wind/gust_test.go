package wind

import (
	"math"
	"strconv"
	"strings"
	"testing"
)

func near(t *testing.T, what string, got, want, tol float64) {
	t.Helper()
	if !(math.Abs(got-want) <= tol) {
		t.Errorf("%s = %.7g, want %.7g within %g", what, got, want, tol)
	}
}

// The return levels of a Gumbel distribution are closed forms: mu 30, beta 4.
func TestGumbelReturnLevels(t *testing.T) {
	g := Gumbel{30, 4}
	for _, c := range []struct{ years, want float64 }{
		{2, 31.466}, {10, 39.001}, {50, 45.608}, {100, 48.401}, {700, 56.201},
	} {
		near(t, "x"+strconv.Itoa(int(c.years)), g.Return(c.years), c.want, 0.0005)
		near(t, "exceedance", g.Exceedance(g.Return(c.years)), 1/c.years, 1e-12)
	}
}

// Method of moments from a mean of 20 and a standard deviation of 3:
// beta 2.33909, mu 18.64984, x50 27.77683, K50 2.59228.
func TestGumbelByMoments(t *testing.T) {
	// Five values with that mean and that sample standard deviation.
	x := []float64{-2, -1, 0, 1, 2}
	for i := range x {
		x[i] = 20 + x[i]*3/math.Sqrt(2.5)
	}
	g, err := FitMoments(x)
	if err != nil {
		t.Fatal(err)
	}
	near(t, "beta", g.BetaMS, 2.33909, 1e-5)
	near(t, "mu", g.MuMS, 18.64984, 1e-5)
	near(t, "x50", g.Return(50), 27.77683, 1e-5)
	near(t, "K50", (g.Return(50)-20)/3, 2.59228, 1e-5)
}

// Encounter over 50 years: T 50/300/700/1700/3000 give 63.6/15.4/6.9/2.9/1.65 %.
func TestEncounter(t *testing.T) {
	for _, c := range []struct{ years, want, tol float64 }{
		{50, .636, .0005}, {300, .154, .0005}, {700, .069, .0005}, {1700, .029, .0005}, {3000, .0165, .00005},
	} {
		near(t, "encounter", Encounter(c.years, 50), c.want, c.tol)
	}
	near(t, "T 1", Encounter(1, 3), 1, 0)
}

// ASCE 7 commentary: V_T/V_50 and its published conversion table in miles per
// hour, rounded to 5; all 28 cells.
func TestASCE7ConversionTable(t *testing.T) {
	for _, c := range []struct{ years, want float64 }{
		{10, .8387}, {25, .9304}, {50, .9997}, {100, 1.0690}, {300, 1.1789}, {700, 1.2636}, {1700, 1.3523}, {3000, 1.4091},
	} {
		near(t, "ratio", GustRatio(c.years), c.want, 0.00005)
	}
	years := []float64{300, 700, 1700, 3000}
	for v50, row := range map[float64][4]float64{
		90: {105, 115, 120, 125}, 100: {120, 125, 135, 140}, 110: {130, 140, 150, 155}, 120: {140, 150, 160, 170},
		130: {155, 165, 175, 185}, 140: {165, 175, 190, 195}, 180: {210, 225, 245, 255},
	} {
		for i, want := range row {
			if got := 5 * math.Round(v50*GustRatio(years[i])/5); got != want {
				t.Errorf("V50 %v mph, %v years: %v mph, printed %v", v50, years[i], got, want)
			}
		}
	}
}

func TestFromDesignReturnsTheDesignGust(t *testing.T) {
	for _, c := range []struct{ v, years, tol float64 }{
		// Gumbel and the commentary's line differ by ln(-ln(1-1/T)) against -ln(T).
		{40, 50, 0.05}, {51, 700, 0.01}, {30, 10, 0.2},
	} {
		near(t, "design gust", FromDesign(c.v, c.years).Return(c.years), c.v, c.tol)
	}
}

func TestFitsAgreeWithScipy(t *testing.T) {
	for _, row := range reference(t, "wind-lmoments.csv") {
		var x []float64
		for _, s := range strings.Split(row["maxima"], ";") {
			x = append(x, number(t, s))
		}
		l, err := FitLMoments(x)
		if err != nil {
			t.Fatal(err)
		}
		m, err := FitMoments(x)
		if err != nil {
			t.Fatal(err)
		}
		near(t, "mu by L-moments", l.MuMS, number(t, row["mu_l"]), 1e-9)
		near(t, "beta by L-moments", l.BetaMS, number(t, row["beta_l"]), 1e-9)
		near(t, "mu by moments", m.MuMS, number(t, row["mu_m"]), 1e-9)
		near(t, "beta by moments", m.BetaMS, number(t, row["beta_m"]), 1e-9)
		near(t, "x50", l.Return(50), number(t, row["x50"]), 1e-8)
		near(t, "P(35)", l.Exceedance(35), number(t, row["p35"]), 1e-10)
	}
}

func TestReturnIntervalIsRepeatableHoldsTheFitAndShrinks(t *testing.T) {
	long := make([]float64, 0, 100)
	for i := range 100 { // quantiles of mu 25, beta 3
		long = append(long, Gumbel{25, 3}.Return(1/(1-(float64(i)+0.5)/100)))
	}
	short := []float64{long[5], long[50], long[90], long[30], long[70], long[98], long[15], long[60]}
	width := func(x []float64) float64 {
		g, err := FitLMoments(x)
		if err != nil {
			t.Fatal(err)
		}
		lo, hi, err := ReturnInterval(x, 50, 7)
		if err != nil {
			t.Fatal(err)
		}
		lo2, hi2, _ := ReturnInterval(x, 50, 7)
		if lo != lo2 || hi != hi2 {
			t.Errorf("the same seed gave %v..%v and %v..%v", lo, hi, lo2, hi2)
		}
		if !(lo < g.Return(50) && g.Return(50) < hi) {
			t.Errorf("interval %v..%v does not hold the estimate %v", lo, hi, g.Return(50))
		}
		return hi - lo
	}
	if w, n := width(short), width(long); !(w > 2*n) {
		t.Errorf("8 years give an interval of %.2f m/s, 100 years %.2f: want the first far wider", w, n)
	}
	// Asymptotic: the bootstrap's 80 % interval for n = 100 is near 2*1.2816
	// standard errors; for Gumbel L-moments the variance of x_T is about
	// beta^2/n*(1.11+0.46*y+0.80*y^2), y the reduced variate (Phien 1987, from
	// memory; sampling the fixed quantiles leaves some play).
	y := 3.9019
	want := 2 * 1.2816 * 3 / 10 * math.Sqrt(1.11+0.46*y+0.80*y*y)
	if n := width(long); n < 0.8*want || n > 1.2*want {
		t.Errorf("100 years give an interval of %.2f m/s, theory says about %.2f", n, want)
	}
}

func TestUnfitMaximaAreRefused(t *testing.T) {
	for name, x := range map[string][]float64{
		"few": {20, 21, 22, 23}, "same": {20, 20, 20, 20, 20}, "NaN": {20, 21, math.NaN(), 23, 24},
		"negative": {20, -21, 22, 23, 24}, "miles an hour times ten": {200, 210, 220, 230, 240},
	} {
		if _, err := FitLMoments(x); err == nil {
			t.Errorf("%s: L-moments accept %v", name, x)
		}
		if _, err := FitMoments(x); err == nil {
			t.Errorf("%s: moments accept %v", name, x)
		}
		if _, _, err := ReturnInterval(x, 50, 1); err == nil {
			t.Errorf("%s: interval accepts %v", name, x)
		}
	}
}

// ASCE 7-16 table 26.10-1: Kz at 15 ft is .575/.849/1.030 by its formula, at 50 ft
// .81/1.09/1.27 as printed.
func TestExposureCoefficients(t *testing.T) {
	for i, want := range []float64{.575, .849, 1.030} {
		near(t, "Kz 4.57 m", Terrain(i).Kz(4.57), want, 0.0005)
	}
	for i, want := range []float64{.81, 1.09, 1.27} {
		near(t, "Kz 15.24 m", Terrain(i).Kz(15.24), want, 0.005)
	}
	near(t, "station on station", Open.StreetFactor(10), 1, 1e-12)
	if !(BuiltUp.StreetFactor(8) < Open.StreetFactor(8) && Open.StreetFactor(8) < Shore.StreetFactor(8)) {
		t.Error("rougher terrain should slow the gust")
	}
}
