#!/usr/bin/env bash
# The same input gives the same bytes: with one worker and with many, in other
# languages and time zones, and on another processor.
#
#   scripts/everywhere/everywhere.sh
#
# arm64 is run by Debian's qemu-user-static and is skipped with a word where that
# is missing (with CI=true it fails).
set -euo pipefail
cd "$(dirname "$0")/../.."
work=$(mktemp -d "${TMPDIR:-/tmp}/soilshed-everywhere.XXXXXX")
trap 'rm -rf "$work"' EXIT
CGO_ENABLED=0 go build -trimpath -o "$work/here" ./cmd/soilshed
t=$PWD/fixtures/town

# night PROGRAM FOLDER FLAGS...: all that a night writes, but for the manifest,
# which tells of the run.
night() {
	local program=$1 to=$2
	shift 2
	mkdir -p "$to"
	(cd "$to" && env LANG="${lang:-C}" LC_ALL="${lang:-C}" TZ="${zone:-UTC}" $program assess --quiet --year 2024 --trees "$t/trees.geojson" --field dbh=DIAM:in --field removed=REMOVED \
		--pavement "$t/roads.geojson" --pavement "$t/sidewalks.geojson" --pavement "$t/driveways.geojson" --pavement "$t/buildings.geojson" \
		--bed "$t/beds.geojson" --rootable "$t/rootable.geojson" --barrier "$t/walls.geojson" --soil "$t/soil.geojson" \
		--weather "$t/weather.csv" --elevation 360 --gusts "$t/gusts.csv" --crew-days 2 "$@")
	rm -f "$to"/*-manifest.json
}
bad=0
same() { # same NAME A B
	if diff -rq "$2" "$3"; then
		echo "$1: the same $(ls "$2" | wc -l) files, byte for byte"
	else
		echo "$1: other bytes"
		bad=1
	fi
}

export SOURCE_DATE_EPOCH=1700000000
GOMAXPROCS=2 night "$work/here" "$work/two" --out town.gpkg --page town.html --workers 2
GOMAXPROCS=1 night "$work/here" "$work/one" --out town.gpkg --page town.html --workers 1
same "1 worker on 1 thread, 2 on 2" "$work/two" "$work/one"
GOMAXPROCS=16 night "$work/here" "$work/sixteen" --out town.gpkg --page town.html --workers 16
same "2 workers on 2 threads, 16 on 16" "$work/two" "$work/sixteen"
lang=tr_TR.UTF-8 zone=Asia/Kathmandu night "$work/here" "$work/turkish" --out town.gpkg --page town.html
same "Turkish, in Kathmandu" "$work/two" "$work/turkish"
lang=de_DE.ISO-8859-1 zone=America/St_Johns night "$work/here" "$work/german" --out town.gpkg --page town.html
same "German, in St. John's" "$work/two" "$work/german"

qemu=$(command -v qemu-aarch64-static || command -v qemu-aarch64 || true)
if [ -z "$qemu" ]; then
	echo "arm64: skipped, no qemu-aarch64-static here"
	[ "${CI:-}" != true ] || bad=1
else
	CGO_ENABLED=0 GOARCH=arm64 go build -trimpath -o "$work/arm64" ./cmd/soilshed
	night "$work/here" "$work/amd-csv" --out town.geojson
	night "$qemu $work/arm64" "$work/arm-csv" --out town.geojson
	if diff -rq "$work/amd-csv" "$work/arm-csv" >/dev/null; then
		echo "amd64, arm64: the same $(ls "$work/arm-csv" | wc -l) files, byte for byte"
	else
		# A fused multiply-add rounds once where amd64 rounds twice.
		python3 scripts/everywhere/agree.py "$work/amd-csv" "$work/arm-csv" || bad=1
	fi
fi
exit $bad
