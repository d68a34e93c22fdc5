#!/bin/sh
# Holds the examples of this folder to what they promise: the configuration file,
# the cron line and the unit as they stand, on the invented town; and the static
# binary alone in an otherwise empty root, as the container has it.
#
#   scripts/nightly/examples.sh
#
# Needs Go; systemd-analyze and root for the parts that say so when they are left
# out (with CI=true that is a failure).
set -eu

here=$(cd "$(dirname "$0")" && pwd)
root=$(cd "$here/../.." && pwd)
work=$(mktemp -d "${TMPDIR:-/tmp}/soilshed-examples.XXXXXX")
trap 'rm -rf "$work"' EXIT
trap 'exit 130' INT TERM

without() {
	echo "left out: $1" >&2
	[ "${CI:-}" != true ] || exit 1
}
fail() {
	echo "examples.sh: $1" >&2
	exit 1
}

(cd "$root" && CGO_ENABLED=0 go build -o "$work/soilshed" ./cmd/soilshed)

lay_out() { # a folder as the examples have it
	mkdir -p "$1/out"
	cp -r "$root/fixtures/town" "$1/data"
	cp "$here/night.toml" "$1"
}

# The cron line, two nights of it, with its paths seen in the work folder.
lay_out "$work/cron"
line=$(grep '^0 2' "$here/crontab" | sed "s|^.* soilshed  ||; s|/srv/soilshed|$work/cron|; s|/usr/local/bin/soilshed|$work/soilshed|")
said=$(sh -c "$line" 2>&1) || fail "the cron line failed: $said"
[ -z "$said" ] || fail "the cron line said on a good first night: $said"
sed -i 's/"TREEID": 1002\(.*\)"DIAM": "11"/"TREEID": 1002\1"DIAM": "24"/' "$work/cron/data/trees.geojson"
said=$(sh -c "$line" 2>&1) || fail "the cron line failed on the second night: $said"
echo "$said" | grep -q 'tree 1002,.*' || fail "no word of tree 1002: $said"
echo "$said" | grep -q 'DIAM is 24, was 11' || fail "no reason: $said"

# The unit.
if command -v systemd-analyze >/dev/null; then
	sed "s|/usr/local/bin/soilshed|$work/soilshed|" "$here/soilshed.service" >"$work/soilshed.service"
	cp "$here/soilshed.timer" "$work"
	said=$(systemd-analyze verify "$work/soilshed.service" "$work/soilshed.timer" 2>&1 | grep -F "$work/soilshed." || true)
	[ -z "$said" ] || fail "systemd-analyze: $said"
	sed -n 's/^OnCalendar=//p' "$here/soilshed.timer" | while read -r when; do
		systemd-analyze calendar "$when" >/dev/null || fail "OnCalendar=$when"
	done
else
	without "the unit, as there is no systemd-analyze"
fi

# The binary alone.
if [ "$(id -u)" = 0 ]; then
	lay_out "$work/scratch/srv/soilshed"
	mkdir -m 1777 "$work/scratch/tmp"
	cp "$work/soilshed" "$work/scratch/soilshed"
	(cd "$work/scratch" && chroot . /soilshed assess --config /srv/soilshed/night.toml --quiet) || fail "the binary does not run alone"
	[ -s "$work/scratch/srv/soilshed/out/city.gpkg" ] || fail "the binary alone wrote nothing"
else
	without "the binary alone in a root, as that takes root"
fi
echo "examples.sh: configuration, cron line, unit and the binary alone do as they say"
