// Unpacks an archive of tiles with the PMTiles library into FOLDER/z/x/y.pbf:
// node unpack.mjs CITY.pmtiles FOLDER
import { mkdirSync, openSync, readSync, writeFileSync } from "node:fs";
import { PMTiles } from "pmtiles";

const [file, folder] = process.argv.slice(2);
const fd = openSync(file);
const archive = new PMTiles({
  getKey: () => file,
  getBytes: async (offset, length) => {
    const b = new Uint8Array(length);
    return { data: b.buffer.slice(0, readSync(fd, b, 0, length, offset)) };
  },
});
const head = await archive.getHeader();
let tiles = 0;
for (let z = head.minZoom; z <= head.maxZoom; z++) {
  const side = 2 ** z;
  const column = lon => Math.floor((lon / 360 + 0.5) * side);
  const row = lat => { const s = Math.sin(lat * Math.PI / 180); return Math.floor((0.5 - Math.log((1 + s) / (1 - s)) / (4 * Math.PI)) * side); };
  for (let x = column(head.minLon) - 1; x <= column(head.maxLon) + 1; x++) for (let y = row(head.maxLat) - 1; y <= row(head.minLat) + 1; y++) {
    const tile = await archive.getZxy(z, x, y);
    if (!tile) continue;
    tiles++;
    mkdirSync(`${folder}/${z}/${x}`, { recursive: true });
    writeFileSync(`${folder}/${z}/${x}/${y}.pbf`, new Uint8Array(tile.data));
  }
}
const said = await archive.getMetadata();
if (tiles !== head.numAddressedTiles) throw new Error(`${tiles} tiles found, the head counts ${head.numAddressedTiles}`);
if (!said.vector_layers.some(l => l.id === "trees" && l.fields.soil_pct)) throw new Error(`the metadata does not tell the layer trees: ${JSON.stringify(said).slice(0, 300)}`);
console.log(`${tiles} tiles of zoom ${head.minZoom} to ${head.maxZoom}; ${said.description.slice(0, 40)} ...`);
