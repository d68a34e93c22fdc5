#!/bin/sh
# A PostgreSQL with PostGIS that lives as long as this script: no TCP, socket and
# data in a temporary folder. Debian: postgresql-15-postgis-3.
#
#   postgis.sh COMMAND...   runs the command with the server's address in
#                           SOILSHED_POSTGRES, and ends with it
#   postgis.sh              prints the address and serves until its input ends
#
# Exit status 69: there is no server to start.
set -eu

bin=${PGBIN:-}
if [ -z "$bin" ]; then
	bin=$(ls -d /usr/lib/postgresql/*/bin 2>/dev/null | sort -V | tail -1) || true
fi
[ -x "$bin/initdb" ] || { echo "postgis.sh: no PostgreSQL server under /usr/lib/postgresql (set PGBIN)" >&2; exit 69; }

work=$(mktemp -d "${TMPDIR:-/tmp}/soilshed-pg.XXXXXX")
as=
if [ "$(id -u)" = 0 ]; then # PostgreSQL will not run as root
	chown postgres "$work"
	chmod 755 "$work"
	as="runuser -u postgres --"
fi
stop() {
	(cd "$work" && $as "$bin/pg_ctl" -D "$work/data" -m immediate stop >/dev/null 2>&1) || true
	rm -rf "$work"
}
trap stop EXIT
trap 'exit 130' INT TERM HUP

(
	cd "$work"
	$as "$bin/initdb" -D "$work/data" -U postgres -A trust -E UTF8 --locale=C --no-sync >/dev/null
	$as "$bin/pg_ctl" -D "$work/data" -w -l "$work/log" -o "-c listen_addresses='' -c unix_socket_directories='$work' \
		-c fsync=off -c synchronous_commit=off -c full_page_writes=off" start >/dev/null
) || { cat "$work/log" >&2; exit 69; }
export PGHOST="$work" PGUSER=postgres
"$bin/createdb" city
"$bin/psql" -q -d city -c 'CREATE EXTENSION postgis' || { echo "postgis.sh: the server has no PostGIS" >&2; exit 69; }
unset PGHOST PGUSER

SOILSHED_POSTGRES="postgres://postgres@/city?host=$work"
export SOILSHED_POSTGRES
if [ $# -gt 0 ]; then
	"$@"
else
	echo "$SOILSHED_POSTGRES"
	cat >/dev/null
fi
