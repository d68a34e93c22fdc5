// Reads FlatGeobuf of ours with the library in JavaScript of the format's makers, and
// holds it against the GeoJSON of the same run: node read.mjs LAYER.geojson LAYER.fgb.
// Exit status 1 and a line for each thing that is another.
import { readFileSync } from "node:fs";
import { deserialize } from "flatgeobuf/lib/mjs/geojson.js";
import { GeometryType } from "flatgeobuf/lib/mjs/flat-geobuf/geometry-type.js";

console.debug = () => {}; // the library tells each step through the index
const [geojson, flatgeobuf] = process.argv.slice(2);
let bad = 0;
const wrong = text => { if (++bad <= 10) console.log(`${flatgeobuf}: ${text}`); };

// GeoJSON rounds numbers by their unit: to a tenth at the coarsest.
const alike = (a, b) => a === b || a == null && b == null ||
  typeof a === "number" && typeof b === "number" && Math.abs(a - b) <= 0.0500001 * Math.max(1, Math.abs(b) * 1e-9) && (Math.abs(b) > 0.05 || Math.abs(a - b) <= 0.01);
const plain = v => typeof v === "bigint" ? Number(v) : v ?? null;
function* corners(c) { if (typeof c[0] === "number") yield c; else for (const part of c) yield* corners(part); }
const box = g => { const all = [...corners(g.coordinates)]; return [0, 1].map(k => Math.min(...all.map(p => p[k]))).concat([0, 1].map(k => Math.max(...all.map(p => p[k])))); };
const polygons = g => g.type === "Polygon" ? [g.coordinates] : g.type === "MultiPolygon" ? g.coordinates : [[[g.coordinates]]];
// Its records stand along a curve: both are put in one order.
const order = features => features.map(f => ({ ...f, key: [f.properties.tree_id, ...box(f.geometry).map(x => x.toFixed(6))].join() })).sort((a, b) => a.key < b.key ? -1 : a.key > b.key ? 1 : 0);

const bytes = new Uint8Array(readFileSync(flatgeobuf));
const read = async rect => {
  const all = [];
  let head;
  for await (const f of deserialize(bytes, { rect, headerMetaFn: h => { head = h; } })) all.push(f);
  return { all, head };
};
const { all, head } = await read();
const want = order(JSON.parse(readFileSync(geojson, "utf8")).features), got = order(all);
if (head.crs.org !== "EPSG" || head.crs.code !== 4326 || !head.crs.wkt) wrong(`its system is ${JSON.stringify(head.crs)}`);
if (Number(head.featuresCount) !== want.length || head.indexNodeSize !== 16) wrong(`its head counts ${head.featuresCount} records, with an index of ${head.indexNodeSize}`);
if (!JSON.parse(head.metadata).metadata.includes("clears no tree")) wrong("the caution is not in it");
const names = Object.keys(want[0].properties);
if (head.columns.map(c => c.name).join() !== names.join()) wrong(`columns ${head.columns.map(c => c.name)}`);
if (got.length !== want.length) wrong(`${got.length} records, of ${want.length}`);
got.forEach((g, i) => {
  const w = want[i];
  if (!w) return;
  for (const name of names) if (!alike(plain(g.properties[name]), w.properties[name])) wrong(`record ${g.key}, ${name}: ${plain(g.properties[name])}, where GeoJSON has ${w.properties[name]}`);
  if (GeometryType[head.geometryType] !== g.geometry.type) wrong(`record ${g.key} is a ${g.geometry.type}`);
  const [ours, theirs] = [g, w].map(f => polygons(f.geometry));
  if (JSON.stringify(ours.map(p => p.map(r => r.length))) !== JSON.stringify(theirs.map(p => p.map(r => r.length)))) wrong(`record ${g.key} has other rings`);
  else ours.forEach((p, k) => p.forEach((r, n) => {
    if (r.some(([x, y], m) => !(Math.abs(x - theirs[k][n][m][0]) <= 1e-8 && Math.abs(y - theirs[k][n][m][1]) <= 1e-8))) wrong(`record ${g.key}: a corner lies elsewhere`);
  }));
});

// Windows through the index, as a map asks for them, find what lies in them.
const whole = [0, 1].map(k => Math.min(...got.map(f => box(f.geometry)[k]))).concat([2, 3].map(k => Math.max(...got.map(f => box(f.geometry)[k]))));
if (whole.some((x, k) => x !== head.envelope[k])) wrong(`its envelope is ${head.envelope}, where it has ${whole}`);
let found = 0;
const parts = 5, [w, s, e, n] = whole;
for (let i = 0; i < parts; i++) for (let k = 0; k < parts; k++) {
  const rect = { minX: w + (e - w) * i / parts, minY: s + (n - s) * k / parts, maxX: w + (e - w) * (i + 1) / parts, maxY: s + (n - s) * (k + 1) / parts };
  const keys = order((await read(rect)).all).map(f => f.key);
  const must = got.filter(f => (b => b[0] <= rect.maxX && b[2] >= rect.minX && b[1] <= rect.maxY && b[3] >= rect.minY)(box(f.geometry))).map(f => f.key);
  if (keys.join("\n") !== must.join("\n")) wrong(`${keys.length} records in a window, of ${must.length}`);
  found += keys.length;
}
if (found < got.length) wrong(`${found} records in all windows`);
console.log(`${flatgeobuf}: ${got.length} records, ${found} in ${parts * parts} windows: ${bad ? bad + " things are others" : "as in GeoJSON"}`);
process.exit(bad ? 1 : 0);
