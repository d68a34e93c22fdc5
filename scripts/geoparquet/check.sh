#!/bin/sh
# Writes the layers of the invented town as GeoParquet with two other programs, in
# all packings and versions of pages that are usual, and assesses them: the result
# must be that of the GeoJSON, byte for byte. Then reads what the program writes as
# GeoParquet with two other programs: each value, geometry and box must be that of
# the GeoJSON of the same run. scripts/flatgeobuf/check.sh does the same with another
# format.
#
#   scripts/geoparquet/check.sh [NAME ENDING]
#
# Needs Node with npm (Debian: nodejs npm); where one is missing it skips, or fails
# with CI=true. The others are fetched with npm into a temporary folder. SOILSHED
# names a program that is built already.
set -eu
cd "$(dirname "$0")/../.."
name=${1:-GeoParquet} ending=${2:-parquet}
folder=scripts/$(echo "$name" | tr A-Z a-z)
absent=
for program in node npm; do
	command -v "$program" >/dev/null || absent="$absent $program"
done
if [ -n "$absent" ]; then
	echo "$0: not here:$absent: $name of others is not tried (Debian: nodejs npm)"
	[ "${CI:-}" != true ] || exit 1
	exit 0
fi
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
cp "$folder"/*.mjs "$folder/package.json" "$work"
(cd "$work" && npm install --no-audit --no-fund --no-package-lock --silent)
if [ -z "${SOILSHED:-}" ]; then
	go build -o "$work/soilshed" ./cmd/soilshed
	SOILSHED=$work/soilshed
fi
town=$PWD/fixtures/town
layers=
for layer in trees roads sidewalks driveways buildings beds rootable walls soil; do
	layers="$layers $town/$layer.geojson"
done
ways=$(node "$work/write.mjs" "$work/in" $layers)

# assess ENDING FOLDER TO [MORE ...]
assess() {
	form=$1 in=$2 to=$3
	shift 3
	"$SOILSHED" assess --quiet --year 2024 --trees "$in/trees.$form" --field dbh=DIAM:in --field removed=REMOVED \
		--pavement "$in/roads.$form" --pavement "$in/sidewalks.$form" --pavement "$in/driveways.$form" --pavement "$in/buildings.$form" \
		--bed "$in/beds.$form" --rootable "$in/rootable.$form" --barrier "$in/walls.$form" --soil "$in/soil.$form" \
		--gusts "$town/gusts.csv" --out "$to" "$@"
}
mkdir "$work/want"
assess geojson "$town" "$work/want/town.geojson"
bad=0
for way in $ways; do
	mkdir "$work/$way"
	assess "$ending" "$work/in/$way" "$work/$way/town.geojson"
	for file in town.geojson town-openings.geojson town-worklist.csv; do
		# The layers name their inputs.
		sed "s|$work/in/$way|$town|g; s/\.$ending/.geojson/g" "$work/$way/$file" >"$work/got"
		if ! cmp "$work/want/$file" "$work/got"; then
			echo "$way: $file is another than of GeoJSON"
			bad=1
		fi
	done
	[ $bad = 1 ] || echo "$way: the same trees, openings and worklist"
done

assess geojson "$town" "$work/want/town.$ending"
for layer in town town-openings town-worklist; do
	node "$work/read.mjs" "$work/want/$layer.geojson" "$work/want/$layer.$ending" || bad=1
done

# The comparisons must find a wrong one.
if assess "$ending" "$work/in/$way" "$work/want/other.geojson" --reach 3 && cmp -s "$work/want/town-openings.geojson" "$work/want/other-openings.geojson"; then
	echo "the comparison finds nothing wrong where shares are others"
	bad=1
fi
if node "$work/read.mjs" "$work/want/other.geojson" "$work/want/town.$ending" >/dev/null; then
	echo "the reading finds nothing wrong where shares are others"
	bad=1
fi
exit $bad
