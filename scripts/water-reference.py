#!/usr/bin/env python3
"""A second implementation of the daily water balance of a tree, for comparison.

Written from FAO Irrigation and Drainage Paper 56 (equations by number below)
and the definitions in the documentation of package soil, with numpy and scipy;
it shares no code with the program. It invents ten years of weather and a hundred
trees, both the same on every machine, and writes

    fixtures/reference/soil-weather.csv   the weather
    fixtures/reference/soil-balance.csv   the trees, and what becomes of them

which `go test ./risk/soil` reads. Run it from anywhere; with --check it writes
nothing and fails when the files differ from what it would write.

Debian: apt-get install python3-numpy python3-scipy
"""
import datetime
import io
import math
import pathlib
import sys

import numpy as np
from scipy import optimize
from scipy.stats import mstats

HERE = pathlib.Path(__file__).resolve().parent.parent / "fixtures" / "reference"
LAT, HEIGHT_M, WIND_M = 44.0, 120.0, 10.0
LEAF_OUT, LEAF_FALL, RAMP = 105, 304, 30


class Lcg:
    """The 64-bit linear congruential generator of Knuth's MMIX: the same numbers everywhere."""

    def __init__(self, seed):
        self.x = seed

    def uniform(self):
        self.x = (self.x * 6364136223846793005 + 1442695040888963407) % 2**64
        return (self.x >> 11) / 2**53

    def normal(self):
        return sum(self.uniform() for _ in range(12)) - 6


def weather():
    rng, days, wet = Lcg(20), [], False
    day = datetime.date(2008, 1, 1)
    while day.year < 2018:
        season = math.cos(2 * math.pi * (day.timetuple().tm_yday - 200) / 365)
        mean = 12 + 11 * season + 3 * rng.normal()
        span = 6 + 4 * rng.uniform() + 3 * season
        wet = rng.uniform() < (0.6 if wet else 0.2) * (0.35 if day.year in (2011, 2016) and season > 0.2 else 1)
        rain = -7 * math.log(1 - rng.uniform()) if wet else 0
        sun = (12 + 4 * season) * (0.25 if wet else 0.75) * (0.6 + 0.4 * rng.uniform())
        days.append((day, round(mean - span / 2, 1), round(mean + span / 2, 1), round(rain, 1),
                     round(mean - span / 2 - 2 * rng.uniform(), 1), round(1 + 4 * rng.uniform(), 1), round(sun, 1)))
        day += datetime.timedelta(days=1)
    return days


def e0(t):  # eq. 11
    return 0.6108 * np.exp(17.27 * t / (t + 237.3))


def reference_et(days, method):
    """ETo of all days at once, by Hargreaves (eq. 52) or Penman-Monteith (eq. 6)."""
    J = np.array([d[0].timetuple().tm_yday for d in days])
    _, tmin, tmax, _, dew, wind, sun = (np.array([d[i] for d in days]) if i else None for i in range(7))
    phi = math.radians(LAT)
    dr = 1 + 0.033 * np.cos(2 * np.pi * J / 365)  # eq. 23
    d = 0.409 * np.sin(2 * np.pi * J / 365 - 1.39)  # eq. 24
    ws = np.arccos(-np.tan(phi) * np.tan(d))  # eq. 25
    ra = 24 * 60 / np.pi * 0.0820 * dr * (ws * np.sin(phi) * np.sin(d) + np.cos(phi) * np.cos(d) * np.sin(ws))  # eq. 21
    t = (tmin + tmax) / 2
    if method == "hargreaves":
        return np.maximum(0, 0.0023 * (t + 17.8) * np.sqrt(tmax - tmin) * ra * 0.408)
    N = 24 / np.pi * ws  # eq. 34
    rs = (0.25 + 0.50 * np.minimum(sun, N) / N) * ra  # eq. 35
    rso = (0.75 + 2e-5 * HEIGHT_M) * ra  # eq. 37
    es, ea = (e0(tmin) + e0(tmax)) / 2, e0(dew)  # eq. 12, 14
    rnl = 4.903e-9 * ((tmin + 273.16)**4 + (tmax + 273.16)**4) / 2 \
        * (0.34 - 0.14 * np.sqrt(ea)) * (1.35 * np.minimum(1, rs / rso) - 0.35)  # eq. 39
    rn = 0.77 * rs - rnl  # eq. 38, 40
    gamma = 0.665e-3 * 101.3 * ((293 - 0.0065 * HEIGHT_M) / 293)**5.26  # eq. 7, 8
    delta = 4098 * e0(t) / (t + 237.3)**2  # eq. 13
    u2 = wind * 4.87 / math.log(67.8 * WIND_M - 5.42)  # eq. 47
    return np.maximum(0, (0.408 * delta * rn + gamma * 900 / (t + 273) * u2 * (es - np.minimum(ea, es)))
                      / (delta + gamma * (1 + 0.34 * u2)))


def leaves(kind, J):
    """Part of the leaves that is out, and whether it is the growing season."""
    growing = LEAF_OUT <= J <= LEAF_FALL
    if kind != "deciduous":
        return 1.0, growing
    if not growing:
        return 0.0, False
    return min(1.0, (J - LEAF_OUT + 1) / RAMP, (LEAF_FALL - J + 1) / RAMP), True


FACTOR, INTERCEPT, DRY_BELOW = 0.7, 1.0, 0.5
P = {"deciduous": 0.5, "broadleaf evergreen": 0.5, "conifer": 0.7}


def demand_and_rain(days, eto, kind):
    part = np.array([leaves(kind, d[0].timetuple().tm_yday)[0] for d in days])
    rain = np.array([d[3] for d in days])
    return FACTOR * part * eto, np.maximum(0, rain - INTERCEPT * part)


def stress(taw, p, depletion, etc):
    """Ks, eq. 84; a store of less than 1/(1-p) days gives what it held the evening before."""
    if taw - depletion <= 0:
        return 0.0
    return min(1.0, (taw - depletion) / max((1 - p) * taw, etc))


def one_in_ten(values):
    return float(mstats.mquantiles(values, prob=[0.9], alphap=0, betap=0)[0])


def run(days, etc, rain, kind, taw, intake):
    p, years = P[kind], sorted({d[0].year for d in days})
    growing = [leaves(kind, d[0].timetuple().tm_yday)[1] for d in days]
    depletion = 0.0
    for _ in range(-(-3650 // len(days))):
        for e, r in zip(etc, rain):
            used = stress(taw, p, depletion, e) * e
            depletion = max(0.0, depletion - intake * r + used)  # eq. 85
    eve = depletion
    dry, short = dict.fromkeys(years, 0.0), dict.fromkeys(years, 0.0)
    longest = spell = 0
    total_used = total_lost = 0.0
    for d, g, e, r in zip(days, growing, etc, rain):
        ks = stress(taw, p, depletion, e)
        level = depletion - intake * r + ks * e
        total_used += ks * e
        total_lost += max(0.0, -level)
        depletion = max(0.0, level)
        if not g:
            spell = 0
            continue
        dry[d[0].year] += 1 - ks
        short[d[0].year] += (1 - ks) * e
        spell = spell + 1 if ks < DRY_BELOW else 0
        longest = max(longest, spell)
    # Watering: of an evening with the readily available water used up, fill up.
    given, log = dict.fromkeys(years, 0.0), {y: [] for y in years}
    depletion, before = eve, False
    for d, g, e, r in zip(days, growing, etc, rain):
        times = 0
        if g and not before and depletion > p * taw * (1 + 1e-9):
            given[d[0].year] += depletion
            depletion, times = 0.0, 1
        used = stress(taw, p, depletion, e) * e
        depletion = max(0.0, depletion - intake * r + used)
        before = g
        if g:
            if depletion > p * taw * (1 + 1e-9) or e - used > 1e-12 * e:
                given[d[0].year] += depletion + e - used
                depletion, times = 0.0, times + 1
            log[d[0].year].append(times)
    busiest = [max(np.convolve(v, np.ones(28))) / 4 for v in log.values()]
    n = len(years)
    return (sum(dry.values()) / n, longest, sum(short.values()) / n, one_in_ten(list(short.values())),
            sum(given.values()) / n, one_in_ten(list(given.values())), sum(map(sum, log.values())) / n,
            min(7.0, one_in_ten(busiest)), total_used, total_lost)


def main():
    days = weather()
    eto = {m: reference_et(days, m) for m in ("hargreaves", "penman")}
    files = {}
    out = io.StringIO()
    out.write("# Weather of an invented town, by scripts/water-reference.py: latitude 44, 120 m, wind at 10 m.\n")
    out.write("date,tmin_c,tmax_c,rain_mm,dew_c,wind_ms,sun_h\n")
    for d in days:
        out.write(",".join(map(str, d)) + "\n")
    files["soil-weather.csv"] = out.getvalue()

    out = io.StringIO()
    out.write("# A hundred trees in soil-weather.csv, by scripts/water-reference.py (numpy, scipy): a second\n")
    out.write("# implementation of the balance of FAO-56 chapter 8. storage5_mm: least storage for five dry days, by brentq.\n")
    out.write("method,kind,soil_m3,awc,open_m2,paving_m2,runoff,crown_m2,relative,"
              "dry_days,longest_days,short_mm,short_dry_mm,water_mm,water_dry_mm,waterings,times_week,used_mm,lost_mm,storage5_mm\n")
    rng, kinds = Lcg(4), list(P)
    for i in range(100):
        method, kind = ("hargreaves", "penman")[i % 2], kinds[i % 3]
        crown = round(5 + 95 * rng.uniform() ** 2, 1)
        soil = round(crown * 0.9 * rng.uniform() ** 2, 2)
        awc = round(0.05 + 0.17 * rng.uniform(), 3)
        open_m2 = round(crown * 1.2 * rng.uniform(), 1)
        paving, runoff = round(60 * rng.uniform(), 1), round(0.3 * rng.uniform() ** 2, 2)
        relative = round(0.7 + 0.8 * rng.uniform(), 2)
        etc, rain = demand_and_rain(days, eto[method], kind)
        taw, intake = 1000 * soil * awc / (crown * relative), (open_m2 + runoff * paving) / (crown * relative)
        result = run(days, etc, rain, kind, taw, intake)
        # The storage that holds this tree to five dry days, where 800 mm do (by
        # root finding, every tenth tree: it takes a while).
        storage = ""
        if i % 10 == 0:
            over = lambda mm: run(days, etc, rain, kind, mm, intake)[0] - 5
            if over(800) < 0 < over(1):
                storage = "%.4f" % optimize.brentq(over, 1, 800, xtol=1e-3)
        row = [method, kind, soil, awc, open_m2, paving, runoff, crown, relative]
        out.write(",".join(map(str, row)) + "," + ",".join("%.7g" % v for v in result) + "," + storage + "\n")
    files["soil-balance.csv"] = out.getvalue()

    HERE.mkdir(parents=True, exist_ok=True)
    changed = [n for n, text in files.items() if not (HERE / n).exists() or (HERE / n).read_text() != text]
    if "--check" in sys.argv[1:]:
        if changed:
            sys.exit("water-reference: differs from what is in fixtures/reference: " + ", ".join(changed))
        print("water-reference: fixtures/reference is as written by this script")
        return
    for n in changed:
        (HERE / n).write_text(files[n])
    print("water-reference: wrote", ", ".join(changed) or "nothing, all is the same")


if __name__ == "__main__":
    main()
