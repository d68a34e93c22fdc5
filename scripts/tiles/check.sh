#!/bin/sh
# Writes tiles of the invented town, unpacks them with the PMTiles library and
# holds them against the layers, as GDAL reads both.
#
#   scripts/tiles/check.sh
#
# Needs Node with npm and GDAL (Debian: nodejs npm python3-gdal); where one is
# missing it skips, or fails with CI=true. The library is fetched with npm into a
# temporary folder. SOILSHED names a program that is built already, PYTHON the
# one that knows GDAL.
set -eu
cd "$(dirname "$0")/../.."
python=${PYTHON:-/usr/bin/python3}
absent=
for program in node npm; do
	command -v "$program" >/dev/null || absent="$absent $program"
done
"$python" -c 'from osgeo import ogr' 2>/dev/null || absent="$absent python3-gdal"
if [ -n "$absent" ]; then
	echo "$0: not here:$absent: the tiles are not read by another reader (Debian: nodejs npm python3-gdal)"
	[ "${CI:-}" != true ] || exit 1
	exit 0
fi
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
cp scripts/tiles/*.mjs scripts/tiles/package.json "$work"
(cd "$work" && npm install --no-audit --no-fund --no-package-lock --silent)
if [ -z "${SOILSHED:-}" ]; then
	go build -o "$work/soilshed" ./cmd/soilshed
	SOILSHED=$work/soilshed
fi
town=fixtures/town
assess() {
	"$SOILSHED" assess --quiet --year 2024 --trees $town/trees.geojson --field dbh=DIAM:in --field removed=REMOVED \
		--pavement $town/roads.geojson --pavement $town/sidewalks.geojson --pavement $town/driveways.geojson --pavement $town/buildings.geojson \
		--bed $town/beds.geojson --gusts $town/gusts.csv "$@"
}
assess --out "$work/town.gpkg" --tiles "$work/town.pmtiles" --tile-paving
mkdir "$work/tiles"
node "$work/unpack.mjs" "$work/town.pmtiles" "$work/tiles"
"$python" scripts/tiles/compare.py "$work/town.gpkg" "$work/tiles"

# The comparison must find a wrong one: the same tiles beside other shares.
assess --out "$work/other.gpkg" --reach 3
if "$python" scripts/tiles/compare.py "$work/other.gpkg" "$work/tiles" >"$work/other.txt" 2>&1 || ! grep -q '^share of' "$work/other.txt"; then
	echo "the comparison finds nothing wrong where shares are others"
	exit 1
fi
