#!/usr/bin/python3
"""Hold the ground of random local scenes against GEOS.

    go run ./scripts/scenes -n 100000 | scenes.py [--keep worst.json]

Works the scenes out again by the method of ground.py (the same functions), and
prints how many trees agree, and those that do not, largest first, with what
explains them. What differs from ground.py, so that only real differences show:

  rings that cross themselves   made valid by winding number, as soilshed
                                defines them: the faces of the ring that it
                                winds round;
  circles                       of 512 sides, with the area of the circle; in
                                framed scenes no circle matters;
  spots                         stems within 0.10 m, one leading to the next,
                                share from their mean place;
  a moved stem                  where two places are equally near, soilshed's.

Reasons, each checked by working the scene out again:

  neck      between the answers for hard ground grown and shrunk by 2 um: a
            passage, or a stem's place, decided by rounding, the other way than
            GEOS decides it;
  mates     another tree of the scene has a reason, and the share follows it;
  gap       between the answers for gaps 3 % narrower and wider;
  corner    growing and shrinking again leaves a neck at a corner open that is
            narrower than the gap: what a disk of the gap's width can cover from
            either side meets in the middle. Soilshed closes it. Checked: what
            such a disk can reach without a jump has soilshed's area (within 2 %
            and 0.1 m2, for its corners), or the answer with round joins has;
  crack     GEOS keeps a pocket that is nowhere as wide as the gap, or no wider
            on the mean, as an opening of its own, soilshed does not;
  tip       GEOS lets a stem stand in the tip of a corner, out of the reach of any
            disk as wide as the gap; soilshed, which closes that tip, moves it
            elsewhere or nowhere;
  line      soilshed closes a gap by a line across, GEOS by the shape that is
            left of two offsets: at most a few dm2 beside such a place;
  union     GEOS lost a polygon of the paving, or filled one; with the paving put
            together of the faces between all edges, each told hard or free by
            winding numbers without rounding, both agree (but for a line where gaps
            are closed);
  exact     GEOS is wrong: in rational numbers, without rounding, the opening has
            soilshed's area;
  neck or film, by exact arithmetic
            likewise, with necks narrower than 1e-6 m closed, and hard films thinner
            than 1e-8 m left out, which soilshed takes for rounding (GEOS fails on
            either side of them);
  ?         not explained.
Corner, crack, tip and line only with gaps closed.
"""

import argparse
import json
import math
import multiprocessing
import os
import sys
from collections import Counter
from fractions import Fraction
from itertools import combinations

sys.path.insert(0, os.path.dirname(os.path.abspath(__file__)))

from shapely.geometry import LineString, MultiPolygon, Point, Polygon, box  # noqa: E402
from shapely.ops import nearest_points, polygonize, unary_union  # noqa: E402

from ground import COINCIDENT_M, EMPTY, MITRE, closed, disk, nearer, polygons  # noqa: E402

ROUND = 1
HAIR_M = 2e-6
WALL_M = 1e-6  # half the width that a wall is given
FLOOR_M2 = 0.05


def xy(p):
    return p["X"], p["Y"]


def wound(ring):
    """The faces of a ring with a winding number other than zero."""
    pts = [xy(p) for p in ring]
    if len(set(pts)) < 3:
        return EMPTY
    p = Polygon(pts)
    if p.is_valid:
        return p
    faces = []
    for f in polygonize(unary_union(LineString(pts + pts[:1]))):
        q = f.representative_point()
        wind = 0
        for (ax, ay), (bx, by) in zip(pts, pts[1:] + pts[:1]):
            if (ay > q.y) != (by > q.y) and ax + (q.y - ay) / (by - ay) * (bx - ax) > q.x:
                wind += 1 if by > ay else -1
        if wind:
            faces.append(f)
    return unary_union(faces)


def winding(ring, x, y):
    """The winding number of a ring round a point, without rounding."""
    n = 0
    for i, p in enumerate(ring):
        q = ring[(i + 1) % len(ring)]
        ax, ay, bx, by = (Fraction(v) for v in (*xy(p), *xy(q)))
        if (ay > y) != (by > y) and ax + (y - ay) * (bx - ax) / (by - ay) > x:
            n += 1 if by > ay else -1
    return n


def covers(p, x, y):
    return winding(p[0], x, y) != 0 and not any(winding(r, x, y) for r in p[1:])


def faces(s):
    """The paved ground as the faces between the edges of all rings, each told by
    the winding numbers at one point of it, without rounding."""
    rings = [r for p in (s["hard"] or []) + (s["beds"] or []) for r in p]
    lines = [LineString([xy(v) for v in r] + [xy(r[0])]) for r in rings]
    paved = []
    for f in polygonize(unary_union(lines)):
        if f.buffer(-5e-9).is_empty:  # soilshed takes a film that thin for rounding
            continue
        q = f.representative_point()
        x, y = Fraction(q.x), Fraction(q.y)
        if any(covers(p, x, y) for p in s["hard"] or []) and not any(covers(p, x, y) for p in s["beds"] or []):
            paved.append(f)
    return areas(unary_union(paved))


def layer(items):
    out = []
    for p in items or []:
        shell = wound(p[0])
        holes = [wound(r) for r in p[1:]]
        out.extend(polygons(shell.difference(unary_union(holes)) if holes else shell))
    return out


def areas(geom):
    """A geometry less its lines and points."""
    return geom if geom.geom_type in ("Polygon", "MultiPolygon") else MultiPolygon(polygons(geom))


class Layers:
    """The polygons of a scene, before any gap is closed."""

    def __init__(self, s, by_faces=False):
        if by_faces:
            self.paved = faces(s)
        else:
            pieces = layer(s["hard"])
            hard = unary_union(pieces)
            if any(p.area > 1e-3 and hard.distance(p.representative_point()) > 0 for p in pieces):
                raise ValueError("GEOS lost a polygon in a union")
            beds = layer(s["beds"])
            if beds:
                hard = hard.difference(unary_union(beds))
            self.paved = areas(hard)
        if not self.paved.is_valid:
            raise ValueError("GEOS made an invalid union")
        self.walls = self.lines = EMPTY
        if s["walls"]:
            self.lines = unary_union([LineString([xy(p) for p in l]) for l in s["walls"]])
            self.walls = unary_union([LineString([xy(p) for p in l]).buffer(WALL_M, cap_style=2, join_style=MITRE, mitre_limit=20) for l in s["walls"]])
        under = layer(s["rootable"])
        self.under = areas(unary_union(under).intersection(self.paved).difference(self.walls)) if under else EMPTY


class Scene:
    """The hard ground of a scene."""

    def __init__(self, s, layers, gap, hair=0.0, join=MITRE):
        self.s = s
        self.layers = layers
        hard = layers.paved
        if not layers.walls.is_empty:
            hard = hard.union(layers.walls)
        if gap > 0:  # growing and shrinking loses a nanometre here and there
            if join == MITRE:
                hard = areas(hard.union(closed(hard, gap)))
            else:
                hard = areas(hard.union(hard.buffer(gap / 2, 32).buffer(-gap / 2, 32)))
        if hair:
            hard = areas(hard.buffer(hair, join_style=MITRE))
            if hair < 0 and not layers.walls.is_empty:
                hard = areas(hard.union(layers.walls))
        self.air = hard  # a stem stands outside this
        if not layers.under.is_empty:
            # A film that the offsets leave must not part it from the opening.
            joined = layers.under.buffer(WALL_M, join_style=MITRE)
            hard = areas(hard.difference(joined.difference(layers.walls)))
        self.hard = hard
        self.parts = None
        if s["framed"]:  # every opening is one of these, whole
            x0, y0, x1, y1 = hard.bounds
            self.parts = polygons(box(x0 + 1, y0 + 1, x1 - 1, y1 - 1).difference(hard))

    def opening(self, at, reach, ours):
        """(ground, opening, place of the stem)"""
        snap = self.s["snap_m"]
        stem, how = Point(at), "measured"
        edge, touch = 1e-6, 1.5e-6
        if not self.layers.lines.is_empty and self.layers.lines.distance(stem) < 1e-6:
            touch = 20 * WALL_M  # it stands on a wall, which is as wide as that at a bend
            paved = self.layers.paved
            if paved.distance(stem) > 0 or paved.boundary.distance(stem) <= edge:
                edge = touch
        if self.air.distance(stem) == 0 and self.air.boundary.distance(stem) > edge:
            how = "snapped"
            free = areas(disk(*at, snap + 0.5, 32).difference(self.air))
            if snap == 0 or free.is_empty:
                return "sealed", EMPTY, at
            near = nearest_points(free, stem)[0]
            far = near.distance(stem)
            if far > snap:
                return "sealed", EMPTY, at
            mine = Point(ours["x"], ours["y"])
            if ours["ground"] == "snapped" and abs(mine.distance(stem) - far) < 1e-6 and free.distance(mine) < 1e-6:
                near = mine
            stem = near
        parts = self.parts
        if parts is None:
            parts = polygons(disk(stem.x, stem.y, reach, 128).difference(self.hard))
        parts = [p for p in parts if p.distance(stem) < touch]
        if self.s["rootable"]:
            parts = [p for p in parts if any(q.distance(stem) < touch for q in polygons(p.difference(self.air)))]
        if not parts:
            return "sealed", EMPTY, at
        return how, max(parts, key=lambda p: p.area), (stem.x, stem.y)


def corner(s, layers, ours, reach, gap):
    """Whether soilshed's opening is what a disk as wide as the gap can reach, a
    disk that may lie partly beyond the reach of the roots. Of necks just as wide
    as the gap, any may be open."""
    try:
        at = ours["x"], ours["y"]
        ground = Scene(s, layers, 0).opening(at, reach, ours)[1]
        wider = Scene(s, layers, 0).opening(at, reach + gap, ours)[1]
        for part in (0.99, 1.01):
            rooms = sorted(polygons(wider.buffer(-gap / 2 * part)), key=lambda p: p.distance(Point(at)))[:4]
            rooms = [(p.distance(Point(at)), ground.intersection(p.buffer(gap / 2, join_style=MITRE, mitre_limit=20)).area) for p in rooms]
            for first, (far, a) in enumerate(rooms):
                rest = [b for n, (_, b) in enumerate(rooms) if n != first]
                for r in range(len(rest) + 1):
                    for more in combinations(rest, r):
                        total = a + sum(more)
                        # More than one room only where a neck is just as wide.
                        if far < 0.5 and (not more or at_the_gap(s, gap)) and abs(total - ours["open_m2"]) < 0.02 * total + 0.1:
                            return True
    except Exception:
        pass
    return False


def at_the_gap(s, gap):
    """Whether a corner is a gap's width from an edge to rounding, by exact arithmetic."""
    lines = [(r, True) for p in (s["hard"] or []) + (s["beds"] or []) for r in p] + [(l, False) for l in s["walls"] or []]
    sides, corners = [], []
    for line, ring in lines:
        pts = [xy(p) for p in line]
        corners += pts
        sides += list(zip(pts, pts[1:] + pts[:1] if ring else pts[1:]))
    gap = Fraction(gap)
    for v in corners:
        for a, b in sides:
            if v in (a, b) or a == b or abs(LineString([a, b]).distance(Point(v)) - gap) > 1e-9:
                continue
            (ax, ay), (bx, by), (vx, vy) = [[Fraction(c) for c in q] for q in (a, b, v)]
            dx, dy = bx - ax, by - ay
            u = max(0, min(1, ((vx - ax) * dx + (vy - ay) * dy) / (dx * dx + dy * dy)))
            off = (ax + u * dx - vx) ** 2 + (ay + u * dy - vy) ** 2
            if abs(off - gap * gap) < 2 * gap * Fraction(1e-12):
                return True
    return False


def exactly(s, at, reach):
    """The areas of the opening in rational numbers, without rounding: as it is,
    with necks narrower than a root closed (1e-6 m), and with films of hard ground
    thinner than rounding (1e-8 m) left out besides. For scenes of polygons alone,
    with no gap closed; the circle is a polygon of as much area."""
    if s["walls"] or s["rootable"]:
        return []
    x0, y0, far = Fraction(at[0]), Fraction(at[1]), Fraction(reach)
    rings, edges = [], []

    def ring(kind, part, hole, pts):
        rings.append((kind, part, hole))
        for (ax, ay), (bx, by) in zip(pts, pts[1:] + pts[:1]):
            if ay != by:
                edges.append((ax, ay, bx, by, 1, len(rings) - 1) if ay < by else (bx, by, ax, ay, -1, len(rings) - 1))

    parts = [("hard", p) for p in s["hard"] or []] + [("bed", p) for p in s["beds"] or []]
    for n, (kind, p) in enumerate(parts):
        for k, r in enumerate(p):
            ring(kind, n, k > 0, [(Fraction(q["X"]) - x0, Fraction(q["Y"]) - y0) for q in r])
    edges = [e for e in edges if e[3] > -far * 2 and e[1] < far * 2 and min(e[0], e[2]) < far * 2]
    n = 128
    r = reach * math.sqrt(2 * math.pi / n / math.sin(2 * math.pi / n))
    ring("disk", -1, False, [(Fraction(r * math.cos(2 * math.pi * (k + 0.37) / n)), Fraction(r * math.sin(2 * math.pi * (k + 0.37) / n))) for k in range(n)])

    def x(e, y):
        return e[0] + (y - e[1]) * (e[2] - e[0]) / (e[3] - e[1])

    top = max(e[3] for e in edges if rings[e[5]][0] == "disk")
    low = min(e[1] for e in edges if rings[e[5]][0] == "disk")
    ys = {low, top, Fraction(0)}
    for i, a in enumerate(edges):
        ys.update(y for y in (a[1], a[3]) if low < y < top)
        for b in edges[:i]:
            y0, y1 = max(a[1], b[1], low), min(a[3], b[3], top)
            if y0 < y1:
                d0, d1 = x(a, y0) - x(b, y0), x(a, y1) - x(b, y1)
                if d0 * d1 < 0:
                    ys.add(y0 + (y1 - y0) * d0 / (d0 - d1))
    ys = sorted(ys)
    traps, rows = [], []
    for y0, y1 in zip(ys, ys[1:]):
        mid, first, free, left = (y0 + y1) / 2, len(traps), False, None
        wind = [0] * len(rings)
        for _, e in sorted((x(e, mid), e) for e in edges if e[1] < mid < e[3]):
            wind[e[5]] += e[4]
            shell, hole = set(), set()
            for (kind, part, inner), w in zip(rings, wind):
                if w:
                    (hole if inner else shell).add((kind, part))
            over = {kind for kind, part in shell - hole}
            now = "disk" in over and ("bed" in over or "hard" not in over)
            if free and not now:
                traps.append((left, e, y0, y1))
            elif now and not free:
                left = e
            free = now
        rows.append((first, len(traps)))
    area = [float((x(b, y0) - x(a, y0) + x(b, y1) - x(a, y1)) / 2 * (y1 - y0)) for a, b, y0, y1 in traps]
    ends = [[(x(a, y), x(b, y)) for y in (y0, y1)] for a, b, y0, y1 in traps]
    joins = []  # of two traps, by how much they overlap
    for (a0, a1), (b0, b1) in zip(rows, rows[1:]):
        joins += [(min(ends[i][1][1], ends[j][0][1]) - max(ends[i][1][0], ends[j][0][0]), i, j) for i in range(a0, a1) for j in range(b0, b1)]
    films = [(i, i + 1) for a0, a1 in rows for i in range(a0, a1 - 1) if sum(ends[i + 1][k][0] - ends[i][k][1] for k in (0, 1)) <= 2e-8]

    def at_stem(edge):
        return [
            i for i, (a, b, y0, y1) in enumerate(traps)
            if y0 <= edge and y1 >= -edge and x(a, max(y0, min(y1, 0))) <= edge and x(b, max(y0, min(y1, 0))) >= -edge
        ]

    # A stem that near to an edge stands on it.
    seeds = [at_stem(edge) for edge in (0, Fraction(1e-6), Fraction(1.5e-6))]
    found = []
    for width, thin in ((0, False), (1e-6, False), (0, True), (1e-6, True)):
        up = list(range(len(traps)))

        def find(i):
            while up[i] != i:
                i = up[i]
            return i

        for over, i, j in joins:
            if over > width:
                up[find(i)] = find(j)
        for i, j in films if thin else []:
            up[find(i)] = find(j)
        sums = Counter()
        for i, a in enumerate(area):
            sums[find(i)] += a
        found += [max((sums[find(i)] for i in near), default=0.0) for near in seeds]
    return found


def spots(places):
    """For each place its spot and the mean place of all on it."""
    n = len(places)
    spot = list(range(n))
    for _ in range(n):
        for i in range(n):
            for j in range(n):
                if math.dist(places[i], places[j]) < COINCIDENT_M:
                    spot[i] = spot[j] = min(spot[i], spot[j])
    mean = []
    for i in range(n):
        on = [places[j] for j in range(n) if spot[j] == spot[i]]
        mean.append((sum(p[0] for p in on) / len(on), sum(p[1] for p in on) / len(on)))
    return spot, mean


def shares(places, openings):
    held = [i for i, o in enumerate(openings) if not o.is_empty]
    spot, mean = spots([places[i] for i in held])
    out = [0.0] * len(openings)
    for a, i in enumerate(held):
        mine = openings[i]
        share, same = mine, []
        for b, j in enumerate(held):
            other = openings[j]
            if j == i:
                continue
            if spot[a] == spot[b]:
                same.append(other)
                continue
            half = nearer(mean[a], mean[b], 200)
            if other is not mine:
                half = half.intersection(other)
            if half.intersects(share):
                share = share.difference(half)
        parts = [(share, 1)]
        for other in same:
            if other is mine:
                parts = [(p, n + 1) for p, n in parts]
            else:
                parts = [q for p, n in parts for q in ((p.difference(other), n), (p.intersection(other), n + 1))]
        out[i] = sum(p.area / n for p, n in parts)
    return out


def work_out(s, layers, ours, gap, hair=0.0, join=MITRE):
    ground = Scene(s, layers, gap, hair, join)
    found = [ground.opening(xy(t["at"]), t["reach_m"], o) for t, o in zip(s["trees"], ours)]
    wide = [not gap or f[1].is_empty or not f[1].buffer(-gap / 2).is_empty for f in found]
    return [f[0] for f in found], [f[1].area for f in found], shares([f[2] for f in found], [f[1] for f in found]), wide


def home(s):
    """The scene about the origin; doubles hold that without loss at this size."""
    x0, y0 = (round(v) for v in xy(s["trees"][0]["at"]))

    def move(p):
        p["X"] -= x0
        p["Y"] -= y0

    for name in ("hard", "beds", "rootable"):
        for p in s[name] or []:
            for r in p:
                for q in r:
                    move(q)
    for l in s["walls"] or []:
        for q in l:
            move(q)
    for t in s["trees"]:
        move(t["at"])
    for a in s["plain"] + s["closed"]:
        a["x"] -= x0
        a["y"] -= y0


def apart(a, b, circle_m2=0.0):
    return max(0.0, abs(a - b) - circle_m2) / max(a, b, FLOOR_M2)


def again(s, ours, gap, bad, tolerance):
    """Work out what has no reason with the paving by its faces."""
    try:
        layers = Layers(s, True)
        _, area, share, _ = work_out(s, layers, ours, gap)
    except Exception:  # GEOS gives up on some
        return
    for r in bad:
        k = r["tree"]
        off = [apart(r["ours"][1], area[k], 3e-4), apart(r["ours"][2], share[k], 3e-4)]
        if max(off) <= tolerance:
            r["reason"] = "union"
        elif gap and max(abs(r["ours"][1] - area[k]), abs(r["ours"][2] - share[k])) < 0.1 and r["geos"][1] != area[k]:
            r["reason"] = "union"  # and a line
    for hair in (HAIR_M, HAIR_M / 10, HAIR_M / 100, -HAIR_M, -HAIR_M / 10):  # a neck from one side
        left = [r for r in bad if r["reason"] == "?"]
        if not left:
            return
        try:
            _, area, share, _ = work_out(s, layers, ours, gap, hair)
        except Exception:
            continue
        for r in left:
            k = r["tree"]
            if max(apart(r["ours"][1], area[k], 3e-3), apart(r["ours"][2], share[k], 3e-3)) <= max(tolerance, 2e-4):
                r["reason"] = "neck, shut for soilshed" if hair > 0 else "neck, open for soilshed"
    if not gap:
        for r in bad:
            if r["reason"] != "?":
                continue
            if r["ours"][0] in ("snapped", "sealed") and r["geos"][0] == "measured":
                tree = s["trees"][r["tree"]]
                open_air = s | {"rootable": None, "walls": None}  # a wall takes ground, and gives none
                if min(exactly(open_air, xy(tree["at"]), tree["reach_m"])) < 1e-8:
                    r["reason"] = "neck or film, by exact arithmetic"  # no ground but a film holds the stem
                    continue
            mine = r["ours"][1]
            near = [abs(mine - a) <= 1e-6 * a + 1e-3 for a in exactly(s, (ours[r["tree"]]["x"], ours[r["tree"]]["y"]), s["trees"][r["tree"]]["reach_m"])]
            if any(near):
                r["reason"] = "exact" if any(near[:2]) else "neck or film, by exact arithmetic"
        return
    try:
        ground = Scene(s, layers, gap)
        raw = Scene(s, layers, 0).hard
        for r in bad:
            if r["reason"] != "?":
                continue
            k = r["tree"]
            at, reach = xy(s["trees"][k]["at"]), s["trees"][k]["reach_m"]
            _, opening, place = ground.opening(at, reach, ours[k])
            if opening.is_empty or math.dist(place, (ours[k]["x"], ours[k]["y"])) < 1e-6 and r["ours"][0] != "sealed":
                continue
            rooms = areas(disk(*at, min(reach, 40) + 1, 128).difference(raw)).buffer(-gap / 2)
            if 2 * opening.area <= gap * opening.length:
                r["reason"] = "crack"
            elif rooms.distance(Point(place)) > gap / 2 + 1e-5:
                r["reason"] = "tip"
    except Exception:
        pass


def compare(line):
    s = json.loads(line)
    home(s)
    out = []
    try:
        layers = Layers(s)
    except Exception as e:  # GEOS gives up on some
        return [{"id": s["id"], "mode": m, "failed": f"{type(e).__name__}: {e}", "trees": len(s["trees"])} for m in ("plain", "closed")]
    for mode, gap in (("plain", 0.0), ("closed", s["gap_m"])):
        ours = s[mode]
        try:
            how, area, share, wide = work_out(s, layers, ours, gap)
        except Exception as e:  # GEOS gives up on some
            out.append({"id": s["id"], "mode": mode, "failed": f"{type(e).__name__}: {e}", "trees": len(ours)})
            continue
        # Where hard edges cut a circle of 512 sides, up to 1e-5 m2 each are off.
        circle = 0.0 if s["framed"] else 3e-4
        tolerance = 5e-5 if s["walls"] else 1e-6
        rows = []
        for k, o in enumerate(ours):
            rows.append({
                "id": s["id"], "mode": mode, "tree": k, "framed": s["framed"], "tolerance": tolerance,
                "open": apart(o["open_m2"], area[k], circle), "share": apart(o["share_m2"], share[k], circle),
                "ours": [o["ground"], o["open_m2"], o["share_m2"]], "geos": [how[k], area[k], share[k]],
                "drawn": s["drawn"], "walls": bool(s["walls"]),
            })
        bad = [r for r in rows if max(r["open"], r["share"]) > tolerance]
        if bad:
            brackets = {}

            def bracket(name, *settings):
                try:
                    brackets[name] = [work_out(s, layers, ours, *a) for a in settings]
                except Exception:  # GEOS gives up
                    pass

            for hair in (HAIR_M, HAIR_M / 10, HAIR_M / 100):  # GEOS gives up on some
                if "neck" not in brackets:
                    bracket("neck", (gap, hair), (gap, -hair))
            if gap:
                bracket("gap", (gap * 1.03,), (gap * 0.97,))
                bracket("corner", (gap, 0.0, ROUND), (gap * 1.03, 0.0, ROUND), (gap * 0.97, 0.0, ROUND))
            for r in bad:
                k, r["reason"] = r["tree"], "?"
                slack = tolerance * max(r["geos"][1], FLOOR_M2) + 3e-4
                for name, found in brackets.items():
                    for which in (1, 2):
                        values = [f[which][k] for f in found] + [r["geos"][which]]
                        if name == "corner":
                            values, slack = values[:-1], 0.02 * max(values[0], FLOOR_M2) + 0.1  # its roundings
                        if r["reason"] == "?" and min(values) - slack <= r["ours"][which] <= max(values) + slack and (name == "corner" or max(values) - min(values) > slack):
                            r["reason"] = name
                            if name == "neck":
                                shut = abs(values[0] - r["ours"][which]) < abs(values[1] - r["ours"][which])
                                r["reason"] = "neck, shut for soilshed" if shut else "neck, open for soilshed"
                if gap and not wide[k] and r["reason"] in ("?", "corner"):
                    r["reason"] = "crack"
                elif r["reason"] in ("corner", "?") and gap and max(abs(r["ours"][i] - r["geos"][i]) for i in (1, 2)) < 0.1:
                    r["reason"] = "line"
            for r in bad:
                if gap and r["reason"] == "?" and corner(s, layers, ours[r["tree"]], s["trees"][r["tree"]]["reach_m"], gap):
                    r["reason"] = "corner"
            if any(r["reason"] == "?" for r in bad):
                again(s, ours, gap, [r for r in bad if r["reason"] == "?"], tolerance)
            known = any(r["reason"] != "?" for r in bad)
            for r in bad:
                if r["reason"] == "?" and r["open"] <= tolerance and (known or any(o["open"] > tolerance for o in rows)):
                    r["reason"] = "mates"
        out.extend(rows)
    return out


def main():
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--keep", help="write the trees that disagree here, one JSON object a line")
    p.add_argument("--processes", type=int, default=2)
    p.add_argument("--show", type=int, default=25)
    opts = p.parse_args()
    counts, bad, failed = Counter(), [], []
    with multiprocessing.Pool(opts.processes) as pool:
        for rows in pool.imap(compare, sys.stdin, chunksize=50):
            for r in rows:
                if "failed" in r:
                    failed.append(r)
                    continue
                m = r["mode"]
                counts[m] += 1
                off = max(r["open"], r["share"])
                for level in (1e-6, 1e-5, 1e-4, 5e-3):
                    counts[m, level] += off <= level
                counts[m, r["framed"]] += 1
                counts[m, r["framed"], "own"] += off <= r["tolerance"]
                if off > r["tolerance"]:
                    bad.append(r)
    bad.sort(key=lambda r: -max(r["open"], r["share"]))
    for m in ("plain", "closed"):
        n = max(counts[m], 1)
        print(f"gaps {'left' if m == 'plain' else 'closed'}: {n} trees; " + "; ".join(f"{100 * counts[m, level] / n:.4f} % within {level:g}" for level in (1e-6, 1e-5, 1e-4, 5e-3)))
        for framed in (True, False):
            k = max(counts[m, framed], 1)
            print(f"  {'framed' if framed else 'with circles'}: {k} trees, {k - counts[m, framed, 'own']} beyond their tolerance")
        reasons = Counter(r.get("reason", "?") for r in bad if r["mode"] == m)
        large = Counter(r.get("reason", "?") for r in bad if r["mode"] == m and max(r["open"], r["share"]) > 5e-3)
        for name, count in reasons.most_common():
            print(f"    {name}: {count}, of them {large[name]} by more than 0.5 %")
    print(f"GEOS gave up on {len(failed)} scenes" + "".join(f"; {k} x {v}" for v, k in Counter(f["failed"][:50] for f in failed).most_common(4)))
    for m in ("plain", "closed"):
        print(f"largest, gaps {'left' if m == 'plain' else 'closed'}:")
        for r in [r for r in bad if r["mode"] == m and r.get("reason") in ("?", None)][: opts.show]:
            print(f"  scene {r['id']} tree {r['tree']}: ours {r['ours'][0]} {r['ours'][1]:.7f} {r['ours'][2]:.7f}, GEOS {r['geos'][0]} {r['geos'][1]:.7f} {r['geos'][2]:.7f}  {'walls ' if r['walls'] else ''}{r['drawn']}")
    if opts.keep:
        with open(opts.keep, "w", encoding="utf-8") as f:
            for r in bad:
                f.write(json.dumps(r) + "\n")


if __name__ == "__main__":
    main()
