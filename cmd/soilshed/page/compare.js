// The page of a comparison, after map.js: today left of a divider, a proposal
// right of it.

const SCHEMES = head.schemes.length;
const looks = [];                // of each scheme: how trees are drawn
let ground = null;               // by scheme: paving, works, corridor
let now = 1;                     // the proposal that is shown
let split = 0.5;                 // where the divider stands, part of the width

const changeSign = v => v > 0 ? "+" : v < 0 ? "\u2212" : "";
const fixed = (v, digits) => v.toLocaleString("en", {minimumFractionDigits: digits, maximumFractionDigits: digits});
const signedWords = (v, digits) => changeSign(v) + fixed(Math.abs(v), digits);

// ---- the ground ----

const WORKS = head.firstWork, CORRIDOR = head.ground.kinds.length - 1;

function readGround(b) {
  const has = head.sets.map(set => { const f = new Uint8Array(SCHEMES); for (const k of set) f[k] = 1; return f; });
  const all = readPolygons(b), next = reader(b, head.ground.polygonBytes);
  ground = looks.map((look, k) => {
    look.shares = readShares(next);
    const own = all.filter(p => has[p.set][k]);
    return {polys: own.filter(p => p.kind < WORKS), works: own.filter(p => p.kind >= WORKS && p.kind < CORRIDOR), corridor: own.filter(p => p.kind === CORRIDOR)};
  });
}

function outlines(polys, style) {
  const k = view.k, ox = width / 2 - view.x * k, oy = height / 2 + view.y * k;
  const x0 = view.x - width / 2 / k, x1 = view.x + width / 2 / k, y0 = view.y - height / 2 / k, y1 = view.y + height / 2 / k;
  for (const p of polys) {
    if (p.x1 < x0 || p.x0 > x1 || p.y1 < y0 || p.y0 > y1) continue;
    ctx.beginPath();
    trace(ctx, p.rings, k, ox, oy);
    style(p);
  }
}
const workTint = p => head.works[p.kind - WORKS].colour;

// ---- the map, twice ----

const backs = head.schemes.map((_, k) => backdrop(() => ground && ground[k].polys));

// half draws a scheme between two places of the canvas.
function half(k, from, to, n) {
  if (to <= from) return;
  ctx.save();
  ctx.beginPath();
  ctx.rect(from, 0, to - from, height);
  ctx.clip();
  backs[k].show();
  if (ground) {
    ctx.globalAlpha = 0.3;
    outlines(ground[k].works, p => { ctx.fillStyle = workTint(p); ctx.fill("evenodd"); });
    ctx.globalAlpha = 1;
    ctx.lineWidth = Math.min(2.2, Math.max(1, view.k * 0.5));
    outlines(ground[k].works, p => { ctx.strokeStyle = workTint(p); ctx.stroke(); });
    ctx.strokeStyle = colours.ring;
    ctx.lineWidth = 1.4;
    ctx.setLineDash([7, 5]);
    outlines(ground[k].corridor, () => ctx.stroke());
    ctx.setLineDash([]);
  }
  symbols(n, looks[k]);
  if (k > 0 && n <= MOST) carets(n, k);
  ctx.restore();
}

// Carets tell what becomes of a tree: up for one that gains, down for one that
// loses, filled where it crosses the standard.
const CARETS = {"brought up": [-1, true], "gains": [-1, false], "loses": [1, false], "falls below": [1, true]};
function carets(n, k) {
  if (!listReady) return;
  const s = factor(view.k), a = Math.max(3, 3.4 * s), col = list["outcome_" + k], kinds = head.outcomes.map(o => CARETS[o.name]);
  if (s < 0.45) return;
  ctx.lineWidth = Math.max(1.1, 1.1 * s);
  ctx.lineJoin = "round";
  for (let j = 0; j < n; j++) {
    const i = visible[j], v = col.v[i], c = v && kinds[v - 1 + (col.min || 0)];
    if (!c) continue;
    const [way, filled] = c, x = px(X[i]), y = py(Y[i]) + way * (head.failure[fail(looks[k].mark[i])].mm * MM / 2 * s + 2.5);
    ctx.beginPath();
    ctx.moveTo(x - a, y);
    ctx.lineTo(x, y + way * a);
    ctx.lineTo(x + a, y);
    if (filled) ctx.closePath();
    ctx.strokeStyle = colours.halo;
    ctx.lineWidth += 2.5;
    ctx.stroke();
    ctx.lineWidth -= 2.5;
    ctx.fillStyle = ctx.strokeStyle = colours.ring;
    if (filled) ctx.fill();
    ctx.stroke();
  }
}

function paint() {
  if (!begin()) return;
  if (printing) { paper(); return; }
  const n = inView(), at = Math.round(split * width);
  half(0, 0, at, n);
  half(now, at, width, n);
  if (selected >= 0) spotlight(selected);
  scaleBar();
}

// On paper both designs stand whole, one below the other, in a form that fills
// the sheet; the screen's size comes back with the next picture.
function paper() {
  const wide = 1000, tall = 540, k = view.k;
  view.k *= Math.min(wide / width, tall / height);
  [width, height, dpr] = [wide, tall, 2];
  ctx.canvas.width = wide * dpr;
  ctx.canvas.height = tall * dpr;
  ctx.setTransform(dpr, 0, 0, dpr, 0, 0);
  stale();
  sprites.clear();
  const n = inView();
  for (const [k, canvas, title] of [[0, $("paper-left"), $("paper-left-name")], [now, $("paper-right"), $("paper-right-name")]]) {
    half(k, 0, width, n);
    if (selected >= 0) spotlight(selected);
    scaleBar();
    canvas.width = ctx.canvas.width;
    canvas.height = ctx.canvas.height;
    canvas.getContext("2d").drawImage(ctx.canvas, 0, 0);
    title.textContent = head.schemes[k].name;
  }
  view.k = k;
  stale();
  sprites.clear();
}

// Where in the map a tree is gone to (one that stands in one design alone, in its
// half), which design is seen at a place of the map, whether a tree is seen there,
// and how its ground is told.
const aim = i => looks[0].tone[i] > GONE && split < 0.9 ? (1 + split) / 2 : looks[now].tone[i] >= GONE && split > 0.1 ? split / 2 : 0.5;
const shownAt = sx => sx < split * width ? 0 : now;
const seenAt = (i, sx) => looks[shownAt(sx)].tone[i] <= GONE;
function standing(i, sx) {
  const k = shownAt(sx), words = toneName(looks[k].tone[i]), o = k > 0 ? outcomeOf(i) : null;
  return `${words} in ${head.schemes[k].name}` + (o ? `; ${o.words.toLowerCase()}` : "");
}

function divide(to) {
  split = Math.max(0, Math.min(1, to));
  $("divider").style.left = 100 * split + "%";
  $("left-name").style.right = `calc(${100 * (1 - split)}% + 10px)`;
  $("right-name").style.left = `calc(${100 * split}% + 10px)`;
  $("left-name").hidden = split * width < 70;
  $("right-name").hidden = (1 - split) * width < 70;
  const range = $("split"), pct = Math.round(100 * split);
  range.value = pct;
  range.setAttribute("aria-valuetext", `${head.schemes[0].name} on the left ${pct} %, ${head.schemes[now].name} on the right ${100 - pct} % of the map`);
  draw();
}

function makeDivider() {
  const range = el("input", {type: "range", id: "split", min: 0, max: 100, step: 1, value: 50, "aria-label": "Divider between two designs on the map"});
  const knob = svg("svg", {id: "knob", viewBox: "-20 -20 40 40", "aria-hidden": "true"}, svg("path", {d: "M-4 -7L-12 0L-4 7ZM4 -7L12 0L4 7Z"}));
  const line = el("div", {id: "divider"}, knob);
  $("mapbox").append(range, line, el("span", {id: "left-name", class: "side-name", "aria-hidden": "true"}, head.schemes[0].name), el("span", {id: "right-name", class: "side-name", "aria-hidden": "true"}));
  range.addEventListener("input", () => divide(range.value / 100));
  let from = null; // where in the line it was taken
  line.addEventListener("pointerdown", e => { line.setPointerCapture(e.pointerId); from = e.clientX - line.getBoundingClientRect().left - 14; e.preventDefault(); });
  line.addEventListener("pointermove", e => {
    if (from === null) return;
    const box = canvas.getBoundingClientRect();
    divide((e.clientX - from - box.left) / box.width);
  });
  for (const name of ["pointerup", "pointercancel"]) line.addEventListener(name, () => { from = null; });
  canvas.setAttribute("aria-label", `Map of the trees, ${head.schemes[0].name} left of a divider and a proposal right of it. ` + canvas.getAttribute("aria-label").replace(/^[^.]*\. /, ""));
  const sheet = el("div", {id: "paper"});
  for (const side of ["left", "right"]) sheet.append(el("figure", {}, el("figcaption", {}, el("strong", {id: `paper-${side}-name`})), el("canvas", {id: `paper-${side}`, role: "img", "aria-label": "Map of one design, for print"})));
  $("front").prepend(sheet);
}

// ---- which proposal ----

// listOf names the columns of the list that are of a proposal.
function listOf(k) {
  list.was = list.soil_m3_0;
  list.is = list["soil_m3_" + k];
  list.diff = list["diff_m3_" + k];
  list.outcome = list["outcome_" + k];
  list.turn = list["turn_" + k];
}

function choose(k) {
  now = k;
  const s = head.schemes[k];
  $("right-name").textContent = s.name;
  $("about").textContent = `${head.schemes[0].name}: ${head.schemes[0].about}. ${s.name}: ${s.about}.`;
  $("paved").hidden = !s.onPaving || !s.onPaving.length;
  $("paved").textContent = `${head.paved} ${(s.onPaving || []).slice(0, 30).join(", ")}${(s.onPaving || []).length > 30 ? " ..." : ""}`;
  for (const c of document.querySelectorAll("#totals [data-scheme]")) c.classList.toggle("now", +c.dataset.scheme === now);
  divide(split);
  if (!listReady) return;
  listOf(k);
  legend();
  filter();
  if (selected >= 0) $("tree").replaceChildren(...treePanel(selected));
}

function makeChoice() {
  const box = $("proposal");
  for (let k = 1; k < SCHEMES; k++) box.append(el("option", {value: k}, head.schemes[k].name));
  box.addEventListener("change", () => choose(+box.value));
}

// ---- totals ----

function totals() {
  $("totalheads").append(el("tr", {}, el("td", {}), ...head.schemes.map((s, k) => el("th", {scope: "col", class: "n", "data-scheme": k}, s.name))));
  for (const m of head.table) {
    const cells = m.cells.map((c, k) => el("td", {class: "n", "data-scheme": k}, m.best[k] ? el("span", {class: "best", title: "does best by this line"}, c) : c === "-" ? "\u2013" : c));
    $("totalrows").append(el("tr", {class: m.part ? "part" : null}, el("th", {scope: "row", title: m.doc || null}, m.words + (m.unit ? `, ${unitWords(m.unit)}` : "")), ...cells));
  }
  for (const l of head.leads || []) $("leads").append(el("li", {}, l));
  $("scope").textContent = head.scope;
  $("limits").textContent = head.limits;
}

// ---- legend and filter ----

const SIDES = [["win", "Winners"], ["tie", "The same"], ["lose", "Losers"], ["turnover", "Planted, removed"], ["unknown", "Not compared"]];

const outcomeOf = i => { const v = value(list.outcome, i); return v === null ? null : head.outcomes[v]; };

function outcomeSymbol(o) {
  const s = svg("svg", {viewBox: "-14 -12 28 24", "aria-hidden": "true"}), c = CARETS[o.name], line = {stroke: "currentColor", "stroke-width": 1.3, "stroke-linejoin": "round"};
  if (o.name === "removed") s.append(svg("path", {d: "M-4-4L4 4M-4 4L4-4", ...line}));
  else if (o.name.startsWith("planted")) s.append(svg("path", {d: "M0-6L6 5H-6Z", ...line, fill: o.name === "planted, short" ? "none" : "var(--soft)"}));
  else {
    s.append(svg("circle", {r: 3.6, cy: c ? -2.5 * c[0] : 0, fill: "none", ...line}));
    if (c) s.append(svg("path", {d: `M-5 ${3.4 * c[0]}L0 ${8.4 * c[0]}L5 ${3.4 * c[0]}${c[1] ? "Z" : ""}`, ...line, fill: c[1] ? "currentColor" : "none"}));
  }
  return s;
}

// classCounts is a small table of the soil classes before and after.
function classCounts() {
  const of = k => { const n = new Array(TONES + 1).fill(0); for (let i = 0; i < N; i++) n[looks[k].tone[i]]++; return n; };
  const was = of(0), is = of(now), body = el("tbody", {});
  head.tones.forEach((t, k) => {
    if (k >= UNKNOWN && !was[k] && !is[k]) return;
    body.append(el("tr", {}, el("td", {}, symbol(discRadius(1), t.colour, 0, k === GONE)), el("th", {scope: "row"}, t.words), el("td", {class: "n"}, count.format(was[k])), el("td", {class: "n"}, count.format(is[k]))));
  });
  return el("table", {class: "classes"}, el("caption", {class: "hide"}, "Trees by soil class"), el("thead", {}, el("tr", {}, el("td", {}), el("th", {scope: "col"}, "Colour: soil against need"), el("th", {scope: "col", class: "n"}, head.schemes[0].name), el("th", {scope: "col", class: "n"}, head.schemes[now].name))), body);
}

function legend() {
  const sums = head.outcomes.map(() => 0), bySide = {};
  for (let i = 0; i < N; i++) { const v = value(list.outcome, i); if (v !== null) sums[v]++; }
  head.outcomes.forEach((o, k) => { bySide[o.side] = (bySide[o.side] || 0) + sums[k]; });
  const kept = hidden.outcome;
  const group = legendGroup("outcome", `What becomes of the trees in ${head.schemes[now].name}`, head.outcomes, sums, outcomeSymbol, () => true);
  const sides = el("div", {class: "row", id: "sides", role: "group", "aria-label": "Show winners, losers and others"});
  for (const [side, words] of SIDES) {
    if (!bySide[side]) continue;
    const b = el("button", {type: "button", "data-side": side, "aria-pressed": "false"}, `${words}: ${count.format(bySide[side])}`);
    b.addEventListener("click", () => {
      const only = b.getAttribute("aria-pressed") === "true";
      hidden.outcome = new Set(head.outcomes.map((_, k) => k).filter(k => !only && head.outcomes[k].side !== side));
      tick();
      filter();
    });
    sides.append(b);
  }
  const works = el("ul", {class: "works"}), done = new Set(ground ? ground[now].works.map(p => p.kind - WORKS) : []);
  head.works.forEach((w, k) => {
    if (!done.has(k)) return;
    const s = el("span", {class: "swatch", "aria-hidden": "true"});
    s.style.borderColor = w.colour;
    s.style.background = w.colour + "4d";
    works.append(el("li", {}, s, w.words));
  });
  if (ground && ground[now].corridor.length) {
    const s = el("span", {class: "swatch", "aria-hidden": "true"});
    s.style.borderStyle = "dashed";
    works.append(el("li", {}, s, "Corridor that is compared"));
  }
  $("keys").replaceChildren(sides, group, classCounts(), works, el("p", {class: "small"}, "Size: chance that the base fails, a year (a screen's scale). Triangles: trees to plant. Crosses: trees removed. Paving farther than 60 m from the trees is not drawn."));
  if (kept) hidden.outcome = kept;
  tick();
}

// tick sets boxes and buttons to what is hidden.
function tick() {
  const boxes = [...$("keys").querySelectorAll("fieldset input")];
  let b = 0;
  const sums = head.outcomes.map(() => 0);
  for (let i = 0; i < N; i++) { const v = value(list.outcome, i); if (v !== null) sums[v]++; }
  head.outcomes.forEach((_, k) => { if (sums[k]) boxes[b++].checked = !hidden.outcome.has(k); });
  for (const button of $("sides").children) {
    const side = button.dataset.side;
    button.setAttribute("aria-pressed", head.outcomes.every((o, k) => !sums[k] || hidden.outcome.has(k) !== (o.side === side)));
  }
}

function filter() {
  const test = matching(words), ok = head.outcomes.map((_, k) => hidden.outcome.has(k) ? 0 : 1), {v, min} = list.outcome;
  shownTrees = 0;
  let all = 0;
  for (let i = 0; i < N; i++) {
    all += v[i] > 0;
    mask[i] = v[i] && ok[v[i] - 1 + (min || 0)] && (!test || test(i)) ? 1 : 0;
    shownTrees += mask[i];
  }
  $("told").textContent = `${count.format(shownTrees)} of ${count.format(all)} trees shown, ${head.schemes[0].name} beside ${head.schemes[now].name}` + (head.year ? `, as assessed for ${head.year}` : "");
  if ($("sides")) tick();
  sortList();
  draw();
}

// ---- the list ----

const VOLUME = head.us ? "ft\u00b3" : "m\u00b3";

// Columns of the list; the first order, and what begins with the largest.
const COLUMNS = [["tree_id", "Tree", ""], ["species", "Species", "less"], ["street", "Street", "less"], ["turn", "What becomes of it", ""], ["was", `Today, ${VOLUME}`, "n"], ["is", `Proposal, ${VOLUME}`, "n"], ["diff", `Change, ${VOLUME}`, "n"]];
const FIRST = "turn", FIRST_WORDS = ", losers on top, the largest change first", MOST_FIRST = ["was", "is", "diff"];

// a cell of the list
function cell(name, i) {
  const col = list[name], v = value(col, i), digits = 1;
  switch (name) {
    case "turn": return [sentence(outcomeOf(i).name)];
    case "was": return v === null ? ["\u2013"] : [chip(looks[0].tone[i]), fixed(v, digits)];
    case "is": return v === null ? ["\u2013"] : [chip(looks[now].tone[i]), fixed(v, digits)];
    case "diff": return [v === null ? "\u2013" : signedWords(v, digits)];
  }
  return [v === null ? "\u2013" : String(v)];
}

function showAll() { tick(); }

// ---- one tree ----

function treePanel(i) {
  const o = outcomeOf(i), d = detailOf[i], unit = unitWords(list.was.unit), name = k => head.schemes[k].name, out = panelTop(i);
  const gain = value(list.diff, i);
  out.push(el("p", {class: "next"}, `${name(now)}: `, o ? o.words.charAt(0).toLowerCase() + o.words.slice(1) : "does not stand", gain ? el("span", {class: "gain"}, ` (${signedWords(gain, 2)} ${unit})`) : "", "."));
  out.push(panelWay(i));
  const bars = [], all = [];
  for (const k of [0, now]) {
    const v = value(list["soil_m3_" + k], i);
    if (v !== null && looks[k].tone[i] < UNKNOWN) bars.push({words: name(k), value: v, colour: head.tones[looks[k].tone[i]].colour});
    all.push(v);
  }
  const needs = [now, 0].map(k => value(list["need_m3_" + k], i)).find(v => v !== null);
  if (bars.length && needs !== undefined) out.push(soilBars(bars, needs, Math.max(needs, ...bars.map(b => b.value), 1e-9) * 1.05, bars.map(b => `${b.words}: ${few(b.value, 2)} ${unit} of soil`).join("; ") + `; it needs ${few(needs, 2)} ${unit}`));
  if (d >= 0 && ground) {
    const pair = el("div", {id: "pair"}), R = drawnReach(d);
    for (const k of [0, now]) {
      const t = looks[k].tone[i], label = `${name(k)}: ` + (t > GONE ? "not planted yet" : t === GONE ? "it does not stand" : `its share of the ground, ${toneName(t)}`);
      const {s, k: px} = plot(X[i], Y[i], R, ground[k].polys, looks[k].shares[d], Math.min(t, UNKNOWN), label, neighbours(i, R, looks[k].tone));
      s.append(t < GONE ? svg("circle", {r: 4, fill: "currentColor"}) : svg("path", {d: t === GONE ? "M-5-5L5 5M-5 5L5-5" : "M0-6L6 5H-6Z", fill: "none", stroke: "currentColor", "stroke-width": 1.4}));
      pair.append(el("figure", {}, s, el("figcaption", {}, label + ".")));
    }
    out.push(pair);
  }
  // All designs beside each other.
  const table = el("table", {id: "treenumbers"}, el("caption", {class: "hide"}, "Numbers of this tree in each design"), el("thead", {}, el("tr", {}, el("td", {}), ...head.schemes.map((s, k) => el("th", {scope: "col", class: k === now ? "n now" : "n"}, s.name)))));
  const body = el("tbody", {});
  const line = (title, doc, of) => {
    const cells = head.schemes.map((_, k) => of(k));
    if (cells.some(c => c !== null)) body.append(el("tr", {}, el("th", {scope: "row", title: doc || null}, title), ...cells.map((c, k) => el("td", {class: k === now ? "n now" : "n"}, c ?? "\u2013"))));
  };
  line("soil class", null, k => looks[k].tone[i] < UNKNOWN ? toneName(looks[k].tone[i]) : looks[k].tone[i] === GONE ? "does not stand" : null);
  for (const base of ["soil_m3", "need_m3", "soil_pct", "open_m2", "dry_days", "gust_ms", "fail_yr", "ground"]) {
    const c = list[base + "_0"];
    line(c.alias + (c.unit ? `, ${unitWords(c.unit)}` : base === "fail_yr" ? ", %" : ""), c.doc, k => {
      const col = list[`${base}_${k}`], v = value(col, i);
      return v === null ? null : base === "fail_yr" ? percent(col, i).replace(" %", "") : typeof v === "number" ? fixed(v, col.digits || 0) : v;
    });
  }
  table.append(body);
  out.push(el("h3", {}, "Before and after"), el("div", {class: "rows"}, table));
  out.push(el("h3", {}, "Mind"), el("p", {}, head.caution));
  return out;
}

// How far round a tree its ground is drawn: as far as its shares go, in steps.
function drawnReach(d) {
  let far = 4, i = detailOf.indexOf(d);
  for (const k of [0, now]) for (const pts of looks[k].shares[d]) for (let j = 0; j < pts.length; j += 2) far = Math.max(far, Math.abs(pts[j] - X[i]), Math.abs(pts[j + 1] - Y[i]));
  return far * 1.12;
}

// ---- start ----

async function start() {
  setUp();
  const c = columns(await unpack("map"), head.map, N);
  for (let k = 0; k < SCHEMES; k++) looks.push({tone: Uint8Array.from(c["tone_" + k].v), mark: Uint8Array.from(c["mark_" + k].v), shares: null});
  readPlaces(c, looks[0].mark);
  $("main").hidden = false;
  resize();
  fit();
  makeDivider();
  makeChoice();
  listen();
  totals();
  choose(1);
  await frames(2);
  stamp("first");
  list = columns(await unpack("list"), head.list, N);
  listOf(now);
  heads();
  listReady = true;
  choose(now);
  listenList();
  await new Promise(done => setTimeout(done));
  readGround(await unpack("ground"));
  stale();
  choose(now);
  linkedTree();
  stamp("ready");
}

start().catch(stop);
