#!/bin/sh
# Opens the pages of soilshed in a real browser: the invented town, texts that try
# to run something, a worklist in days and feet, two designs beside today.
#
#   scripts/page/test.sh [PICTURES] [BIG.html]
#
# Needs Node with npm and Chromium (Debian: nodejs npm chromium; CHROMIUM names
# another one); where one is missing it skips, or fails with CI=true. The playwright-core of package.json is fetched with npm into a
# temporary folder, unless PLAYWRIGHT names a folder that has it in node_modules.
# SOILSHED names a program that is built already.
set -eu
cd "$(dirname "$0")/../.."
for program in node npm "${CHROMIUM:-chromium}"; do
	command -v "$program" >/dev/null && continue
	echo "$0: no $program here: the page is not opened in a browser (Debian: nodejs npm chromium)"
	[ "${CI:-}" != true ] || exit 1
	exit 0
done
work=$(mktemp -d)
trap 'rm -rf "$work"' EXIT
pictures=${1:-$work/pictures}
big=${2:-}
mkdir -p "$pictures"
cp scripts/page/*.mjs scripts/page/package.json "$work"
if [ -n "${PLAYWRIGHT:-}" ]; then
	ln -s "$PLAYWRIGHT/node_modules" "$work/node_modules"
else
	(cd "$work" && npm install --no-audit --no-fund --no-package-lock --silent)
fi
if [ -n "${SOILSHED:-}" ]; then
	cp "$SOILSHED" "$work/soilshed"
else
	go build -o "$work/soilshed" ./cmd/soilshed
fi
"$work/soilshed" demo --dir "$work/demo" >/dev/null
town=$work/demo/wrenfold
assess() { "$work/soilshed" assess --quiet "$@"; }
wrenfold() {
	name=$1
	shift
	assess --trees "$town/trees.geojson" --field dbh=DIAM:in --field removed=REMOVED \
		--pavement "$town/roads.geojson" --pavement "$town/sidewalks.geojson" --pavement "$town/driveways.geojson" --pavement "$town/buildings.geojson" \
		--bed "$town/beds.geojson" --soil "$town/soil.geojson" --gusts "$town/gusts.csv" --year 2024 \
		--out "$work/$name.gpkg" --page "$work/$name.html" "$@"
}
wrenfold town
wrenfold crew --units us --crew-days 3
# The next night: two trees are gone, one is moved, one has grown.
node "$work/later.mjs" "$town/trees.geojson" "$work/later.geojson"
cp -r "$town" "$work/later"
cp "$work/later.geojson" "$work/later/trees.geojson"
town=$work/later wrenfold since --since "$work/town.gpkg"
mkdir "$work/hostile"
node "$work/hostile.mjs" "$work/hostile"
assess --trees "$work/hostile/trees.geojson" --pavement "$work/hostile/walks.geojson" --out "$work/hostile.gpkg" --page "$work/hostile.html"
# Designs, and two whose names and trees are hostile.
"$work/soilshed" compare --quiet --before "$town/today.toml" --after "$town/option-a.toml" --after "$town/option-b.toml" \
	--within "$town/corridor.geojson" --prices "$town/prices.csv" --page "$work/designs.html"
bad=$work/hostile/'"><img src=x onerror="window.ran=1"><b>.toml'
printf 'trees = "trees.geojson"\npavement = "walks.geojson"\nyear = 2024\n' | tee "$work/hostile/today.toml" >"$bad"
"$work/soilshed" compare --quiet --before "$work/hostile/today.toml" --after "$bad" --page "$work/hostile-designs.html"
node "$work/test.mjs" "$work/town.html" "$work/hostile.html" "$work/crew.html" "$work/since.html" "$work/designs.html" "$work/hostile-designs.html" "$pictures" ${big:+"$big"}
