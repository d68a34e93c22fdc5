// Writes an inventory as it may be a year later: node later.mjs TREES.geojson OUT
// The first tree is gone from it, the second recorded as gone, the third moved
// and the fourth grown out of all proportion.
import { readFileSync, writeFileSync } from "node:fs";

const all = JSON.parse(readFileSync(process.argv[2]));
const live = all.features.filter(f => !f.properties.REMOVED && Number(f.properties.DIAM) > 0);
all.features.splice(all.features.indexOf(live[0]), 1);
live[1].properties.REMOVED = "2024-05-01";
live[2].geometry.coordinates[0] += 2e-5;
live[3].properties.DIAM = Number(live[3].properties.DIAM) * 2;
writeFileSync(process.argv[3], JSON.stringify(all));
