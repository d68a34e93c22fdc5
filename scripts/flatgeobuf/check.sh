#!/bin/sh
# Writes the layers of the invented town as FlatGeobuf with the library in JavaScript
# of the format's makers, in two ways, and assesses them: the result must be that of
# the GeoJSON, byte for byte. Then reads what the program writes as FlatGeobuf with
# that library: each value and geometry must be that of the GeoJSON of the same run,
# and windows must find through the index what lies in them.
exec "$(dirname "$0")/../geoparquet/check.sh" FlatGeobuf fgb
