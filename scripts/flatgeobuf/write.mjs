// Writes layers of GeoJSON as FlatGeobuf with the library in JavaScript of the
// format's makers: node write.mjs FOLDER LAYER.geojson ... Each goes to a folder for
// each way of writing, whose names are printed:
//   counted   one type of geometry for all, counted, as the library does it
//   streamed  a type for each record, and no count, as a program writes that does not
//             know what is to come
// The library writes no index, and no record without a geometry: these are left out.
import { readFileSync, writeFileSync, mkdirSync } from "node:fs";
import { basename, join } from "node:path";
import { buildHeader } from "flatgeobuf/lib/mjs/generic/featurecollection.js";
import { buildFeature } from "flatgeobuf/lib/mjs/generic/feature.js";
import { parseGeometry } from "flatgeobuf/lib/mjs/geojson/geometry.js";
import { ColumnType } from "flatgeobuf/lib/mjs/flat-geobuf/column-type.js";
import { GeometryType } from "flatgeobuf/lib/mjs/flat-geobuf/geometry-type.js";

const [folder, ...layers] = process.argv.slice(2);
const typeOf = values => values.every(v => typeof v === "boolean") ? ColumnType.Bool
  : values.every(v => Number.isInteger(v)) ? ColumnType.Long
  : values.every(v => typeof v === "number") ? ColumnType.Double : ColumnType.String;
for (const way of ["counted", "streamed"]) {
  mkdirSync(join(folder, way), { recursive: true });
  for (const layer of layers) {
    const features = JSON.parse(readFileSync(layer, "utf8")).features.filter(f => f.geometry);
    const types = new Set(features.map(f => f.geometry.type));
    const meta = {
      geometryType: way === "streamed" || types.size > 1 ? GeometryType.Unknown : GeometryType[[...types][0]],
      columns: Object.keys(features[0].properties).map(name => ({ name, type: typeOf(features.map(f => f.properties[name]).filter(v => v !== null)) })),
      envelope: null, featuresCount: way === "streamed" ? 0 : features.length, indexNodeSize: 0, crs: null, title: null, description: null, metadata: null,
    };
    const parts = [new Uint8Array([0x66, 0x67, 0x62, 3, 0x66, 0x67, 0x62, 0]), buildHeader(meta, 4326)];
    for (const f of features) {
      const values = Object.fromEntries(meta.columns.map(c => [c.name, f.properties[c.name] === null ? null : c.type === ColumnType.Long ? BigInt(f.properties[c.name]) : c.type === ColumnType.String ? String(f.properties[c.name]) : f.properties[c.name]]));
      parts.push(buildFeature(parseGeometry(f.geometry), values, meta));
    }
    writeFileSync(join(folder, way, basename(layer, ".geojson") + ".fgb"), Buffer.concat(parts));
  }
  console.log(way);
}
