#!/usr/bin/python3
"""The ground of trees, worked out with GEOS: a second opinion on soilshed.

Needs shapely (Debian: python3-shapely; versions 1.8 and 2 both do). Reads
GeoJSON in metres (`go run ./scripts/city`, `go run ./scripts/town --metres`),
so that no projection stands between the two answers. Shares no code with
soilshed.

    ground.py --trees trees-metres.geojson --hard pavement-metres.geojson \
              --reach 6 --out reference.csv

For each tree:
  hard     union of the paving near it, less beds, with gaps narrower than
           --gap closed (grown by half of it and shrunk again, mitred, so that
           corners stay where they are);
  opening  the disk of its reach less hard, of that the part that holds the
           stem; a stem on hard ground is first moved to the nearest open
           ground within --snap;
  share    the opening less every part of another tree's opening that is nearer
           to that tree. Only trees whose openings meet count, and only where
           they meet. Trees within 0.10 m of one another share equally.

Writes id, ground (measured, snapped, sealed), open_m2, share_m2, mates, x, y,
near_gap. With --near-gap the last is 1 where two right programs may differ by
more than 0.5 %: where a gap 3 % narrower or wider would change the opening so,
or where growing and shrinking leaves a neck at a corner open that is narrower
than the gap, since disks of that width cover it from either side; what one of
them can reach without a jump is less.
"""

import argparse
import csv
import json
import math
import sys
import time
import warnings

import shapely
from shapely.geometry import LineString, MultiPolygon, Point, Polygon, box, shape
from shapely.ops import nearest_points, unary_union
from shapely.strtree import STRtree
from shapely.validation import make_valid

SHAPELY_2 = int(shapely.__version__.split(".")[0]) >= 2
warnings.filterwarnings("ignore", message="STRtree will be changed")  # see Index
MITRE = 2
EMPTY = Polygon()
COINCIDENT_M = 0.10
MARGIN_M = 1.0  # beyond the disk, so that what closing does at the window's edge stays outside
PIECE_VERTICES = 256


def polygons(geom):
    """The polygons of any geometry; lines and points are dropped."""
    if geom is None or geom.is_empty:
        return []
    if geom.geom_type == "Polygon":
        return [geom]
    if hasattr(geom, "geoms"):
        return [p for g in geom.geoms for p in polygons(g)]
    return []


def repaired(p, counts):
    """A polygon as a list of valid ones: shell less holes.

    make_valid on the whole would fill a hole that shares an edge with its
    shell, and buffer(0) would drop a lobe of a bow-tie; on the shell alone
    make_valid keeps both lobes.
    """
    if p.is_valid:
        return [p]
    counts["repaired"] += 1
    shell = unary_union(polygons(make_valid(Polygon(p.exterior))))
    holes = unary_union([q for r in p.interiors for q in polygons(make_valid(Polygon(r)))])
    return polygons(shell.difference(holes))


def pieces(p):
    """A large polygon cut in halves until its parts are small."""
    n = len(p.exterior.coords) + sum(len(r.coords) for r in p.interiors)
    if n <= PIECE_VERTICES:
        return [p]
    x0, y0, x1, y1 = p.bounds
    if x1 - x0 < 2 and y1 - y0 < 2:
        return [p]
    if x1 - x0 > y1 - y0:
        m = (x0 + x1) / 2
        halves = box(x0 - 1, y0 - 1, m, y1 + 1), box(m, y0 - 1, x1 + 1, y1 + 1)
    else:
        m = (y0 + y1) / 2
        halves = box(x0 - 1, y0 - 1, x1 + 1, m), box(x0 - 1, m, x1 + 1, y1 + 1)
    return [q for h in halves for part in polygons(p.intersection(h)) for q in pieces(part)]


def features(path):
    with open(path, encoding="utf-8") as f:
        layer = json.load(f)
    for feature in layer["features"]:
        yield feature


def read_polygons(paths, counts):
    out = []
    for path in paths:
        for feature in features(path):
            if feature["geometry"] is None:
                counts["without geometry"] += 1
                continue
            for p in polygons(shape(feature["geometry"])):
                for q in repaired(p, counts):
                    out.extend(pieces(q))
    return out


class Index:
    """STRtree with one meaning in both versions: the geometries that may meet."""

    def __init__(self, geoms):
        self.geoms = geoms
        self.tree = STRtree(geoms) if geoms else None
        self.place = {id(g): i for i, g in enumerate(geoms)}

    def near(self, geom):
        if self.tree is None:
            return []
        found = self.tree.query(geom)
        if SHAPELY_2:
            return sorted(int(i) for i in found)
        return sorted(self.place[id(g)] for g in found)


def disk(x, y, r, segments):
    """A polygon of 4*segments sides with the area of the circle."""
    n = 4 * segments
    r *= math.sqrt(2 * math.pi / n / math.sin(2 * math.pi / n))
    return Polygon([(x + r * math.cos(2 * math.pi * k / n), y + r * math.sin(2 * math.pi * k / n)) for k in range(n)])


def closed(hard, gap):
    if gap <= 0 or hard.is_empty:
        return hard
    # Spikes sharper than 6 degrees lose their last centimetres.
    grown = hard.buffer(gap / 2, join_style=MITRE, mitre_limit=20)
    return grown.buffer(-gap / 2, join_style=MITRE, mitre_limit=20)


class Ground:
    def __init__(self, hard, beds, barriers, opts):
        self.hard, self.beds, self.barriers = Index(hard), Index(beds), Index(barriers)
        self.opts = opts

    def hard_near(self, x, y, reach, gap):
        window = box(x - reach, y - reach, x + reach, y + reach)
        hard = unary_union([self.hard.geoms[i] for i in self.hard.near(window)])
        if gap > 0:  # growing and shrinking costs more than cutting
            hard = hard.intersection(window)
        beds = [self.beds.geoms[i] for i in self.beds.near(window)]
        if beds:
            hard = hard.difference(unary_union(beds))
        walls = [self.barriers.geoms[i] for i in self.barriers.near(window)]
        if walls:
            hard = unary_union([hard] + walls)
        if hard.geom_type == "GeometryCollection":
            hard = MultiPolygon(polygons(hard))
        return closed(hard, gap)

    def opening(self, x, y, reach, gap):
        """(ground, opening, x, y): where the tree counts as standing."""
        snap = self.opts.snap
        hard = self.hard_near(x, y, reach + snap + MARGIN_M, gap)
        stem, how = Point(x, y), "measured"
        if hard.intersects(stem) and not hard.touches(stem):
            how = "snapped"
            free = MultiPolygon(polygons(disk(x, y, snap + 0.5, 32).difference(hard)))
            if free.is_empty:
                return "sealed", EMPTY, x, y
            stem = nearest_points(free, stem)[0]
            if math.hypot(stem.x - x, stem.y - y) > snap:
                return "sealed", EMPTY, x, y
        parts = polygons(disk(stem.x, stem.y, reach, self.opts.segments).difference(hard))
        if not parts:
            return "sealed", EMPTY, x, y
        part = min(parts, key=lambda p: (round(p.distance(stem), 7), -p.area))
        if part.distance(stem) > 1e-4:
            return "sealed", EMPTY, x, y
        return how, part, stem.x, stem.y


    def reached(self, x, y, reach, gap):
        """The area that a disk as wide as the gap can cover, moved about in the
        ground from the stem (or from the nearest place where it fits) without a
        jump."""
        hard = self.hard_near(x, y, reach + gap, 0.0)
        free = disk(x, y, reach, self.opts.segments).difference(hard)
        middle = polygons(disk(x, y, reach, self.opts.segments).difference(hard.buffer(gap / 2)))
        if not middle:
            return 0.0
        part = min(middle, key=lambda p: p.distance(Point(x, y)))
        return part.buffer(gap / 2).intersection(free).area


def nearer(a, b, far):
    """The half plane nearer to b than to a, as a polygon that reaches far."""
    mx, my = (a[0] + b[0]) / 2, (a[1] + b[1]) / 2
    d = math.hypot(b[0] - a[0], b[1] - a[1])
    ux, uy = (b[0] - a[0]) / d * far, (b[1] - a[1]) / d * far
    return Polygon([(mx - uy, my + ux), (mx + uy, my - ux), (mx + uy + ux, my - ux + uy), (mx - uy + ux, my + ux + uy)])


def shares(places, openings):
    """(share in m2, mates) of each opening."""
    held = [i for i, o in enumerate(openings) if not o.is_empty]
    index = Index([openings[i] for i in held])
    out = [(0.0, 0)] * len(openings)
    for i in held:
        mine = openings[i]
        lost, same, mates = [], [], 0
        for k in index.near(mine):
            j = held[k]
            if j == i:
                continue
            common = mine.intersection(openings[j])
            if common.area < 1e-6:
                continue
            mates += 1
            if math.dist(places[i], places[j]) <= COINCIDENT_M:
                same.append(openings[j])
            else:
                lost.append(common.intersection(nearer(places[i], places[j], 100)))
        share = mine.difference(unary_union([p for g in lost for p in polygons(g)])) if lost else mine
        parts = [(share, 1)]
        for other in same:
            parts = [q for p, n in parts for q in ((p.difference(other), n), (p.intersection(other), n + 1))]
        out[i] = sum(p.area / n for p, n in parts), mates
    return out


def read_trees(opts, counts):
    """[(id, x, y, reach_m)], without those that have no point."""
    if opts.stands:
        with open(opts.stands, encoding="utf-8", newline="") as f:
            return [(r["id"], float(r["x"]), float(r["y"]), float(r["reach_m"])) for r in csv.DictReader(f)]
    trees, seen = [], set()
    for feature in features(opts.trees):
        geometry = feature["geometry"]
        if geometry is None:
            counts["without geometry"] += 1
            continue
        x, y = geometry["coordinates"][:2]
        if opts.without and feature["properties"].get(opts.without):
            counts["left out"] += 1
            continue
        tree = str(feature["properties"][opts.id])
        if (tree, x, y) in seen:
            counts["copies"] += 1
            continue
        seen.add((tree, x, y))
        trees.append((tree, x, y, opts.reach))
    return trees


def self_test():
    """Closed forms, and the repairs that go wrong most easily."""
    opts = argparse.Namespace(snap=1.5, segments=128)
    segment = lambda r, h: r * r * math.acos((r - h) / r) - (r - h) * math.sqrt(2 * r * h - h * h)  # noqa: E731
    pit = [(-0.6, -1.2), (-0.6, 1.2), (0.6, 1.2), (0.6, -1.2)]
    at_kerb = [(-2, -1.2), (-2, 1.2), (0.6, 1.2), (0.6, -1.2)]
    slab = [(-2, -9), (9, -9), (9, 9), (-2, 9)]
    kerb_slab = [(-2, -9), (9, -9), (9, 9), (-2, 9), (-2, 1.2), (-2, -1.2)]
    road = box(-20, -20, -2, 20)
    split = [box(-9, -9, 9, -1.2), box(-9, 1.2, 9, 9), box(0.6, -1.2, 9, 1.2), box(-9, -1.2, -0.6, 1.2)]
    cracked = [box(-9, 1.25, 9, 9) if q is split[1] else q for q in split]
    circle = math.pi * 36
    cases = [
        ("nothing hard", [], 0.1, 0, circle),
        ("kerb 2 m away", [road], 0.1, 0, circle - segment(6, 4)),
        ("a pit", [Polygon(slab, [pit]), road], 0.1, 0, 2.88),
        ("a pit at the kerb, hole sharing an edge with its shell", [Polygon(kerb_slab, [at_kerb]), road], 0.1, 0, 2.6 * 2.4),
        ("a pit among four slabs", split, 0.1, 0, 2.88),
        ("one slab drawn 5 cm off, closed", cracked, 0.1, 0, 1.2 * 2.45),
        ("the same, not closed", cracked, 0, 0, 2.88 + 2 * 0.05 * math.sqrt(36 - 1.225**2)),
        ("a bow-tie, both lobes hard", [Polygon([(2, -9), (6, 9), (2, 9), (6, -9)]), Polygon([(-9, -9), (2, -9), (2, 9), (-9, 9)])], 0, 3, None),
        ("1 m onto the road", [road], 0.1, -3, circle / 2),
        ("2 m onto the road", [road], 0.1, -4, 0),
    ]
    bad = 0
    for name, hard, gap, x, want in cases:
        counts = {"repaired": 0}
        whole = [q for p in hard for q in repaired(p, counts)]
        _, opening, _, _ = Ground(whole, [], [], opts).opening(x, 0, 6, gap)
        if want is None:  # the free wedge of a bow-tie, counted on a fine raster
            step, cross = 0.01, lambda u, v: abs(u - 4) <= 2 * abs(v) / 9  # noqa: E731
            want = sum(
                step * step for i in range(-600, 600) for k in range(-600, 600)
                if math.hypot(u := (i + 0.5) * step, v := (k + 0.5) * step) < 6 and 2 < 3 + u < 4 and not cross(3 + u, v)
            )
        ok = abs(opening.area - want) <= 5e-4 * max(want, 1)
        bad += not ok
        print(f"{'ok ' if ok else 'BAD'} {name}: {opening.area:.4f}, want {want:.4f}")
    lens = 2 * 36 * math.acos(7 / 12) - 7 / 2 * math.sqrt(4 * 36 - 49)
    for name, places, want in [
        ("two trees, 7 m apart, on a lawn", [(0, 0), (7, 0)], [circle - lens / 2] * 2),
        ("three on one spot", [(0, 0), (0.05, 0), (0, 0.05)], [None] * 3),
    ]:
        openings = [Ground([], [], [], opts).opening(x, y, 6, 0)[1] for x, y in places]
        got = [s for s, _ in shares(places, openings)]
        union = unary_union(openings).area
        ok = abs(sum(got) - union) < 1e-3 * union and all(w is None or abs(g - w) < 5e-4 * w for g, w in zip(got, want))
        bad += not ok
        print(f"{'ok ' if ok else 'BAD'} {name}: {', '.join(f'{g:.4f}' for g in got)}; sum {sum(got):.4f}, union {union:.4f}")
    return bad


def main():
    if sys.argv[1:] == ["--self-test"]:
        sys.exit(1 if self_test() else 0)
    p = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    p.add_argument("--trees", help="GeoJSON of points, in metres")
    p.add_argument("--stands", help="instead of --trees: CSV of id,x,y,reach_m")
    p.add_argument("--id", default="id", help="attribute that names a tree")
    p.add_argument("--without", metavar="FIELD", help="leave out trees for which this attribute says something (REMOVED)")
    p.add_argument("--hard", action="append", default=[], required=True)
    p.add_argument("--bed", action="append", default=[])
    p.add_argument("--barrier", action="append", default=[])
    p.add_argument("--reach", type=float, default=6.0, help="metres")
    p.add_argument("--gap", type=float, default=0.10, help="metres; 0 closes nothing")
    p.add_argument("--snap", type=float, default=1.5, help="metres")
    p.add_argument("--segments", type=int, default=128, help="sides of the disk in a quarter circle")
    p.add_argument("--near-gap", action="store_true")
    p.add_argument("--no-share", action="store_true")
    p.add_argument("--limit", type=int, help="the first so many trees")
    p.add_argument("--out", required=True)
    opts = p.parse_args()
    if bool(opts.trees) == bool(opts.stands):
        p.error("give --trees or --stands")

    counts = {"repaired": 0, "without geometry": 0, "copies": 0, "left out": 0}
    began = time.process_time()
    trees = read_trees(opts, counts)[: opts.limit]
    if trees and all(abs(x) <= 360 and abs(y) <= 90 for _, x, y, _ in trees):
        sys.exit("the trees lie in degrees: give the layers in metres")
    hard = read_polygons(opts.hard, counts)
    beds = read_polygons(opts.bed, counts)
    barriers = [LineString(f["geometry"]["coordinates"]).buffer(1e-4, cap_style=2) for b in opts.barrier for f in features(b)]
    read = time.process_time()

    ground = Ground(hard, beds, barriers, opts)
    rows = [(tree, *ground.opening(x, y, reach, opts.gap)) for tree, x, y, reach in trees]
    opened = time.process_time()
    share = [(float("nan"), 0)] * len(rows)
    if not opts.no_share:
        share = shares([(r[3], r[4]) for r in rows], [r[2] for r in rows])
    shared = time.process_time()
    near = [""] * len(rows)
    if opts.near_gap:
        for k, (tree, x, y, reach) in enumerate(trees):
            areas = [ground.opening(x, y, reach, opts.gap * f)[1].area for f in (0.97, 1.03)]
            if rows[k][1] != "sealed":
                areas.append(ground.reached(rows[k][3], rows[k][4], reach, opts.gap))
            near[k] = int(any(abs(a - rows[k][2].area) > 0.005 * max(rows[k][2].area, 0.1) for a in areas))

    with open(opts.out, "w", encoding="utf-8", newline="") as f:
        w = csv.writer(f, lineterminator="\n")
        w.writerow(["id", "ground", "open_m2", "share_m2", "mates", "x", "y", "near_gap"])
        for (tree, how, opening, x, y), (m2, mates), flag in zip(rows, share, near):
            w.writerow([tree, how, f"{opening.area:.6f}", f"{m2:.6f}", mates, f"{x:.4f}", f"{y:.4f}", flag])
    n = max(len(trees), 1)
    print(
        f"{len(trees)} trees, {len(hard)} pieces of hard ground ({', '.join(f'{v} {k}' for k, v in counts.items())}); "
        f"processor time: read {read - began:.2f} s, openings {opened - read:.2f} s ({(opened - read) / n * 1e6:.0f} us a tree), "
        f"shares {shared - opened:.2f} s ({(shared - opened) / n * 1e6:.0f} us a tree)",
        file=sys.stderr,
    )


if __name__ == "__main__":
    main()
