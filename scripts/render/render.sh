#!/bin/sh
# Assesses the invented town, opens the result in headless QGIS and renders it.
#
#   scripts/render/render.sh [OUT_FOLDER]
#
# Needs QGIS with Python (Debian: qgis python3-qgis). PYTHON names the one that
# knows QGIS; /usr/bin/python3 when not set.
set -eu
here=$(cd "$(dirname "$0")/../.." && pwd)
out=${1:-$(mktemp -d)}
mkdir -p "$out"
out=$(cd "$out" && pwd)
cd "$here"
go run ./cmd/soilshed demo --dir "$out" >"$out/summary.txt"
QT_QPA_PLATFORM=offscreen "${PYTHON:-/usr/bin/python3}" scripts/render/render.py \
	"$out/wrenfold.gpkg" "$out" "$out/wrenfold/buildings.geojson" "$out/wrenfold/driveways.geojson" \
	"$out/wrenfold/sidewalks.geojson" "$out/wrenfold/roads.geojson"
