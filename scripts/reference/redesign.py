#!/usr/bin/env python3
"""What the designs of Wrenfold open, close and underlay, by GEOS (python3-gdal).

    go run ./scripts/town --metres DIR && scripts/reference/redesign.py DIR > fixtures/reference/redesign.csv

Polygons are repaired by the structure method, united, and subtracted; nothing of
soilshed takes part.
"""

import sys

from osgeo import gdal, ogr

gdal.UseExceptions()
gdal.PushErrorHandler("CPLQuietErrorHandler")
folder = sys.argv[1]


def load(name):
    out = []
    source = ogr.Open(f"{folder}/{name}.geojson")
    for feature in source.GetLayer(0):
        g = feature.GetGeometryRef()
        if g is not None:
            g = g.Clone()
            out.append(g if g.IsValid() else g.MakeValid(["METHOD=STRUCTURE"]))
    return out


def union(geometries):
    all = ogr.Geometry(ogr.wkbMultiPolygon)
    for g in geometries:
        parts = [g] if g.GetGeometryName() == "POLYGON" else [g.GetGeometryRef(i) for i in range(g.GetGeometryCount())]
        for p in parts:
            if p.GetGeometryName() == "POLYGON":
                all.AddGeometry(p)
    return all.UnionCascaded()


corridor = union(load("corridor"))


def sealed(walks, beds):
    hard = [g for n in ("roads", walks, "driveways", "buildings") for g in load(n) if g.Intersects(corridor)]
    return union(hard).Intersection(corridor).Difference(union(load(beds)))


today = sealed("sidewalks", "beds")
rootable = union(load("rootable"))
print("# Areas in m2 within the corridor, by GEOS through GDAL; made by scripts/reference/redesign.py")
print("option,opened_m2,closed_m2,underlaid_m2")
for name, walks, beds, under in (
    ("option-a", "option-a/sidewalks", "beds", rootable),
    ("option-b", "sidewalks", "option-b/beds", union(load("option-b/rootable"))),
):
    then = sealed(walks, beds)
    closed = then.Difference(today)
    # New under what stays paved, and any under what is closed.
    below = then.Intersection(today).Intersection(under.Difference(rootable)).Area() + closed.Intersection(under).Area()
    print(f"{name},{today.Difference(then).Area():.4f},{closed.Area():.4f},{below:.4f}")
