#!/bin/sh
# Assesses the invented town, opens the result in headless QGIS and renders it.
#
#   scripts/render/render.sh [OUT_FOLDER]
#
# Needs QGIS with Python (Debian: python3-qgis); where it is missing it skips, or
# fails with CI=true. PYTHON names the one that knows QGIS; /usr/bin/python3 when
# not set. SOILSHED names a program that is built already.
set -eu
python=${PYTHON:-/usr/bin/python3}
export QT_QPA_PLATFORM=offscreen
if ! "$python" -c 'import qgis.core' 2>/dev/null; then
	echo "$0: $python knows no QGIS: the styles are not rendered (Debian: python3-qgis)"
	[ "${CI:-}" != true ] || exit 1
	exit 0
fi
here=$(cd "$(dirname "$0")/../.." && pwd)
out=${1:-$(mktemp -d)}
mkdir -p "$out"
out=$(cd "$out" && pwd)
cd "$here"
if [ -z "${SOILSHED:-}" ]; then
	go build -o "$out/soilshed" ./cmd/soilshed
	SOILSHED=$out/soilshed
fi
"$SOILSHED" demo --dir "$out" >"$out/summary.txt"
"$python" scripts/render/render.py \
	"$out/wrenfold.gpkg" "$out" "$out/wrenfold/buildings.geojson" "$out/wrenfold/driveways.geojson" \
	"$out/wrenfold/sidewalks.geojson" "$out/wrenfold/roads.geojson"
