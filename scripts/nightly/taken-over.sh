#!/bin/sh
# Two nights of an invented city, the second with one tree in a hundred and some
# polygons gone, added or changed: the run that takes over what it can writes the
# same bytes as one that works out all. Prints how long both took.
#
#   scripts/nightly/taken-over.sh [TREES]
#
# Needs Go alone.
set -eu

trees=${1:-20000}
root=$(cd "$(dirname "$0")/../.." && pwd)
work=$(mktemp -d "${TMPDIR:-/tmp}/soilshed-taken.XXXXXX")
trap 'rm -rf "$work"' EXIT
trap 'exit 130' INT TERM
export SOURCE_DATE_EPOCH=1714530000

fail() {
	echo "taken-over.sh: $1" >&2
	exit 1
}

cd "$root"
CGO_ENABLED=0 go build -o "$work/soilshed" ./cmd/soilshed
mkdir "$work/first" "$work/second"
go run ./scripts/city --out "$work/first" --trees "$trees" --polygons $((trees * 6 / 5)) --crs lonlat >/dev/null

# One feature a line. Every 300th line: one is left out, one comes twice with a
# shifted place (and, of a tree, another number), one is changed.
alter() { # FILE EACH
	awk -v each="$2" '
		!/^{"type": "Feature"/ { print; next }
		n++ % each == 7 && k++ % 3 == 0 { next }
		n % each == 8 && k % 3 == 2 {
			print; line = $0
			match(line, /-?[0-9]+\.[0-9]+/)
			place = substr(line, RSTART, RLENGTH) + 0.00005
			line = substr(line, 1, RSTART - 1) sprintf("%.10f", place) substr(line, RSTART + RLENGTH)
			sub(/"id": [0-9]+/, "\"id\": " 9000000 + n, line)
			print line; next
		}
		n % each == 8 { sub(/"dbh": [0-9.]+/, "\"dbh\": 44.4"); match($0, /-?[0-9]+\.[0-9]+/)
			$0 = substr($0, 1, RSTART - 1) sprintf("%.10f", substr($0, RSTART, RLENGTH) + 0.00001) substr($0, RSTART + RLENGTH) }
		{ print }' "$work/first/$1" >"$work/second/$1"
	cmp -s "$work/first/$1" "$work/second/$1" && fail "nothing was changed in $1" || true
}
alter trees.geojson 100
alter pavement.geojson 500

night() { # FOLDER: one night in $work/out
	"$work/soilshed" assess --trees "$work/$1/trees.geojson" --pavement "$work/$1/pavement.geojson" --year 2024 \
		--since "$work/out/city.$form" --out "$work/out/city.$form" >"$work/said" 2>"$work/wrong" || fail "$(cat "$work/wrong")"
	sed -n 's/^  "seconds": //p; s/^    "seconds": \([0-9.]*\),/\1/p' "$work/out/city-manifest.json" | head -1
}

for form in gpkg geojson; do
	rm -rf "$work/out" "$work/before" "$work/taken"
	mkdir "$work/out"
	night first >/dev/null
	cp -r "$work/out" "$work/before"
	taken=$(night second)
	said=$(tr '\n' ' ' <"$work/said" | sed -n 's/.*The ground of \([0-9,]* of [0-9,]*\) trees.*/\1/p')
	[ -n "$said" ] || fail "nothing was taken over: $(tail -3 "$work/said")"
	mv "$work/out" "$work/taken"
	mv "$work/before" "$work/out"
	rm "$work/out/city-kept.bin" "$work/out/city-kept-map.bin"
	full=$(night second)
	for f in "$work/out"/*; do
		case $f in *-manifest.json) continue ;; esac
		cmp "$f" "$work/taken/${f##*/}" || fail "$form: not the same bytes"
	done
	[ "$(ls "$work/out")" = "$(ls "$work/taken")" ] || fail "$form: not the same files"
	echo "$form: the ground of $said trees taken over, the same bytes; $taken s, and $full s when all is worked out"
done
