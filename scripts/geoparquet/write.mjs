// Writes GeoJSON layers as GeoParquet, each in each of several ways, into folders:
// node write.mjs TO LAYER.geojson ...
import { readFileSync, writeFileSync, mkdirSync } from "node:fs";
import { basename } from "node:path";
import { gzipSync } from "node:zlib";
import { createRequire } from "node:module";
import { parquetWriteBuffer, geojsonToWkb } from "hyparquet-writer";
import * as arrow from "apache-arrow";

const wasm = createRequire(import.meta.url)("parquet-wasm/node"); // the Rust crates parquet and arrow
const [to, ...layers] = process.argv.slice(2);

// What its properties are: a column of one kind each, in the order of the first.
function columnsOf(features) {
  const names = [...new Set(features.flatMap(f => Object.keys(f.properties)))];
  return names.map(name => {
    const data = features.map(f => f.properties[name] ?? null);
    const some = data.filter(v => v !== null);
    const kind = !some.every(v => typeof v === "number") ? "STRING" : some.every(Number.isInteger) ? "INT32" : "DOUBLE";
    return { name, kind, data };
  });
}

const wgs84 = { $schema: "https://proj.org/schemas/v0.7/projjson.schema.json", type: "GeographicCRS", name: "WGS 84", id: { authority: "EPSG", code: 4326 } };
function geo(features, more) {
  const types = [...new Set(features.filter(f => f.geometry).map(f => f.geometry.type))];
  return JSON.stringify({ version: "1.1.0", primary_column: "geometry", columns: { geometry: { encoding: "WKB", geometry_types: types, ...more } } });
}

function hyparquet(features, { metadata = {}, typed, ...how }) {
  const shape = features.map(f => f.geometry && (typed ? f.geometry : geojsonToWkb(f.geometry)));
  return new Uint8Array(parquetWriteBuffer({
    columnData: [
      ...columnsOf(features).map(c => ({ name: c.name, data: c.data, type: c.kind })),
      { name: "geometry", data: shape, type: typed ? "GEOMETRY" : "BYTE_ARRAY" },
    ],
    kvMetadata: metadata ? [{ key: "geo", value: geo(features, metadata) }] : [],
    ...how,
  }));
}

const arrowType = { STRING: new arrow.Utf8(), INT32: new arrow.Int32(), DOUBLE: new arrow.Float64() };
function rust(features, metadata, properties) {
  const vectors = { geometry: arrow.vectorFromArray(features.map(f => f.geometry && geojsonToWkb(f.geometry)), new arrow.Binary()) };
  for (const c of columnsOf(features)) vectors[c.name] = arrow.vectorFromArray(c.data, arrowType[c.kind]);
  const table = wasm.Table.fromIPCStream(arrow.tableToIPC(new arrow.Table(vectors), "stream"));
  return wasm.writeParquet(table, properties(new wasm.WriterPropertiesBuilder().setKeyValueMetadata(new Map([["geo", geo(features, metadata)]]))).build());
}

const ways = {
  "hyparquet-snappy": f => hyparquet(f, {}),
  "hyparquet-gzip-small-pages": f => hyparquet(f, { codec: "GZIP", compressors: { GZIP: b => gzipSync(b) }, pageSize: 2000, rowGroupSize: 100, metadata: { crs: wgs84, orientation: "counterclockwise", edges: "planar" } }),
  "hyparquet-unpacked-typed": f => hyparquet(f, { codec: "UNCOMPRESSED", typed: true, metadata: null }),
  "rust-zstd": f => rust(f, { crs: wgs84 }, p => p.setCompression(wasm.Compression.ZSTD)),
  "rust-second-version": f => rust(f, {}, p => p.setCompression(wasm.Compression.SNAPPY).setWriterVersion(wasm.WriterVersion.V2).setDictionaryEnabled(false).setEncoding(wasm.Encoding.PLAIN).setMaxRowGroupSize(150)),
  "rust-differences": f => rust(f, {}, p => p.setCompression(wasm.Compression.GZIP).setWriterVersion(wasm.WriterVersion.V2).setDictionaryEnabled(false)),
};
for (const [way, write] of Object.entries(ways)) {
  mkdirSync(`${to}/${way}`, { recursive: true });
  for (const layer of layers) {
    const { features } = JSON.parse(readFileSync(layer, "utf8"));
    writeFileSync(`${to}/${way}/${basename(layer, ".geojson")}.parquet`, write(features));
  }
}
console.log(Object.keys(ways).join(" "));
