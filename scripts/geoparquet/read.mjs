// Reads GeoParquet of ours with two other programs, hyparquet (JavaScript) and
// DuckDB (C++), and holds it against the GeoJSON of the same run:
// node read.mjs LAYER.geojson LAYER.parquet. Exit status 1 and a line for each
// thing that is another.
import { readFileSync } from "node:fs";
import { asyncBufferFromFile, parquetReadObjects, parquetMetadataAsync } from "hyparquet";
import { compressors } from "hyparquet-compressors";
import { DuckDBInstance } from "@duckdb/node-api";

const [geojson, parquet] = process.argv.slice(2);
const want = JSON.parse(readFileSync(geojson, "utf8"));
let bad = 0;
const wrong = text => { if (++bad <= 10) console.log(`${parquet}: ${text}`); };

// GeoJSON rounds numbers by their unit: to a tenth at the coarsest.
const alike = (a, b) => a === b || a == null && b == null ||
  typeof a === "number" && typeof b === "number" && Math.abs(a - b) <= 0.0500001 * Math.max(1, Math.abs(b) * 1e-9) && (Math.abs(b) > 0.05 || Math.abs(a - b) <= 0.01);
const plain = v => typeof v === "bigint" ? Number(v) : v instanceof Date ? v.toISOString().slice(0, 10) : v ?? null;

function* corners(c) { if (typeof c[0] === "number") yield c; else for (const part of c) yield* corners(part); }
const polygons = g => g === null ? [] : g.type === "Polygon" ? [g.coordinates] : g.type === "MultiPolygon" ? g.coordinates : [[[g.coordinates]]];
const area = ring => ring.reduce((sum, [x, y], i) => { const [u, v] = ring[(i + 1) % ring.length]; return sum + (x - ring[0][0]) * (v - ring[0][1]) - (u - ring[0][0]) * (y - ring[0][1]); }, 0) / 2;

// hyparquet: every record, its geometry and its box.
const file = await asyncBufferFromFile(parquet);
const meta = await parquetMetadataAsync(file);
const geo = JSON.parse(meta.key_value_metadata.find(kv => kv.key === "geo").value).columns.geometry;
if (geo.crs.id.code !== "CRS84") wrong(`its system is ${JSON.stringify(geo.crs.id)}`);
const rows = await parquetReadObjects({ file, compressors });
if (rows.length !== want.features.length) wrong(`${rows.length} records, of ${want.features.length}`);
rows.forEach((row, i) => {
  const f = want.features[i];
  if (!f) return;
  for (const [name, value] of Object.entries(f.properties)) {
    if (!alike(plain(row[name]), value)) wrong(`record ${i + 1}, ${name}: ${plain(row[name])}, where GeoJSON has ${value}`);
  }
  const names = Object.keys(row).filter(n => n !== "geometry" && n !== "bbox" && !(n in f.properties));
  if (names.length) wrong(`columns that GeoJSON has not: ${names}`);
  if ((row.geometry ?? null) === null || f.geometry === null) {
    if ((row.geometry ?? null) !== (f.geometry ?? null) || (row.bbox ?? null) !== null) wrong(`record ${i + 1}: geometry ${JSON.stringify(row.geometry)}, box ${JSON.stringify(row.bbox)}`);
    return;
  }
  if (!geo.geometry_types.includes(row.geometry.type)) wrong(`record ${i + 1} is a ${row.geometry.type}`);
  const [ours, theirs] = [row.geometry, f.geometry].map(g => polygons(g).map(p => p.map(r => ({ area: Math.abs(area(r)), points: r }))));
  if (JSON.stringify(ours.map(p => p.map(r => r.points.length))) !== JSON.stringify(theirs.map(p => p.map(r => r.points.length)))) wrong(`record ${i + 1} has other rings`);
  else ours.forEach((p, k) => p.forEach((r, n) => {
    if (r.points.some(([x, y], m) => Math.abs(x - theirs[k][n].points[m][0]) > 1e-8 || Math.abs(y - theirs[k][n].points[m][1]) > 1e-8)) wrong(`record ${i + 1}: a corner lies elsewhere`);
    if (geo.orientation && (area(r.points) > 0) !== (n === 0)) wrong(`record ${i + 1}: ring ${n} runs the wrong way`);
  }));
  for (const [x, y] of corners(row.geometry.coordinates)) {
    const b = row.bbox;
    if (!(b.xmin <= x && x <= b.xmax && b.ymin <= y && y <= b.ymax)) wrong(`record ${i + 1}: its box does not hold it`);
    if (!(geo.bbox[0] <= x && x <= geo.bbox[2] && geo.bbox[1] <= y && y <= geo.bbox[3])) wrong(`record ${i + 1} lies beyond the file's bbox`);
  }
});

// DuckDB: the sums of every column of numbers, and a window by the boxes, whose
// bounds the row groups have.
const db = await (await DuckDBInstance.create()).connect();
const ask = async q => (await db.runAndReadAll(q)).getRowObjectsJS();
const from = `'${parquet.replaceAll("'", "''")}'`;
for (const { name } of (await ask(`describe select * from ${from}`)).map(r => ({ name: r.column_name }))) {
  if (name === "geometry" || name === "bbox") continue;
  const values = want.features.map(f => f.properties[name]).filter(v => v !== null);
  const [{ n }] = await ask(`select count("${name}") n from ${from}`);
  if (Number(n) !== values.length) wrong(`${name}: ${n} values to DuckDB, ${values.length} in GeoJSON`);
  if (values.length && values.every(v => typeof v === "number")) {
    const [{ s }] = await ask(`select sum("${name}")::double s from ${from}`);
    const sum = values.reduce((a, b) => a + b, 0);
    if (!(Math.abs(s - sum) <= 0.05 * values.length)) wrong(`${name}: sum ${s} to DuckDB, ${sum} in GeoJSON`);
  } else if (values.length && values.every(v => typeof v === "string")) {
    const [{ d }] = await ask(`select count(distinct "${name}") d from ${from}`);
    if (Number(d) !== new Set(values).size) wrong(`${name}: ${d} different texts to DuckDB, ${new Set(values).size} in GeoJSON`);
  }
}
const [w, s, e, n] = geo.bbox, x = (w + e) / 2, y = (s + n) / 2;
// A box is in single precision and rounded outwards: up to 1e-5 degrees larger.
const within = (dx, dy) => want.features.filter(f => f.geometry && (c => Math.min(...c.map(p => p[0])) <= x + dx && Math.min(...c.map(p => p[1])) <= y + dy)([...corners(f.geometry.coordinates)])).length;
const [least, most] = [within(0, 0), within(1e-5, 1e-5)];
const [{ found }] = await ask(`select count(*) found from ${from} where bbox.xmin <= ${x} and bbox.ymin <= ${y}`);
if (Number(found) < least || Number(found) > most || least === 0) wrong(`${found} records meet a quarter of it to DuckDB, ${least} to ${most} in GeoJSON`);
const [{ lo, hi }] = await ask(`select min(stats_min_value::float::double) lo, max(stats_max_value::float::double) hi from parquet_metadata(${from}) where path_in_schema in ('bbox, xmin', 'bbox, xmax')`);
if (!(lo <= w && hi >= e && w - lo < 1e-5 && hi - e < 1e-5)) wrong(`the bounds of its row groups are ${lo} to ${hi}, where it lies from ${w} to ${e}`);
console.log(`${parquet}: ${rows.length} records, ${found} in a quarter: ${bad ? bad + " things are others" : "as in GeoJSON"}`);
process.exit(bad ? 1 : 0);
