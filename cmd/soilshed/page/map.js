// What the pages of soilshed have in common: unpacking, map, legend, list and the
// panel of a tree. The data lie in the page as packed columns (see page_pack.go);
// nothing is fetched. Text from the data reaches the document as text nodes and
// attributes alone, never as markup.
//
// The script of the page follows in the same scope. It starts all, and has what
// differs: paint, filter, aim, seenAt, standing, COLUMNS, FIRST, cell, showAll and
// treePanel.
const $ = id => document.getElementById(id);
const head = JSON.parse($("head").textContent);
const still = matchMedia("(prefers-reduced-motion: reduce)");
const SVG = "http://www.w3.org/2000/svg";

// el makes an element: attributes, then children (elements or text).
function el(name, attrs, ...children) {
  const e = document.createElement(name);
  for (const k in attrs) if (attrs[k] !== null) e.setAttribute(k, attrs[k]);
  e.append(...children.filter(c => c !== null));
  return e;
}
function svg(name, attrs, ...children) {
  const e = document.createElementNS(SVG, name);
  for (const k in attrs) e.setAttribute(k, attrs[k]);
  e.append(...children);
  return e;
}
const count = new Intl.NumberFormat("en");
const few = (v, digits) => v.toLocaleString("en", {minimumFractionDigits: 0, maximumFractionDigits: digits});

// ---- unpacking ----

function bytesOf(text) {
  if (Uint8Array.fromBase64) return Uint8Array.fromBase64(text);
  const s = atob(text), b = new Uint8Array(s.length);
  for (let i = 0; i < s.length; i++) b[i] = s.charCodeAt(i);
  return b;
}

// The first block stands before the script; the others are read after it.
const parsed = new Promise(done => document.readyState === "loading" ? addEventListener("DOMContentLoaded", done) : done());
async function unpack(name) {
  if (name !== "map") await parsed;
  const e = $("block-" + name);
  const stream = new Blob([bytesOf(e.textContent.trim())]).stream().pipeThrough(new DecompressionStream("gzip"));
  e.remove();
  return new Uint8Array(await new Response(stream).arrayBuffer());
}

// whole numbers stored byte by byte
function planes(b, at, n, bytes) {
  const v = new Uint32Array(n);
  for (let k = 0; k < bytes; k++) {
    const shift = 8 * k, from = at + k * n;
    for (let i = 0; i < n; i++) v[i] |= b[from + i] << shift;
  }
  return v;
}
const signed = z => (z >>> 1) ^ -(z & 1);

// columns of a block, by name
function columns(b, list, n) {
  const out = {};
  let at = 0;
  for (const c of list) {
    const col = {...c, n};
    if (c.kind === "text") {
      const size = new DataView(b.buffer, b.byteOffset + at).getUint32(0, true);
      at += 4;
      col.bytesOf = b.subarray(at, at + size);
      col.starts = new Uint32Array(n + 1);
      let line = 1;
      for (let i = 0; i < size && line <= n; i++) if (col.bytesOf[i] === 10) col.starts[line++] = i + 1;
      col.starts[n] = size + 1;
      at += size;
    } else {
      col.v = planes(b, at, n, c.bytes);
      at += n * c.bytes;
    }
    out[c.name] = col;
  }
  return out;
}

const utf8 = new TextDecoder();
function value(col, i) {
  if (!col || i < 0) return null;
  if (col.kind === "text") return utf8.decode(col.bytesOf.subarray(col.starts[i], col.starts[i + 1] - 1)) || null;
  const v = col.v[i];
  if (v === 0) return null;
  if (col.kind === "words") return col.words[v - 1];
  return (v - 1 + (col.min || 0)) / 10 ** (col.digits || 0);
}
function shown(col, i) {
  const v = value(col, i);
  if (v === null) return null;
  return typeof v === "number" ? (col.name === "planted" ? String(v) : few(v, col.digits || 0)) + (col.unit ? " " + unitWords(col.unit) : "") : v;
}
const unitWords = u => u.replace(/\b(m|ft)2\b/g, "$1\u00b2").replace(/\b(m|ft)3\b/g, "$1\u00b3");
const percent = (col, i) => { const v = value(col, i); return v === null ? "\u2013" : few(100 * v, v < 0.001 ? 3 : v < 0.01 ? 2 : v < 0.1 ? 1 : 0) + " %"; };

// ---- what there is ----

const N = head.trees, TONES = head.tones.length, UNKNOWN = TONES - 2, GONE = TONES - 1;
let X, Y;                       // metres east and north
let list = {};                  // columns
let detailOf;                   // tree -> its place among those with details, or -1
let listReady = false;

// Blocks of trees that lie together, with their boxes.
const BLOCK = 512;
let boxes;

// readPlaces takes the places of the trees from the columns of the map, and from
// marks which of them have details.
function readPlaces(c, mark) {
  X = new Float32Array(N);
  Y = new Float32Array(N);
  let x = 0, y = 0;
  for (let i = 0; i < N; i++) {
    x += signed(c.x.v[i]);
    y += signed(c.y.v[i]);
    X[i] = x * head.stepM;
    Y[i] = y * head.stepM;
  }
  const n = Math.ceil(N / BLOCK);
  boxes = new Float32Array(4 * n);
  for (let k = 0; k < n; k++) {
    let x0 = Infinity, y0 = Infinity, x1 = -Infinity, y1 = -Infinity;
    for (let i = k * BLOCK, e = Math.min(N, i + BLOCK); i < e; i++) {
      if (X[i] < x0) x0 = X[i];
      if (X[i] > x1) x1 = X[i];
      if (Y[i] < y0) y0 = Y[i];
      if (Y[i] > y1) y1 = Y[i];
    }
    boxes.set([x0, y0, x1, y1], 4 * k);
  }
  detailOf = new Int32Array(N);
  for (let i = 0, k = 0; i < N; i++) detailOf[i] = mark[i] & 16 ? k++ : -1;
  mask = new Uint8Array(N).fill(1);
}

// reader of numbers of 7 bits a byte
function reader(b, at) {
  return () => {
    let v = 0, shift = 0, c;
    do { c = b[at++]; v |= (c & 127) << shift; shift += 7; } while (c & 128);
    reader.at = at;
    return v >>> 0;
  };
}

// a ring in metres; its first point, in steps from another, is that of the next
function ring(next, fx, fy) {
  const n = next(), pts = new Float32Array(2 * n), q = head.stepM;
  let px = fx, py = fy;
  for (let k = 0; k < n; k++) {
    px += signed(next());
    py += signed(next());
    pts[2 * k] = px * q;
    pts[2 * k + 1] = py * q;
    if (k === 0) { fx = px; fy = py; }
  }
  return [pts, fx, fy];
}

// the polygons of the ground: kind, set of designs where there are sets, rings
function readPolygons(b) {
  const polys = [];
  let next = reader(b, 0), x = 0, y = 0;
  for (let p = 0; p < head.ground.polygons; p++) {
    const kind = next(), set = head.sets ? next() : 0;
    x += signed(next());
    y += signed(next());
    let fx = x, fy = y;
    const rings = [];
    for (let r = next(); r > 0; r--) { let pts; [pts, fx, fy] = ring(next, fx, fy); rings.push(pts); }
    let x0 = Infinity, y0 = Infinity, x1 = -Infinity, y1 = -Infinity;
    for (const pts of rings) for (let k = 0; k < pts.length; k += 2) {
      x0 = Math.min(x0, pts[k]); x1 = Math.max(x1, pts[k]);
      y0 = Math.min(y0, pts[k + 1]); y1 = Math.max(y1, pts[k + 1]);
    }
    polys.push({kind, set, rings, x0, y0, x1, y1});
  }
  return polys;
}

// the shares of the trees with details, in their order
function readShares(next) {
  const shares = [], q = head.stepM;
  for (let i = 0; i < N; i++) {
    if (detailOf[i] < 0) continue;
    let fx = Math.round(X[i] / q), fy = Math.round(Y[i] / q);
    const rings = [];
    for (let r = next(); r > 0; r--) { let pts; [pts, fx, fy] = ring(next, fx, fy); rings.push(pts); }
    shares.push(rings);
  }
  return shares;
}

// ---- filters ----

let mask;                        // 1 where a tree is shown
const hidden = {};               // by group of the legend: what is unticked
let words = "";
let shownTrees = 0;

// folded text: without case and accents
const fold = s => s.toLowerCase().normalize("NFD").replace(/[\u0300-\u036f]/g, "");

// matching(words): a test of a tree
function matching(text) {
  const want = fold(text.trim());
  if (!want || !listReady) return null;
  const tests = [];
  for (const name of ["species", "street"]) {
    const col = list[name];
    if (col.kind === "words") {
      const hit = new Uint8Array(col.words.length + 1);
      col.words.forEach((w, k) => {
        if (fold(w).includes(want) || name === "species" && head.common && fold(head.common[k] || "").includes(want)) hit[k + 1] = 1;
      });
      tests.push(i => hit[col.v[i]]);
    } else tests.push(i => fold(value(col, i) || "").includes(want));
  }
  const id = list.tree_id;
  if (id.kind === "text" && /^[\x20-\x7e]*$/.test(want)) {
    // Numbers are searched byte by byte, without making texts of them.
    const w = new TextEncoder().encode(want), b = id.bytesOf;
    tests.push(i => {
      const end = id.starts[i + 1] - 1 - w.length;
      for (let s = id.starts[i]; s <= end; s++) {
        let k = 0;
        while (k < w.length && (b[s + k] === w[k] || b[s + k] >= 65 && b[s + k] <= 90 && b[s + k] + 32 === w[k])) k++;
        if (k === w.length) return 1;
      }
      return 0;
    });
  } else tests.push(i => fold(value(id, i) || "").includes(want));
  return i => tests[0](i) || tests[1](i) || tests[2](i);
}

// ---- the map ----

const canvas = $("map"), ctx = canvas.getContext("2d");
const view = {x: 0, y: 0, k: 1}; // middle in metres, pixels a metre
let width = 0, height = 0, dpr = 1;
let selected = -1, hovered = -1;
let colours = {};

function readColours() {
  const s = getComputedStyle(document.documentElement);
  for (const n of ["open", "way", "walk", "building", "other", "edge", "ring", "halo", "text", "accent", "panel"]) colours[n] = s.getPropertyValue("--" + n).trim();
  sprites.clear();
  stale();
}

function resize() {
  const r = canvas.getBoundingClientRect();
  dpr = Math.min(3, window.devicePixelRatio || 1);
  if (!r.width || !r.height) return; // not shown, as on paper
  if (r.width === width && r.height === height && canvas.width === Math.round(r.width * dpr)) return;
  width = r.width;
  height = r.height;
  canvas.width = Math.round(width * dpr);
  canvas.height = Math.round(height * dpr);
  stale();
}

function fit(which) {
  let x0 = Infinity, y0 = Infinity, x1 = -Infinity, y1 = -Infinity;
  for (let i = 0; i < N; i++) if (!which || which[i]) {
    if (X[i] < x0) x0 = X[i];
    if (X[i] > x1) x1 = X[i];
    if (Y[i] < y0) y0 = Y[i];
    if (Y[i] > y1) y1 = Y[i];
  }
  if (x0 > x1) return;
  view.x = (x0 + x1) / 2;
  view.y = (y0 + y1) / 2;
  view.k = Math.min(30, width / (x1 - x0 + 30), height / (y1 - y0 + 30)) * 0.96;
}

const px = x => (x - view.x) * view.k + width / 2;
const py = y => height / 2 - (y - view.y) * view.k;

// Symbols grow as one comes nearer: from a quarter to twice the size of the
// legend, between a city and a tree pit.
const factor = k => Math.max(0.25, Math.min(1.9, 0.5 * Math.pow(k, 0.6)));
const MM = 96 / 25.4;

const sprites = new Map();
const fail = mark => mark & 3, girdled = mark => mark >> 2 & 3, PLANTED = 32;
function sprite(t, mark, s) {
  const f = fail(mark), g = girdled(mark), key = t << 8 | mark & ~16;
  let c = sprites.get(key);
  if (c) return c;
  const r = head.failure[f].mm * MM / 2 * s, line = Math.max(0.6, 0.2 * MM * s), ring = head.girdling[g].mm * MM * s;
  const gap = r + (0.4 * MM * s) + ring / 2, size = Math.ceil(2 * (gap + ring + 2));
  c = document.createElement("canvas");
  c.width = c.height = Math.ceil(size * dpr);
  const d = c.getContext("2d");
  d.scale(dpr, dpr);
  d.translate(size / 2, size / 2);
  if (t === GONE) {
    const a = Math.max(2, head.failure[0].mm * MM / 2 * s);
    d.strokeStyle = colours.ring;
    d.lineWidth = line;
    d.beginPath();
    d.moveTo(-a, -a); d.lineTo(a, a); d.moveTo(-a, a); d.lineTo(a, -a);
    d.stroke();
  } else {
    d.beginPath();
    if (mark & PLANTED) {
      const a = Math.max(3.2, r * 1.3);
      d.moveTo(0, -a); d.lineTo(a, 0.8 * a); d.lineTo(-a, 0.8 * a); d.closePath();
    } else d.arc(0, 0, r, 0, 7);
    d.fillStyle = head.tones[t].colour;
    d.fill();
    d.lineWidth = line;
    d.strokeStyle = colours.ring;
    d.stroke();
    if (ring > 0) {
      d.beginPath();
      d.arc(0, 0, gap, 0, 7);
      d.lineWidth = Math.max(0.7, ring);
      d.stroke();
    }
  }
  c.side = size;
  sprites.set(key, c);
  return c;
}

// Paving is drawn into a canvas of its own, wider than the view, and moved with
// it; it is drawn anew when the view comes to rest. polys() are its polygons, or
// null before they are there.
const backdrops = [];
const stale = () => { for (const b of backdrops) b.done = false; };
function backdrop(polys) {
  const back = {canvas: document.createElement("canvas"), x: 0, y: 0, k: 0, done: false, timer: 0};
  backdrops.push(back);
  const paved = head.ground.kinds.map(kind => kind === "bed" ? "open" : kind);
  const make = () => {
    back.timer = 0;
    const w = width + 2 * Math.round(0.2 * width), h = height + 2 * Math.round(0.2 * height);
    back.canvas.width = Math.round(w * dpr);
    back.canvas.height = Math.round(h * dpr);
    Object.assign(back, {x: view.x, y: view.y, k: view.k, w, h, done: true});
    const d = back.canvas.getContext("2d");
    d.scale(dpr, dpr);
    d.fillStyle = colours.open;
    d.fillRect(0, 0, w, h);
    if (!polys()) return;
    const k = view.k, ox = w / 2 - view.x * k, oy = h / 2 + view.y * k;
    const x0 = view.x - w / 2 / k, x1 = view.x + w / 2 / k, y0 = view.y - h / 2 / k, y1 = view.y + h / 2 / k;
    for (let kind = 0; kind < paved.length; kind++) {
      d.fillStyle = colours[paved[kind]];
      d.strokeStyle = colours.edge;
      d.lineWidth = 0.6;
      for (const p of polys()) {
        if (p.kind !== kind || p.x1 < x0 || p.x0 > x1 || p.y1 < y0 || p.y0 > y1) continue;
        if ((p.x1 - p.x0) * k < 0.8 && (p.y1 - p.y0) * k < 0.8) continue;
        // One at a time: where two overlap, the even-odd rule would cut a hole.
        d.beginPath();
        trace(d, p.rings, k, ox, oy);
        d.fill("evenodd");
        if (k > 0.7) d.stroke();
      }
    }
  };
  back.show = () => {
    const k = view.k;
    const fits = back.done && back.k === k && Math.abs(back.x - view.x) * k <= (back.w - width) / 2 && Math.abs(back.y - view.y) * k <= (back.h - height) / 2;
    if (!fits) {
      if (!back.done || !polys() || polys().length < 3000) make();
      else { clearTimeout(back.timer); back.timer = setTimeout(() => { make(); draw(); }, 90); }
    }
    ctx.fillStyle = colours.open;
    ctx.fillRect(0, 0, width, height);
    if (!back.done) return;
    const s = k / back.k, whole = v => Math.round(v * dpr) / dpr; // whole pixels stay sharp
    ctx.drawImage(back.canvas, whole(width / 2 + (back.x - view.x) * k - back.w * s / 2), whole(height / 2 - (back.y - view.y) * k - back.h * s / 2), back.w * s, back.h * s);
  };
  return back;
}
function trace(d, rings, k, ox, oy) {
  for (const pts of rings) {
    d.moveTo(pts[0] * k + ox, oy - pts[1] * k);
    for (let j = 2; j < pts.length; j += 2) d.lineTo(pts[j] * k + ox, oy - pts[j + 1] * k);
    d.closePath();
  }
}

let asked = false;
function draw() {
  if (!asked) { asked = true; requestAnimationFrame(paint); }
}

let lastFactor = 0, raster = null, visible = new Uint32Array(0);
const MOST = 12000; // symbols; more trees in view are drawn as points

// begin readies the canvas for a picture; false where there is none to draw.
function begin() {
  asked = false;
  if (!printing) resize();
  if (!X || !width) return false;
  ctx.setTransform(dpr, 0, 0, dpr, 0, 0);
  return true;
}

// inView puts the trees in view into visible, and says how many they are.
function inView() {
  const k = view.k, pad = 12 / k, x0 = view.x - width / 2 / k - pad, x1 = view.x + width / 2 / k + pad, y0 = view.y - height / 2 / k - pad, y1 = view.y + height / 2 / k + pad;
  if (visible.length < N) visible = new Uint32Array(N);
  let n = 0;
  for (let b = 0; 4 * b < boxes.length; b++) {
    if (boxes[4 * b] > x1 || boxes[4 * b + 2] < x0 || boxes[4 * b + 1] > y1 || boxes[4 * b + 3] < y0) continue;
    for (let i = b * BLOCK, e = Math.min(N, i + BLOCK); i < e; i++) {
      if (mask[i] && X[i] >= x0 && X[i] <= x1 && Y[i] >= y0 && Y[i] <= y1) visible[n++] = i;
    }
  }
  return n;
}

// symbols draws the trees in view by a look: the tone and mark of each, and the
// shares of those with details, or null. A tone beyond GONE is not drawn.
function symbols(n, look) {
  if (n > MOST) { points(n, look); return; }
  const k = view.k, s = factor(k), {tone, mark} = look;
  if (s !== lastFactor) { sprites.clear(); lastFactor = s; }
  if (k > 1.1 && look.shares) drawShares(n, look);
  // From those with most ground to those with least.
  const order = [GONE, UNKNOWN];
  for (let t = UNKNOWN - 1; t >= 0; t--) order.push(t);
  for (const t of order) for (let j = 0; j < n; j++) {
    const i = visible[j];
    if (tone[i] !== t) continue;
    const c = sprite(t, mark[i], s);
    ctx.drawImage(c, px(X[i]) - c.side / 2, py(Y[i]) - c.side / 2, c.side, c.side);
  }
  if (k > 2.6 && listReady) labels(n, look, s);
}

// Very many trees: a dot each; where dots fall together, the mean of their
// classes.
function points(n, {tone}) {
  const w = canvas.width, h = canvas.height;
  if (!raster || raster.w !== w || raster.h !== h) {
    const c = document.createElement("canvas");
    c.width = w;
    c.height = h;
    const d = c.getContext("2d"), image = d.createImageData(w, h);
    raster = {w, h, c, d, image, pixels: new Uint32Array(image.data.buffer), sum: new Uint16Array(w * h), trees: new Uint16Array(w * h)};
  }
  const {pixels, sum, trees, d, image, c} = raster;
  pixels.fill(0);
  sum.fill(0);
  trees.fill(0);
  const rgb = head.tones.map((t, q) => {
    const v = parseInt((q === GONE ? "#888888" : t.colour).slice(1), 16);
    return (255 << 24 | (v & 255) << 16 | (v >> 8 & 255) << 8 | v >> 16) >>> 0;
  });
  const k = view.k * dpr, ox = w / 2 - view.x * k, oy = h / 2 + view.y * k;
  const side = n > 200000 ? Math.max(1, Math.round(dpr)) : Math.round(2 * dpr);
  for (let j = 0; j < n; j++) {
    const i = visible[j], t = tone[i];
    if (t > GONE) continue;
    const sx = (X[i] * k + ox) | 0, sy = (oy - Y[i] * k) | 0;
    if (sx < 0 || sy < 0 || sx + side > w || sy + side > h) continue;
    for (let a = 0; a < side; a++) for (let b = 0, at = (sy + a) * w + sx; b < side; b++, at++) {
      if (t >= UNKNOWN) { if (pixels[at] === 0) pixels[at] = rgb[t]; continue; }
      if (trees[at] === 10000) continue;
      sum[at] += t;
      trees[at]++;
      pixels[at] = rgb[Math.round(sum[at] / trees[at])];
    }
  }
  d.putImageData(image, 0, 0);
  ctx.drawImage(c, 0, 0, width, height);
}

function drawShares(n, {tone, shares}) {
  const k = view.k, ox = width / 2 - view.x * k, oy = height / 2 + view.y * k;
  ctx.lineWidth = 0.7;
  ctx.strokeStyle = colours.ring;
  for (let j = 0; j < n; j++) {
    const i = visible[j], d = detailOf[i];
    if (d < 0 || tone[i] > GONE || !shares[d].length) continue;
    ctx.beginPath();
    trace(ctx, shares[d], k, ox, oy);
    ctx.globalAlpha = 0.5;
    ctx.fillStyle = head.tones[tone[i]].colour;
    ctx.fill("evenodd");
    ctx.globalAlpha = 0.7;
    ctx.stroke();
  }
  ctx.globalAlpha = 1;
}

// Labels that do not overlap, those first in the list before others.
function labels(n, {tone, mark}, s) {
  ctx.font = "12px system-ui, 'DejaVu Sans', sans-serif";
  ctx.textBaseline = "middle";
  const taken = new Set(), cell = 14, rank = list[FIRST].v;
  const some = Array.from(visible.subarray(0, n)).sort((a, b) => (rank[a] || 4e9) - (rank[b] || 4e9)).slice(0, 600);
  ctx.lineWidth = 3;
  ctx.lineJoin = "round";
  ctx.strokeStyle = colours.halo;
  ctx.fillStyle = colours.text;
  for (const i of some) {
    const t = value(list.tree_id, i);
    if (!t || tone[i] > GONE) continue;
    const text = t.length > 18 ? t.slice(0, 17) + "\u2026" : t;
    const x = px(X[i]) + head.failure[fail(mark[i])].mm * MM / 2 * s + 5, y = py(Y[i]) - 6, w = ctx.measureText(text).width;
    const cells = [];
    for (let cx = Math.floor(x / cell); cx <= Math.floor((x + w) / cell); cx++) for (const cy of [Math.floor((y - 5) / cell), Math.floor((y + 5) / cell)]) cells.push(cx * 4096 + cy);
    if (cells.some(c => taken.has(c))) continue;
    cells.forEach(c => taken.add(c));
    ctx.strokeText(text, x, y);
    ctx.fillText(text, x, y);
  }
}

function spotlight(i) {
  const x = px(X[i]), y = py(Y[i]);
  ctx.strokeStyle = colours.accent;
  ctx.lineWidth = 3;
  ctx.beginPath();
  ctx.arc(x, y, 17, 0, 7);
  ctx.stroke();
  ctx.lineWidth = 2;
  ctx.beginPath();
  for (const [a, b] of [[1, 0], [-1, 0], [0, 1], [0, -1]]) { ctx.moveTo(x + 17 * a, y + 17 * b); ctx.lineTo(x + 26 * a, y + 26 * b); }
  ctx.stroke();
}

function scaleBar() {
  const per = head.us ? 0.3048 : 1, most = width * 0.28 / view.k / per;
  const p = 10 ** Math.floor(Math.log10(most)), v = most >= 5 * p ? 5 * p : most >= 2 * p ? 2 * p : p;
  const e = $("scale"), w = v * per * view.k;
  e.style.width = w + "px";
  const text = e.firstElementChild.textContent = head.us ? (v >= 5280 ? few(v / 5280, 1) + " mi" : few(v, 1) + " ft") : v >= 1000 ? few(v / 1000, 1) + " km" : few(v, 1) + " m";
  if (!printing) return;
  // On paper the picture may be smaller, so the bar is part of it.
  ctx.fillStyle = "#fff";
  ctx.fillRect(8, height - 34, w + 20, 28);
  ctx.strokeStyle = ctx.fillStyle = "#000";
  ctx.lineWidth = 1.5;
  ctx.beginPath();
  ctx.moveTo(18, height - 18);
  ctx.lineTo(18, height - 12);
  ctx.lineTo(18 + w, height - 12);
  ctx.lineTo(18 + w, height - 18);
  ctx.stroke();
  ctx.font = "12px system-ui, 'DejaVu Sans', sans-serif";
  ctx.textBaseline = "alphabetic";
  ctx.fillText(text, 18, height - 21);
}
let printing = false;

function nearest(sx, sy, within) {
  const x = view.x + (sx - width / 2) / view.k, y = view.y - (sy - height / 2) / view.k, r = within / view.k;
  let best = -1, d = r * r;
  for (let b = 0; 4 * b < boxes.length; b++) {
    if (boxes[4 * b] > x + r || boxes[4 * b + 2] < x - r || boxes[4 * b + 1] > y + r || boxes[4 * b + 3] < y - r) continue;
    for (let i = b * BLOCK, e = Math.min(N, i + BLOCK); i < e; i++) {
      const q = (X[i] - x) ** 2 + (Y[i] - y) ** 2;
      if (mask[i] && q < d && seenAt(i, sx)) { d = q; best = i; }
    }
  }
  return best;
}

function zoom(by, sx = width / 2, sy = height / 2) {
  const k = Math.max(0.002, Math.min(120, view.k * by));
  view.x += (sx - width / 2) * (1 / view.k - 1 / k);
  view.y -= (sy - height / 2) * (1 / view.k - 1 / k);
  view.k = k;
  draw();
}

// Goes to a tree: in one step where motion is not wanted, or it is far off. aim
// says at which part of the width it shall stand.
function goTo(i) {
  const k = Math.max(view.k, 7), to = {x: X[i] + (0.5 - aim(i)) * width / k, y: Y[i], k};
  const far = Math.hypot(to.x - view.x, to.y - view.y) * view.k > 3 * width;
  if (still.matches || far) { Object.assign(view, to); draw(); return; }
  const from = {...view}, start = performance.now();
  const step = now => {
    const u = Math.min(1, (now - start) / 260), e = u * (2 - u);
    view.k = from.k * (to.k / from.k) ** e;
    view.x = from.x + (to.x - from.x) * e;
    view.y = from.y + (to.y - from.y) * e;
    draw();
    if (u < 1) requestAnimationFrame(step);
  };
  requestAnimationFrame(step);
}

function hint(i, sx, sy) {
  const h = $("hint");
  h.hidden = i < 0 || !listReady;
  if (h.hidden) return;
  h.textContent = `${value(list.tree_id, i) || "no number"}, ${value(list.species, i) || "species unknown"}: ${standing(i, sx)}`;
  h.style.left = Math.min(sx + 14, width - 170) + "px";
  h.style.top = Math.min(sy + 14, height - 50) + "px";
}

function listen() {
  addEventListener("keydown", e => { if (e.key === "Escape" && selected >= 0) close(); });
  const fingers = new Map();
  let moved = 0, spread = 0;
  const where = e => { const r = canvas.getBoundingClientRect(); return [e.clientX - r.left, e.clientY - r.top]; };
  canvas.addEventListener("pointerdown", e => {
    canvas.setPointerCapture(e.pointerId);
    fingers.set(e.pointerId, where(e));
    moved = 0;
    spread = 0;
  });
  canvas.addEventListener("pointermove", e => {
    const p = where(e), was = fingers.get(e.pointerId);
    if (!was) { hovered = nearest(p[0], p[1], 14); hint(hovered, p[0], p[1]); return; }
    const n = fingers.size;
    moved += Math.abs(p[0] - was[0]) + Math.abs(p[1] - was[1]);
    fingers.set(e.pointerId, p);
    view.x -= (p[0] - was[0]) / view.k / n;
    view.y += (p[1] - was[1]) / view.k / n;
    if (n === 2) {
      const [a, b] = [...fingers.values()], s = Math.hypot(a[0] - b[0], a[1] - b[1]);
      if (spread > 0 && s > 0) zoom(s / spread, (a[0] + b[0]) / 2, (a[1] + b[1]) / 2);
      spread = s;
    }
    if (moved > 4) { canvas.classList.add("drag"); $("hint").hidden = true; }
    draw();
  });
  const up = e => {
    if (!fingers.delete(e.pointerId)) return;
    canvas.classList.remove("drag");
    spread = 0;
    if (e.type === "pointerup" && moved <= 4) {
      const p = where(e), i = nearest(p[0], p[1], e.pointerType === "touch" ? 26 : 16);
      if (i >= 0) open(i, "map");
    }
  };
  canvas.addEventListener("pointerup", up);
  canvas.addEventListener("pointercancel", up);
  canvas.addEventListener("pointerleave", () => { $("hint").hidden = true; });
  $("mapbox").addEventListener("wheel", e => {
    e.preventDefault();
    const p = where(e);
    zoom(Math.exp(-e.deltaY * (e.deltaMode ? 0.05 : 0.0016)), p[0], p[1]);
  }, {passive: false});
  canvas.addEventListener("keydown", e => {
    const s = 70 / view.k;
    switch (e.key) {
      case "ArrowLeft": view.x -= s; break;
      case "ArrowRight": view.x += s; break;
      case "ArrowUp": view.y += s; break;
      case "ArrowDown": view.y -= s; break;
      case "+": case "=": zoom(1.5); break;
      case "-": zoom(1 / 1.5); break;
      case "0": fit(); break;
      case "Enter": { const i = nearest(width / 2, height / 2, Math.hypot(width, height) / 2); if (i >= 0) open(i, "map"); break; }
      default: return;
    }
    e.preventDefault();
    draw();
  });
  $("nearer").onclick = () => zoom(1.6);
  $("farther").onclick = () => zoom(1 / 1.6);
  $("all").onclick = () => { fit(); draw(); };
  new ResizeObserver(draw).observe(canvas);
  addEventListener("beforeprint", () => {
    printing = true;
    setLight(document.documentElement.classList.contains("dark"));
    Object.assign(colours, {open: "#fff", way: "#d4d4d6", walk: "#e6e6e6", building: "#b9b8b5", other: "#dcdbd8", edge: "#aaa", ring: "#000", halo: "#fff", text: "#000", accent: "#000"});
    paint();
  });
  addEventListener("afterprint", () => { printing = false; setLight(document.documentElement.classList.contains("dark")); draw(); });
}

// Dark or light: as the system has it, until the button says otherwise.
function setLight(dark) {
  document.documentElement.classList.toggle("dark", dark);
  $("light").setAttribute("aria-pressed", dark);
  readColours();
}

// ---- legend ----

const toneName = t => head.tones[t].words.split(":")[0].toLowerCase();
const discRadius = k => head.failure[k].mm * MM / 2;

function symbol(r, fill, ring, cross) {
  const s = svg("svg", {viewBox: "-14 -12 28 24", "aria-hidden": "true"});
  if (cross) s.append(svg("path", {d: "M-4-4L4 4M-4 4L4-4", stroke: "currentColor", "stroke-width": 1.2}));
  else s.append(svg("circle", {r, fill, stroke: "currentColor", "stroke-width": 0.9}));
  if (ring) s.append(svg("circle", {r: r + 2.4 + ring / 2, fill: "none", stroke: "currentColor", "stroke-width": ring}));
  return s;
}

// A group of the legend, whose boxes hide trees; those of no trees that skip
// names are left out.
function legendGroup(key, title, items, sums, draw, skip = () => false) {
  const f = el("fieldset", {}, el("legend", {}, title));
  hidden[key] = new Set();
  items.forEach((item, k) => {
    if (!sums[k] && skip(k)) return;
    const box = el("input", {type: "checkbox"});
    box.checked = true;
    box.addEventListener("change", () => { box.checked ? hidden[key].delete(k) : hidden[key].add(k); filter(); });
    f.append(el("label", {}, box, draw(item, k), el("span", {}, item.words), el("span", {}, count.format(sums[k]))));
  });
  return f;
}

// ---- the list ----

const PART = innerWidth < 820 ? 25 : 100;
let order = new Uint32Array(0), sortBy = "", down = false, part = 0;

function heads() {
  sortBy = FIRST;
  for (const [name, title, c] of COLUMNS) {
    if (!list[name]) continue;
    const b = el("button", {type: "button"}, title);
    b.addEventListener("click", () => {
      down = sortBy === name ? !down : MOST_FIRST.includes(name);
      sortBy = name;
      sortList();
    });
    $("heads").append(el("th", {scope: "col", class: c, "data-column": name}, b));
  }
}

// A power of 2 that no place in the list reaches.
const places = () => { let p = 1 << 16; while (p < N) p *= 2; return p; };

// key of a column for sorting: whole numbers, the empty last.
function sortKeys(col) {
  const n = order.length, keys = new Float64Array(n);
  if (col.kind === "text") {
    let plain = true;
    const texts = new Array(n);
    for (let j = 0; j < n; j++) {
      texts[j] = value(col, order[j]) || "";
      if (plain && !/^\d{1,9}$/.test(texts[j])) plain = false;
    }
    if (plain) for (let j = 0; j < n; j++) keys[j] = +texts[j] + 1;
    else {
      const by = new Intl.Collator("en", {numeric: true}).compare;
      Array.from(texts.keys()).sort((a, b) => by(texts[a], texts[b])).forEach((j, k) => { keys[j] = texts[j] ? k + 1 : 0; });
    }
  } else for (let j = 0; j < n; j++) keys[j] = col.v[order[j]];
  const most = 2 ** 53 / places() - 1;
  for (let j = 0; j < n; j++) keys[j] = keys[j] === 0 ? most : down ? most - 1 - keys[j] : keys[j];
  return keys;
}

function sortList() {
  order = new Uint32Array(shownTrees);
  for (let i = 0, n = 0; i < N; i++) if (mask[i]) order[n++] = i;
  // Key and place in one number of 53 bits, which sorts fast.
  const keys = sortKeys(list[sortBy]), from = order, packed = new Float64Array(from.length), room = places();
  for (let j = 0; j < from.length; j++) packed[j] = keys[j] * room + j;
  packed.sort();
  order = Uint32Array.from(packed, v => from[v % room]);
  for (const th of $("heads").children) {
    if (th.dataset.column === sortBy) th.setAttribute("aria-sort", down ? "descending" : "ascending");
    else th.removeAttribute("aria-sort");
  }
  const at = selected >= 0 ? order.indexOf(selected) : -1;
  part = at >= 0 ? Math.floor(at / PART) : 0;
  rows();
}

function rows() {
  const body = $("rows");
  body.replaceChildren();
  for (let j = part * PART; j < Math.min(order.length, (part + 1) * PART); j++) {
    const i = order[j], tr = el("tr", {"data-tree": i, "aria-current": i === selected ? "true" : null});
    for (const [name, , c] of COLUMNS) {
      const col = list[name];
      if (!col) continue;
      const td = el("td", {class: c});
      if (name === "tree_id") td.append(el("button", {type: "button", class: "id"}, value(col, i) || "(no number)"));
      else td.append(...cell(name, i));
      tr.append(td);
    }
    body.append(tr);
  }
  const parts = Math.max(1, Math.ceil(order.length / PART));
  $("part").textContent = `part ${count.format(part + 1)} of ${count.format(parts)}`;
  $("before").disabled = part === 0;
  $("after").disabled = part >= parts - 1;
  $("listtold").textContent = `${count.format(order.length)} trees` + (sortBy === FIRST && !down ? FIRST_WORDS : "") + (parts > 1 ? `; ${count.format(part * PART + 1)} to ${count.format(Math.min(order.length, (part + 1) * PART))} here` : "");
}

function listenList() {
  const body = $("rows");
  body.addEventListener("click", e => {
    const tr = e.target.closest("tr");
    if (tr) open(+tr.dataset.tree, "list");
  });
  body.addEventListener("keydown", e => {
    const tr = e.target.closest("tr");
    const to = tr && (e.key === "ArrowDown" ? tr.nextElementSibling : e.key === "ArrowUp" ? tr.previousElementSibling : null);
    if (to) { to.querySelector("button").focus(); e.preventDefault(); }
  });
  $("before").onclick = () => { part--; rows(); };
  $("after").onclick = () => { part++; rows(); };
  let timer = 0;
  $("words").addEventListener("input", () => { clearTimeout(timer); timer = setTimeout(() => { words = $("words").value; filter(); }, N > 50000 ? 250 : 80); });
  $("words").addEventListener("keydown", e => {
    if (e.key !== "Enter") return;
    clearTimeout(timer);
    words = $("words").value;
    filter();
    // A tree of exactly that number before all others.
    const want = fold(words.trim());
    const exact = order.find(t => fold(value(list.tree_id, t) || "") === want), i = exact ?? order[0];
    if (exact !== undefined) {
      // It is shown among its neighbours.
      $("words").value = words = "";
      filter();
    }
    if (i !== undefined) open(i, "words");
  });
  $("clear").onclick = () => {
    $("words").value = words = "";
    for (const k in hidden) hidden[k].clear();
    for (const b of $("keys").querySelectorAll("input")) b.checked = true;
    showAll();
    filter();
  };
}

// ---- one tree ----

function close() {
  const was = selected;
  selected = -1;
  $("tree").hidden = true;
  $("tree").replaceChildren();
  markRow();
  draw();
  const row = $("rows").querySelector(`tr[data-tree="${was}"] button`);
  (row || canvas).focus({preventScroll: true});
}

function markRow() {
  for (const tr of $("rows").children) {
    if (+tr.dataset.tree === selected) tr.setAttribute("aria-current", "true");
    else tr.removeAttribute("aria-current");
  }
}

function open(i, from) {
  if (!listReady) return;
  selected = i;
  if (from !== "map") goTo(i);
  const at = order.indexOf(i);
  if (at >= 0 && Math.floor(at / PART) !== part) { part = Math.floor(at / PART); rows(); } else markRow();
  const panel = $("tree");
  panel.replaceChildren(...treePanel(i));
  panel.hidden = false;
  panel.focus({preventScroll: true});
  panel.scrollIntoView({block: "start", behavior: still.matches ? "auto" : "smooth"});
  draw();
}

const sentence = s => s.charAt(0).toUpperCase() + s.slice(1);

// a spot of a tone, before words that say the same
function chip(t) {
  const c = el("span", {class: "chip", "aria-hidden": "true"});
  c.style.background = head.tones[t].colour;
  return c;
}

// The head of a tree's panel: name, species, street.
function panelTop(i) {
  const shut = el("button", {type: "button"}, "Close");
  shut.addEventListener("click", close);
  const k = list.species.kind === "words" ? list.species.v[i] - 1 : -1, common = k >= 0 && head.common ? head.common[k] : "", street = value(list.street, i);
  return [el("div", {class: "top"}, el("h2", {id: "treename"}, `Tree ${value(list.tree_id, i) || "without number"}`), shut),
    el("p", {}, el("em", {}, value(list.species, i) || "Species unknown"), common ? ` (${common})` : "", street ? `, ${street}` : "")];
}

// Buttons to the trees before and after in the list.
function panelWay(i) {
  const at = order.indexOf(i), way = el("div", {class: "row"});
  for (const [text, step] of [["Before it in the list", -1], ["After it", 1]]) {
    const b = el("button", {type: "button"}, text);
    b.disabled = at < 0 || at + step < 0 || at + step >= order.length;
    b.addEventListener("click", () => open(order[at + step], "panel"));
    way.append(b);
  }
  return way;
}

// soilBars draws soil above the soil that is needed: bars are of what there is,
// each its words, volume and colour, and if known the range of the volume.
function soilBars(bars, need, most, label) {
  const W = 320, w = v => v / most * W, s = svg("svg", {role: "img", "aria-label": label});
  const words = (x, y, text, size, anchor) => svg("text", {x, y, "font-size": size, fill: "currentColor", "text-anchor": anchor}, document.createTextNode(text));
  let y = 0;
  for (const {words: name, value: v, colour, range} of bars) {
    s.append(words(4, y + 12, name, 11, "start"), svg("rect", {x: 4, y: y + 16, width: Math.max(1, w(v)), height: 16, fill: colour, stroke: "currentColor", "stroke-width": 0.8}));
    if (range) s.append(svg("path", {d: `M${4 + w(range[0])} ${y + 24}H${4 + w(range[1])}M${4 + w(range[0])} ${y + 20}v8M${4 + w(range[1])} ${y + 20}v8`, stroke: "currentColor", "stroke-width": 1.2, fill: "none"}));
    y += 36;
  }
  s.append(words(4, y + 12, "needs", 11, "start"), svg("rect", {x: 4, y: y + 16, width: Math.max(1, w(need)), height: 16, fill: "none", stroke: "currentColor", "stroke-width": 1.4}));
  // The bounds of the classes, as parts of the need; their words where there is room.
  let free = Infinity;
  for (const b of head.bounds) if (b < 1 && need > 0) {
    s.append(svg("path", {d: `M${4 + w(b * need)} ${y + 16}v16`, stroke: "currentColor", "stroke-width": 0.8, "stroke-dasharray": "2 2"}));
    if (w(b * need) > free) continue;
    s.append(words(4 + w(b * need), y + 41, few(100 * b, 0) + " %", 9, "middle"));
    free = w(b * need) - 26;
  }
  s.setAttribute("viewBox", `0 0 ${W + 8} ${y + 42}`);
  return el("figure", {}, s, el("figcaption", {}, label + "."));
}

// plot draws paving, a share and other trees round a place, to scale, north up;
// R metres to each side. It gives the drawing and its pixels a metre.
let plots = 0;
function plot(sx, sy, R, polys, share, t, label, others) {
  const size = 300, k = size / 2 / R, kinds = head.ground.kinds, id = "plot" + plots++;
  const at = (x, y) => `${((x - sx) * k).toFixed(1)} ${(-(y - sy) * k).toFixed(1)}`;
  const path = rings => rings.map(p => { let t = ""; for (let j = 0; j < p.length; j += 2) t += (j ? "L" : "M") + at(p[j], p[j + 1]); return t + "Z"; }).join("");
  const s = svg("svg", {viewBox: `${-size / 2} ${-size / 2} ${size} ${size + 22}`, role: "img", "aria-label": label});
  const square = {x: -size / 2, y: -size / 2, width: size, height: size};
  s.append(svg("clipPath", {id}, svg("rect", square)), svg("rect", {...square, fill: "var(--open)"}));
  const floor = svg("g", {"clip-path": `url(#${id})`});
  for (let kind = 0; kind < kinds.length; kind++) for (const p of polys) {
    if (p.kind !== kind || p.x1 < sx - R || p.x0 > sx + R || p.y1 < sy - R || p.y0 > sy + R) continue;
    floor.append(svg("path", {d: path(p.rings), fill: `var(--${kinds[kind] === "bed" ? "open" : kinds[kind]})`, stroke: "var(--edge)", "stroke-width": 0.8, "fill-rule": "evenodd"}));
  }
  if (share.length) floor.append(svg("path", {d: path(share), fill: head.tones[t].colour, "fill-opacity": 0.75, stroke: "currentColor", "stroke-width": 1.2, "fill-rule": "evenodd"}));
  for (const o of others) floor.append(svg("circle", {cx: ((X[o] - sx) * k).toFixed(1), cy: (-(Y[o] - sy) * k).toFixed(1), r: 3, fill: "none", stroke: "currentColor", "stroke-width": 1.2}));
  s.append(floor);
  s.append(svg("text", {x: size / 2 - 12, y: -size / 2 + 16, "font-size": 13, "font-weight": 700, fill: "currentColor"}, document.createTextNode("N")), svg("path", {d: `M${size / 2 - 7.5} ${-size / 2 + 30}V${-size / 2 + 19}m-3 4l3-4l3 4`, stroke: "currentColor", fill: "none"}));
  const bar = head.us ? 10 : 3, per = head.us ? 0.3048 : 1;
  s.append(svg("path", {d: `M${-size / 2 + 4} ${size / 2 + 8}v5h${bar * per * k}v-5`, stroke: "currentColor", fill: "none"}),
    svg("text", {x: -size / 2 + 10 + bar * per * k, y: size / 2 + 15, "font-size": 11, fill: "currentColor"}, document.createTextNode(`${bar} ${head.us ? "ft" : "m"}`)));
  return {s, k};
}

// Trees near another, by the tones of a look.
function* neighbours(i, R, tone) {
  for (let b = 0; 4 * b < boxes.length; b++) {
    if (boxes[4 * b] > X[i] + R || boxes[4 * b + 2] < X[i] - R || boxes[4 * b + 1] > Y[i] + R || boxes[4 * b + 3] < Y[i] - R) continue;
    for (let j = b * BLOCK, e = Math.min(N, j + BLOCK); j < e; j++) if (j !== i && tone[j] < GONE && Math.abs(X[j] - X[i]) < R && Math.abs(Y[j] - Y[i]) < R) yield j;
  }
}

const compass = b => ["north", "north-east", "east", "south-east", "south", "south-west", "west", "north-west"][Math.round(b / 45) % 8];

// ---- start ----

// setUp says what the page is, before its data are unpacked.
function setUp() {
  $("title").textContent = `${head.title}: ${head.place}`;
  if (typeof DecompressionStream === "undefined") throw new Error("This browser cannot unpack the data of this page (it lacks DecompressionStream, which Chrome 80, Firefox 113 and Safari 16.4 brought). Open the page in a newer one, or open the GIS file that was written beside it.");
  for (const n of head.notes || []) $("notes").append(el("li", {}, n));
  $("settings").textContent = head.settings;
  setLight(matchMedia("(prefers-color-scheme: dark)").matches);
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", e => { setLight(e.matches); draw(); });
  $("light").onclick = () => { setLight(!document.documentElement.classList.contains("dark")); draw(); };
}

function linkedTree() {
  const wanted = /^#tree=(.+)$/.exec(location.hash);
  if (!wanted) return;
  const id = decodeURIComponent(wanted[1]);
  for (let i = 0; i < N; i++) if (value(list.tree_id, i) === id) { open(i, "link"); break; }
}

const frames = n => new Promise(done => requestAnimationFrame(() => n > 1 ? frames(n - 1).then(done) : done()));
const stamp = name => { document.documentElement.dataset[name] = Math.round(performance.now()); };
const stop = e => {
  $("told").textContent = "";
  $("stop").hidden = false;
  $("stop").textContent = e.message;
};
