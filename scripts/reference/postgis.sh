#!/bin/sh
# The ground of trees by PostGIS (ground.sql), in a database cluster that lives
# as long as this script: no TCP, socket and data in a temporary folder.
# Debian: postgresql-15-postgis-3, gdal-bin.
#
#   postgis.sh --trees FILE --hard FILE --out CSV
#              [--id id] [--reach 6] [--gap 0.10] [--snap 1.5] [--no-share]
#
# Files are what ogr2ogr reads, in metres. Times go to standard error.
set -eu

usage() { sed -n '2,10s/^# \{0,1\}//p' "$0" >&2; exit 64; }

trees= hard= out= id=id reach=6 gap=0.10 snap=1.5 share=on
while [ $# -gt 0 ]; do
	case $1 in
	--no-share) share=off; shift; continue ;;
	--trees | --hard | --out | --id | --reach | --gap | --snap) [ $# -ge 2 ] || usage ;;
	*) usage ;;
	esac
	case $1 in
	--trees) trees=$2 ;;
	--hard) hard=$2 ;;
	--out) out=$2 ;;
	--id) id=$2 ;;
	--reach) reach=$2 ;;
	--gap) gap=$2 ;;
	--snap) snap=$2 ;;
	esac
	shift 2
done
[ -n "$trees" ] && [ -n "$hard" ] && [ -n "$out" ] || usage

here=$(cd "$(dirname "$0")" && pwd)
bin=${PGBIN:-}
if [ -z "$bin" ]; then
	bin=$(ls -d /usr/lib/postgresql/*/bin 2>/dev/null | sort -V | tail -1) || true
fi
[ -x "$bin/initdb" ] || { echo "postgis.sh: no PostgreSQL server under /usr/lib/postgresql (set PGBIN)" >&2; exit 69; }

work=$(mktemp -d "${TMPDIR:-/tmp}/ground-pg.XXXXXX")
as=
if [ "$(id -u)" = 0 ]; then # PostgreSQL will not run as root
	chown postgres "$work"
	as="runuser -u postgres --"
fi
stop() {
	(cd "$work" && $as "$bin/pg_ctl" -D "$work/data" -m immediate stop >/dev/null 2>&1) || true
	rm -rf "$work"
}
trap stop EXIT
trap 'exit 130' INT TERM

(
	cd "$work"
	$as "$bin/initdb" -D "$work/data" -U postgres -A trust -E UTF8 --locale=C --no-sync >/dev/null
	$as "$bin/pg_ctl" -D "$work/data" -w -l "$work/log" -o "-c listen_addresses='' -c unix_socket_directories='$work' \
		-c fsync=off -c synchronous_commit=off -c full_page_writes=off -c shared_buffers=512MB -c work_mem=256MB -c max_wal_size=8GB -c jit=off" start >/dev/null
) || { cat "$work/log" >&2; exit 69; }

export PGHOST="$work" PGUSER=postgres PGDATABASE=ground
"$bin/createdb" ground
"$bin/psql" -qc 'CREATE EXTENSION postgis'

clock() { date +%s.%N; }
t0=$(clock)
load() { # file, table, then more for ogr2ogr
	file=$1 table=$2
	shift 2
	PG_USE_COPY=YES ogr2ogr -f PostgreSQL "PG:host=$work user=postgres dbname=ground" "$file" -nln "$table" \
		-lco GEOMETRY_NAME=geom -lco SPATIAL_INDEX=NONE -lco FID=fid "$@"
}
load "$trees" tree_in -nlt POINT
load "$hard" paved_in -nlt PROMOTE_TO_MULTI
"$bin/psql" -q -v ON_ERROR_STOP=1 -v id="$(printf %s "$id" | tr A-Z a-z)" <<'SQL'
CREATE VIEW tree AS SELECT :"id"::text AS id, geom FROM tree_in;
CREATE VIEW paved AS SELECT ST_SetSRID(geom, 0) AS geom FROM paved_in;
SQL
t1=$(clock)
(cd "$work" && "$bin/psql" -X -v reach="$reach" -v gap="$gap" -v snap="$snap" -v share=$share -f "$here/ground.sql") >&2
t2=$(clock)
mv "$work/ground.csv" "$out"
echo "$t0 $t1 $t2" | awk '{printf "loading %.2f s, all else %.2f s, together %.2f s\n", $2 - $1, $3 - $2, $3 - $1}' >&2
