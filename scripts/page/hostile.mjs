// Writes a small inventory whose texts try to run something, and a pavement
// beside it: node hostile.mjs FOLDER
import { writeFileSync } from "node:fs";
import { pathToFileURL } from "node:url";

export const attacks = [
  "</script><img src=x onerror=\"window.ran=1\">",
  "<svg onload=window.ran=1>",
  "\"><script>window.ran=1</script>",
  "{{script}} {{blocks}} </style><!--",
  "javascript:window.ran=1 \u2028 ' \\",
];
if (import.meta.url === pathToFileURL(process.argv[1]).href) {
  const folder = process.argv[2];
  const at = (x, y) => [-93.5 + x / 80000, 43.2 + y / 111000];
  const trees = attacks.map((word, k) => ({
    type: "Feature", geometry: { type: "Point", coordinates: at(12 * k, 0) },
    properties: { id: `${k}${word}`, species: word, street: word, dbh_cm: 20 + k, supplier: word },
  }));
  const square = (x0, y0, x1, y1) => [at(x0, y0), at(x1, y0), at(x1, y1), at(x0, y1), at(x0, y0)];
  const write = (name, features) => writeFileSync(`${folder}/${name}`, JSON.stringify({ type: "FeatureCollection", features }));
  write("trees.geojson", trees);
  write("walks.geojson", [[-30, 2, 90, 5], [-30, -5, 90, -2]].map(b => ({ type: "Feature", geometry: { type: "Polygon", coordinates: [square(...b)] }, properties: {} })));
}
