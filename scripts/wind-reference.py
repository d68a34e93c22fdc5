#!/usr/bin/python3
"""Reference values for risk/wind, by other means than the Go code.

Needs numpy and scipy (Debian: python3-scipy). Writes fixtures/reference/wind-*.csv.

    python3 scripts/wind-reference.py

  wind-lmoments.csv  Gumbel fits; L-moments from their definition, half the mean
                     difference of all pairs; quantiles from scipy.stats.gumbel_r
  wind-section.csv   sections with an indentation, by scipy.integrate.dblquad and
                     by trying every point of the outline
  wind-fail.csv      trees from their measures to the yearly probability: the
                     chain written anew from its sources, integrated on a dense
                     grid over load, anchorage and stem strength, with
                     scipy.stats for the distributions
"""
import csv
import math
import os

import numpy as np
from scipy import integrate, optimize, stats

OUT = os.path.join(os.path.dirname(os.path.abspath(__file__)), "..", "fixtures", "reference")
HEAD = "# made by scripts/wind-reference.py with scipy; do not edit\n"


def write(name, header, rows):
    with open(os.path.join(OUT, name), "w", newline="") as f:
        f.write(HEAD)
        w = csv.writer(f, lineterminator="\n")
        w.writerow(header)
        w.writerows(rows)


def lmoments():
    rng = np.random.default_rng(20130621)
    rows = []
    for n, mu, beta in [(5, 22, 2), (12, 24, 3), (30, 26, 4), (61, 30, 4)]:
        x = np.round(stats.gumbel_r.rvs(mu, beta, size=n, random_state=rng), 1)
        pairs = [abs(a - b) for i, a in enumerate(x) for b in x[:i]]
        l2 = sum(pairs) / len(pairs) / 2
        bl = l2 / math.log(2)
        ml = x.mean() - np.euler_gamma * bl
        bm = x.std(ddof=1) * math.sqrt(6) / math.pi
        mm = x.mean() - np.euler_gamma * bm
        x50 = stats.gumbel_r.isf(1 / 50, ml, bl)
        p35 = stats.gumbel_r.sf(35, ml, bl)
        rows.append([";".join(map(str, x))] + [repr(float(v)) for v in (ml, bl, mm, bm, x50, p35)])
    write("wind-lmoments.csv", ["maxima", "mu_l", "beta_l", "mu_m", "beta_m", "x50", "p35"], rows)


def section():
    rows = []
    for r, share, depth in [(0.2, 1 / 3, 0.3), (0.2, 0.5, 1.0), (0.15, 0.7, 0.5), (0.3, 0.9, 0.2), (0.1, 0.05, 0.9), (0.25, 1.0, 0.4)]:
        a, ri = math.pi * share, r * (1 - depth)

        def whole(f):
            kept, _ = integrate.dblquad(lambda q, t: f(q * math.cos(t), q * math.sin(t)) * q, a, 2 * math.pi - a, 0, r, epsabs=1e-12)
            floor, _ = integrate.dblquad(lambda q, t: f(q * math.cos(t), q * math.sin(t)) * q, -a, a, 0, ri, epsabs=1e-12)
            return kept + floor

        area = whole(lambda x, y: 1.0)
        xc = whole(lambda x, y: x) / area
        ix = whole(lambda x, y: (x - xc) ** 2)
        iy = whole(lambda x, y: y * y)
        t1 = np.linspace(a, 2 * math.pi - a, 200001) if share < 1 else np.array([])
        t2 = np.linspace(-a, a, 200001)
        px = np.concatenate([r * np.cos(t1), ri * np.cos(t2)]) - xc
        py = np.concatenate([r * np.sin(t1), ri * np.sin(t2)])
        for phi in (0, 30, 45, 90, 135, 250):
            c, s = math.cos(math.radians(phi)), math.sin(math.radians(phi))
            w = 1 / np.max(np.abs(c * px / ix + s * py / iy))
            rows.append([repr(float(v)) for v in (r, share, depth, phi, area, xc, ix, iy, w)])
    write("wind-section.csv", ["r_m", "share", "depth", "phi_deg", "area_m2", "xc_m", "ix_m4", "iy_m4", "modulus_m3"], rows)


# The chain, from its sources (see the Go files for the references).
SIGMA_A, SIGMA_L, SIGMA_S = 0.43, 0.25, 0.33
ODDS, WET = 2.24, 0.575
HINGE = 0.4


def kz(z, alpha, zg):
    return 2.01 * (max(z, 4.57) / zg) ** (2 / alpha)


def section_left(share, depth, phi):
    """Modulus left, by points of the outline and closed moments of area; the core
    disc at least."""
    a, ri = math.pi * share, 1 - depth
    ring = lambda p: (1 - ri**p) / p
    area = math.pi - 2 * a * ring(2)
    xc = -2 * math.sin(a) * ring(3) / area
    ix = math.pi / 4 - ring(4) * (a + math.sin(2 * a) / 2) - area * xc**2
    iy = math.pi / 4 - ring(4) * (a - math.sin(2 * a) / 2)
    t1, t2 = np.linspace(a, 2 * math.pi - a, 20001), np.linspace(-a, a, 20001)
    px = np.concatenate([np.cos(t1), ri * np.cos(t2)]) - xc
    py = np.concatenate([np.sin(t1), ri * np.sin(t2)])
    c, s = math.cos(phi), math.sin(phi)
    return max((1 - depth) ** 3, 1 / np.max(np.abs(c * px / ix + s * py / iy)) / (math.pi / 4))


def default_left():
    """Every eighth of a turn-quarter, not the four directions of the Go code."""
    out = []
    for share, ws in ((1 / 3, 0.3), (0.5, 0.35), (0.7, 0.2), (0.9, 0.15)):
        for depth, wd in ((0.15, 0.35), (0.3, 0.4), (0.5, 0.25)):
            for k in range(9):
                edge = 0.5 if k in (0, 8) else 1.0
                out.append((section_left(share, depth, math.pi / 2 * k / 8), ws * wd * edge / 8))
    return out


def sectors(q, e, c):
    """Resistance of the 36 sectors about a hinge line e to leeward; c is the
    cosine from windward. Roots beyond the line do not count."""
    lever = lambda x: x * e + x * x / 2 * c
    reach = np.where(c < 0, np.minimum(q, e / np.maximum(-c, 1e-300)), q)
    return lever(reach)


def plate(radius, reach):
    ang = np.radians(10 * np.arange(36))
    full = sectors(np.ones(36), HINGE, np.cos(ang))
    share = 0.35 / (np.sum(full[np.cos(ang) > 1e-9]) / np.sum(full))
    q = np.minimum(np.array(reach) / radius, 1)
    left = []
    for b in range(36):
        lee = np.maximum(np.cos(ang - ang[b]), 0) ** 2
        e = HINGE * np.sum(lee * q) / np.sum(lee)
        m = np.sum(sectors(q, e, -np.cos(ang - ang[b])))
        left.append(1 - share * (1 - m / np.sum(full)))
    return np.array(left)


def fail(t):
    mu, beta = t["mu"], t["beta"]
    depth = t["height"] - t["base"]
    if t["kind"] == "conifer":
        area, arm = t["crown"] * depth / 2, t["base"] + depth / 3
    else:
        area, arm = math.pi / 4 * t["crown"] * depth, t["base"] + depth / 2
    factor = math.sqrt(kz(arm, 7.0, 365.76) / kz(10, 9.5, 274.32))
    leaf = {"conifer": (1.16 / 3, 1.64)}.get(t["kind"], (0.20, 1.64))
    seasons = [(1.0, leaf)]
    if t["kind"] == "broadleaf":
        seasons = [(t["in_leaf"], leaf), (1 - t["in_leaf"], (0.08, 1.95))]
    stem = t["mor"] * 1e3 * 0.85 * math.pi * t["dbh"] ** 3 / 32
    radius = max(1.5, 0.64 * (50 * t["dbh"]) ** 0.42)
    deep = 1 / 1.125 + (1 - 1 / 1.125) * min(max((t["depth"] - 0.4) / 0.4, 0), 1)
    roots = 55e3 * t["height"] * t["dbh"] ** 2 * deep * plate(radius, t["reach"])
    if t["lean"] > 0:
        moment = 0.7 * 900 * math.pi / 4 * t["dbh"] ** 2 * t["height"] * 9.81 * 0.6 * t["height"] * math.sin(math.radians(t["lean"]))
        stem = max(stem - moment, 0.05 * stem)
        off = moment * np.cos(np.radians(10 * np.arange(36) - t["lean_brg"]))
        roots = np.maximum(roots - off, 0.05 * roots)
    toward = np.roll(np.array(t["rose"], float), 18)
    toward /= toward.sum()
    states = [(ws * wm, cd, n, f, ws) for ws, (cd, n) in seasons for wm, f in ((1 - t["wet"], 1.0), (t["wet"], WET)) if ws * wm > 0]

    # Standard deviates of load, anchorage and stem: a dense grid over all three.
    z = np.arange(-4.75, 4.76, 0.25)
    w = stats.norm.pdf(z)
    w /= w.sum()
    load, anch, stm = (a.ravel() for a in np.meshgrid(z, z, z, indexing="ij"))
    anchor = wa_of(z, w) if t["cut"] else np.broadcast_to(w, (len(z), len(z)))
    weight = (w[:, None, None] * anchor[:, :, None] * w[None, None, :]).ravel()

    def gust(res, k, n):
        return (res / k) ** (1 / n)

    left = t["left"]
    p_sound = np.zeros(len(load))
    p_girdled = np.zeros(len(load))
    p_up = np.zeros(len(load))
    for ws, cd, n, f, _ in states:
        k = 0.613 * cd * 20 ** (2 - n) * area * arm * factor**n * np.exp(SIGMA_L * load)
        vs = gust(stem * np.exp(SIGMA_S * stm), k, n)
        groups = {}
        for b in range(36):
            groups[round(roots[b], 6)] = groups.get(round(roots[b], 6), 0) + toward[b]
        for r, share in groups.items():
            vr = gust(r * f * np.exp(SIGMA_A * anch), k, n)
            up = stats.gumbel_r.sf(vr, mu, beta)
            p_up += ws * share * up
            p_sound += ws * share * np.maximum(up, stats.gumbel_r.sf(vs, mu, beta))
            if t["p"] > 0:
                for l, wl in left:
                    p_girdled += ws * share * wl * np.maximum(up, stats.gumbel_r.sf(vs * l ** (1 / n), mu, beta))
    post = weight * np.exp(t["stood"] * np.log1p(-np.minimum(p_sound, 1 - 1e-12)))
    post /= post.sum()
    p = (1 - t["p"]) * np.sum(post * p_sound) + t["p"] * np.sum(post * p_girdled)

    sa, ss = math.hypot(SIGMA_A, SIGMA_L), math.hypot(SIGMA_S, SIGMA_L)

    def fragility(v, girdled):
        out = 0
        for ws, cd, n, f, _ in states:
            m = math.log(0.613 * cd * 20 ** (2 - n) * area * arm * (factor * v) ** n)
            fa = stats.norm.cdf((m - np.log(roots * f)) / sa)
            if t["cut"]:
                fa = fa * ODDS / (1 + fa * (ODDS - 1))
            fc = (1 - girdled) * stats.norm.cdf((m - math.log(stem)) / ss)
            if girdled:
                fc += girdled * sum(wl * stats.norm.cdf((m - math.log(stem * l)) / ss) for l, wl in left)
            out += ws * (1 - (1 - fc) * (1 - np.sum(toward * fa)))
        return out

    odds = [optimize.brentq(lambda v: fragility(v, g) - 0.5, 3, 149) for g in (t["p"], 0, 1)]
    return [p, np.sum(post * p_up)] + odds


def wa_of(z, w):
    """Weights of the anchorage deviate given the load, roots cut: the odds ratio
    acts on the chance of uprooting in a given gust, load error included."""
    sa = math.hypot(SIGMA_A, SIGMA_L)
    load, anch = np.meshgrid(z, z, indexing="ij")
    both = (SIGMA_A * anch - SIGMA_L * load) / sa
    f = stats.norm.cdf(both)
    return w[None, :] * ODDS / (1 + f * (ODDS - 1)) ** 2


def trees():
    left = default_left()
    flat = [1.0] * 36
    west = [1.0 + 0.9 * math.cos(math.radians(10 * b - 270)) for b in range(36)]
    free = [99.0] * 36
    strip = [round(min(99, 1.0 / max(abs(math.sin(math.radians(10 * b))), 1e-9)), 6) for b in range(36)]
    kerb = [round(0.6 if 4 <= b <= 14 else 2.5, 6) for b in range(36)]
    base = dict(mu=24.0, beta=3.0, kind="broadleaf", in_leaf=1.0, wet=0.2, mor=53000.0, depth=0.9, lean=0.0, lean_brg=0.0,
                cut=False, stood=0.0, p=0.0, rose=flat, reach=free, dbh=0.3, height=10.0, crown=7.0, base=3.0, left=left)
    cases = [
        {}, dict(p=0.15), dict(p=1.0), dict(p=0.3, stood=10.0), dict(cut=True, p=0.2),
        dict(reach=strip, rose=west, p=0.2), dict(reach=kerb, stood=15.0, p=0.1, depth=0.5),
        dict(kind="conifer", dbh=0.45, height=17.0, crown=6.0, base=1.0, mor=32000.0, p=0.05),
        dict(in_leaf=0.4, p=0.4, mor=34000.0, dbh=0.2, height=8.0, crown=5.0, base=2.0),
        dict(dbh=0.8, height=20.0, crown=15.0, base=5.0, lean=8.0, lean_brg=90.0, p=0.1, stood=20.0),
        dict(mu=30.0, beta=5.0, wet=0.6, dbh=0.6, height=16.0, crown=11.0, base=4.0, p=0.25, stood=5.0),
        dict(mu=20.0, beta=1.5, dbh=0.25, height=9.0, crown=6.5, base=2.5, p=0.5, reach=[0.6] * 36, mor=34000.0),
    ]
    fields = ["mu", "beta", "kind", "in_leaf", "wet", "mor", "depth", "lean", "lean_brg", "cut", "stood", "p", "dbh", "height", "crown", "base"]
    rows = []
    for c in cases:
        t = dict(base, **c)
        got = fail(t)
        rows.append([t[f] for f in fields] + [";".join(map(str, t["reach"])), ";".join(repr(float(v)) for v in t["rose"])] + [repr(float(v)) for v in got])
    write("wind-fail.csv", fields + ["reach", "rose", "fail_yr", "uproot_yr", "gust", "gust_sound", "gust_girdled"], rows)


if __name__ == "__main__":
    lmoments()
    section()
    trees()
