#!/usr/bin/env python3
"""Holds unpacked vector tiles against the GeoPackage of the same run, as GDAL
reads both: compare.py CITY.gpkg FOLDER. Exit status 1 and a line for each thing
that is wrong.
"""
import glob
import math
import os
import sys

from osgeo import ogr, osr

ogr.UseExceptions()
WORLD_M = 2 * math.pi * 6378137  # side of the web's map (EPSG:3857)
wrong = []


def expect(good, what):
    if not good:
        wrong.append(what)


def degrees(system):
    to = osr.SpatialReference()
    to.ImportFromEPSG(4326)
    for s in (system, to):
        s.SetAxisMappingStrategy(osr.OAMS_TRADITIONAL_GIS_ORDER)
    return osr.CoordinateTransformation(system, to)


def metres(lon, lat):
    """A place on the web's map."""
    return lon / 360 * WORLD_M, math.log(math.tan(math.pi / 4 + lat * math.pi / 360)) * 6378137


package = ogr.Open(sys.argv[1])
trees, shares = {}, {}
layer = package.GetLayerByName("trees")
turn = degrees(layer.GetSpatialRef())
for f in layer:
    lon, lat, _ = turn.TransformPoint(f.geometry().GetX(), f.geometry().GetY())
    trees[f["tree_id"]] = (metres(lon, lat), f["soil_class"], f["why"], math.cos(math.radians(lat)))
layer = package.GetLayerByName("openings")
onto_map = osr.SpatialReference()
onto_map.ImportFromEPSG(3857)
turn = osr.CoordinateTransformation(layer.GetSpatialRef(), onto_map)
for f in layer:
    g = f.geometry().Clone()
    g.Transform(turn)
    shares[f["tree_id"]] = g.GetArea()

nearest = max(int(z) for z in os.listdir(sys.argv[2]))
step = WORLD_M / 2**nearest / 4096
tiles = 0
for zoom in sorted(int(z) for z in os.listdir(sys.argv[2])):
    stands_for, seen, area, pieces = 0, set(), {}, {}
    for path in glob.glob(os.path.join(sys.argv[2], str(zoom), "*", "*.pbf")):
        tiles += 1
        expect(os.path.getsize(path) <= 500_000, f"{path} holds {os.path.getsize(path)} bytes")
        x, y = int(path.split(os.sep)[-2]), int(os.path.basename(path)[:-4])
        side = WORLD_M / 2**zoom
        box = (x * side - WORLD_M / 2, WORLD_M / 2 - (y + 1) * side, (x + 1) * side - WORLD_M / 2, WORLD_M / 2 - y * side)
        cut = ogr.CreateGeometryFromWkt("POLYGON(({0} {1},{2} {1},{2} {3},{0} {3},{0} {1}))".format(*box))
        tile = ogr.Open(path)
        for k in range(tile.GetLayerCount()):
            layer = tile.GetLayer(k)
            for f in layer:
                has = f.items()
                g = f.geometry()
                if layer.GetName() == "trees":
                    stands_for += int(has.get("trees") or 1)
                    expect(box[0] - 1e-3 <= g.GetX() <= box[2] + 1e-3 and box[1] - 1e-3 <= g.GetY() <= box[3] + 1e-3, f"{path}: a tree lies in another tile")
                    if zoom == nearest:
                        seen.add(has["tree_id"])
                        at, soil, why, _ = trees[has["tree_id"]]
                        off = max(abs(g.GetX() - at[0]), abs(g.GetY() - at[1]))
                        expect(off <= 1.01 * step, f"tree {has['tree_id']} lies {off:.2f} m off, a step is {step:.2f} m")
                        expect(has.get("soil_class") == soil and has.get("why") == why, f"tree {has['tree_id']}: {has}")
                if layer.GetName() == "openings" and zoom == nearest:
                    expect(g.IsValid() or g.Buffer(step).IsValid(), f"share of {has['tree_id']} is no polygon")
                    inside = g.Buffer(0).Intersection(cut)
                    if inside is not None:
                        area[has["tree_id"]] = area.get(has["tree_id"], 0) + inside.GetArea()
                        pieces[has["tree_id"]] = pieces.get(has["tree_id"], 0) + g.Boundary().Length()
    expect(stands_for == len(trees), f"zoom {zoom} stands for {stands_for} trees, there are {len(trees)}")
    if zoom == nearest:
        expect(seen == set(trees), f"zoom {zoom} lacks {sorted(set(trees) - seen)[:5]}")
        for tree, m2 in shares.items():
            got, scale = area.get(tree, 0) * trees[tree][3] ** 2, trees[tree][3]  # the map is stretched by its inverse
            m2 *= scale**2
            # Steps along the outline go this way and that.
            may = 0.35 * step * pieces.get(tree, 0) * scale**2 + 0.05
            expect(abs(got - m2) <= may, f"share of {tree}: {got:.2f} m2 in the tiles, {m2:.2f} in the layer, {may:.2f} allowed")
if wrong:
    sys.exit("\n".join(sorted(wrong)[:20]))
print(f"{tiles} tiles, {len(trees)} trees and {len(shares)} shares agree with the layers to a step of {step:.2f} m")
