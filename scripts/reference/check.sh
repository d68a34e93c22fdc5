#!/bin/sh
# Hold soilshed's openings and shares against GEOS (ground.py) on the invented
# town and on a random town of 2,000 trees, given once as longitude and latitude
# and once as a shapefile in metres. Exit 1 when they disagree.
#
#   scripts/reference/check.sh [PATH-OF-SOILSHED]      (built when not given)
#
# Both references prove themselves first: on closed forms, and on wrong answers
# planted for the comparison to find. Debian: python3-shapely.
set -eu
cd "$(dirname "$0")/../.."
ref=scripts/reference
work=$(mktemp -d "${TMPDIR:-/tmp}/ground-check.XXXXXX")
trap 'rm -rf "$work"' EXIT
trap 'exit 130' INT TERM

/usr/bin/python3 $ref/ground.py --self-test
/usr/bin/python3 $ref/compare.py --self-test

ours=${1:-}
if [ -z "$ours" ]; then
	ours="$work/soilshed"
	CGO_ENABLED=0 go build -o "$ours" ./cmd/soilshed
fi
failed=
# Trees that are gone, and second records of one tree, are in ours without
# ground; the reference leaves both out. One that it has stays missed.
assessed() { # ours
	/usr/bin/python3 - "$1" <<'END'
import json, sys
with open(sys.argv[1], encoding="utf-8") as f:
    doc = json.load(f)
doc["features"] = [t for t in doc["features"] if t["properties"]["ground"] is not None]
with open(sys.argv[1], "w", encoding="utf-8") as f:
    json.dump(doc, f)
END
}
hold() { # name, reference, ours
	printf '\n%s\n' "$1"
	assessed "$3"
	/usr/bin/python3 $ref/compare.py "$2" "$3" --within 99.5 || failed="$failed$1; "
}

go run ./scripts/city --small --crs lonlat,shape,metres --out "$work/city"
c="$work/city"
/usr/bin/python3 $ref/ground.py --trees "$c/trees-metres.geojson" --hard "$c/pavement-metres.geojson" --reach 6 --near-gap --out "$work/city.csv"
"$ours" assess --trees "$c/trees.geojson" --pavement "$c/pavement.geojson" --reach 6 --close-gap 0.1 --snap 1.5 --out "$work/city.geojson" >"$work/log" 2>&1 || { cat "$work/log"; exit 1; }
hold "random town, GeoJSON" "$work/city.csv" "$work/city.geojson"
"$ours" assess --trees "$c/trees.shp" --pavement "$c/pavement.shp" --reach 6 --close-gap 0.1 --snap 1.5 --out "$work/city-shp.geojson" >"$work/log" 2>&1 || { cat "$work/log"; exit 1; }
hold "random town, shapefile" "$work/city.csv" "$work/city-shp.geojson"

go run ./scripts/town --out "$work/town" --metres "$work/metres"
t=fixtures/town m="$work/metres"
diff -rq "$work/town" $t || { echo "fixtures/town is not what scripts/town draws: run go run ./scripts/town"; exit 1; }
/usr/bin/python3 $ref/ground.py --trees "$m/trees.geojson" --id TREEID --without REMOVED --reach 6 --near-gap --out "$work/town.csv" \
	--hard "$m/roads.geojson" --hard "$m/sidewalks.geojson" --hard "$m/driveways.geojson" --hard "$m/buildings.geojson" --bed "$m/beds.geojson" --barrier "$m/walls.geojson"
"$ours" assess --trees $t/trees.geojson --field id=TREEID --field dbh=DIAM:in --field removed=REMOVED --pavement $t/roads.geojson --pavement $t/sidewalks.geojson \
	--pavement $t/driveways.geojson --pavement $t/buildings.geojson --bed $t/beds.geojson --barrier $t/walls.geojson \
	--reach 6 --close-gap 0.1 --snap 1.5 --out "$work/town.geojson" >"$work/log" 2>&1 || { cat "$work/log"; exit 1; }
hold "Wrenfold" "$work/town.csv" "$work/town.geojson"

if [ "$failed" ]; then
	printf '\ndisagree: %s\n' "$failed"
	exit 1
fi
