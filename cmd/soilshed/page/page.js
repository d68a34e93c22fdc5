// The page of an assessment, after map.js.

let look = {};                   // how trees are drawn
let detail = {};                 // columns of the trees with details
let ground = null;               // paving, shares, roses
let news = null;                 // changes since the older output, in words
const newsKinds = new Set();     // kinds of change that are wanted; none wanted is no filter

function readGround(b) {
  const g = head.ground, D = head.details;
  const polys = readPolygons(b);
  let at = g.polygonBytes;
  const stem = new Int16Array(3 * D);
  const low = k => b[at + k], high = k => b[at + D + k];
  for (let c = 0; c < 3; c++, at += 2 * D) for (let k = 0; k < D; k++) stem[3 * k + c] = low(k) | high(k) << 8;
  const roses = b.subarray(at, at + g.bearings * D);
  ground = {polys, stem, roses, shares: readShares(reader(b, at + g.bearings * D))};
}

function filter() {
  const {tone, mark} = look;
  const f = head.tones.map((_, k) => hidden.tone.has(k) ? 0 : 1);
  const a = head.failure.map((_, k) => hidden.failure.has(k) ? 0 : 1), g = head.girdling.map((_, k) => hidden.girdling.has(k) ? 0 : 1);
  const test = matching(words);
  let bits = 0;
  for (const k of newsKinds) bits |= 1 << k;
  shownTrees = 0;
  for (let i = 0; i < N; i++) {
    const t = tone[i];
    mask[i] = f[t] && (t === GONE || a[fail(mark[i])] && g[girdled(mark[i])]) && (!bits || list.changed.v[i] & bits) && (!test || test(i)) ? 1 : 0;
    shownTrees += mask[i];
  }
  $("told").textContent = `${count.format(shownTrees)} of ${count.format(N)} trees shown` + (head.year ? `, as assessed for ${head.year}` : "");
  if (listReady) { sortList(); charts(); }
  draw();
}

const back = backdrop(() => ground && ground.polys);
function paint() {
  if (!begin()) return;
  back.show();
  symbols(inView(), look);
  if (selected >= 0) spotlight(selected);
  scaleBar();
}

// Where in the map a tree is gone to, whether it is seen at a place of the map, and
// how its ground is told there.
const aim = () => 0.5;
const seenAt = () => true;
const standing = i => toneName(look.tone[i]);

function legend() {
  const {tone, mark} = look;
  const sum = {tone: new Array(TONES).fill(0), failure: head.failure.map(() => 0), girdling: head.girdling.map(() => 0)};
  for (let i = 0; i < N; i++) {
    sum.tone[tone[i]]++;
    if (tone[i] !== GONE) { sum.failure[fail(mark[i])]++; sum.girdling[girdled(mark[i])]++; }
  }
  $("keys").append(
    legendGroup("tone", "Colour: soil against need", head.tones, sum.tone, (t, k) => symbol(discRadius(1), t.colour, 0, k === GONE), k => k >= UNKNOWN),
    legendGroup("failure", "Size: chance that the base fails, a year (a screen's scale)", head.failure, sum.failure, (_, k) => symbol(discRadius(k), "var(--soft)", 0)),
    legendGroup("girdling", "Ring: chance of a girdled collar", head.girdling, sum.girdling, (g, k) => symbol(discRadius(0), "none", g.mm * MM)),
  );
}

// Columns of the list; the first order, and what begins with the largest.
const COLUMNS = [["rank", "Rank", "n"], ["tree_id", "Tree", ""], ["species", "Species", ""], ["street", "Street", "less"], ["soil_pct", "Soil", "n"], ["sgr_p", "Girdled", "n less"], ["fail_yr", "Fails a year", "n"], ["day", "Day", "n"]];
const FIRST = "rank", FIRST_WORDS = ", those to look at first on top", MOST_FIRST = ["sgr_p", "fail_yr"];

// a cell of the list
function cell(name, i) {
  const col = list[name], v = value(col, i);
  if (name === "sgr_p" || name === "fail_yr") return [percent(col, i)];
  if (name === "soil_pct") return [chip(look.tone[i]), v === null ? "\u2013" : few(Math.floor(v), 0) + " %"];
  return [v === null ? "\u2013" : String(v)];
}

function showAll() {
  newsKinds.clear();
  for (const b of $("kinds").querySelectorAll("input")) b.checked = false;
  changedRows(0);
}

// ---- one tree ----

function treePanel(i) {
  const {tone} = look, d = detailOf[i], of = name => list[name] ? value(list[name], i) : value(detail[name], d);
  const out = panelTop(i);
  out.push(el("p", {}, chip(tone[i]), head.tones[tone[i]].words + ". ", of("rank") ? `Number ${count.format(of("rank"))} of ${count.format(head.ranked)} to look at.` : "Not in the order of the list."));
  if (of("day")) out.push(el("p", {}, `Crew day ${of("day")}, stop ${of("stop")}.`));
  out.push(panelWay(i));
  if (tone[i] === GONE) return out.concat(el("p", {}, "Gone on record, or an empty site: not assessed."));
  if (of("do_next")) out.push(el("p", {class: "next"}, sentence(of("do_next"))));
  if (of("why")) out.push(el("h3", {}, "Why"), el("ul", {}, ...unitWords(of("why")).split("; ").map(w => el("li", {}, w))));
  const changes = news ? news.of.get(i) || [] : [];
  if (changes.length) out.push(el("h3", {}, "Changed since the last run"), el("ul", {class: "changes"}, ...changes.map(c => el("li", {}, changeWords(c), ": ", el("span", {class: "small"}, unitWords(news.whys[c.y]))))));
  out.push(soilFigure(i, of));
  if (d >= 0 && ground) out.push(roseFigure(i, d, of));
  if (of("look")) out.push(el("h3", {}, "What to look for"), el("ul", {}, ...of("look").split("; ").map(w => el("li", {}, w))));
  if (of("tools")) out.push(el("p", {}, `Tools: ${of("tools")}. `, of("crew_h") !== null ? `About ${few(of("crew_h"), 1)} hours for two.` : ""));
  const dl = el("dl", {});
  const told = ["do_next", "why", "look", "tools", "cautions", "missing", "crew_h", "rank", "tree_id", "species", "street", "changed"];
  for (const [cols, at] of [[list, i], [detail, d]]) for (const name in cols) {
    if (told.includes(name) || at < 0) continue;
    const text = shown(cols[name], at);
    if (text !== null) dl.append(el("dt", {title: cols[name].doc || null}, cols[name].alias || name), el("dd", {}, text));
  }
  out.push(el("h3", {}, "Numbers, from its ground to its rank"), dl);
  if (of("missing")) out.push(el("h3", {}, "What the inventory does not say"), el("p", {}, of("missing") + "."));
  if (d < 0) out.push(el("p", {}, `This page holds reasons, rose and share of the first ${count.format(head.details)} trees of the list alone; those of the others lie in the GIS file beside it.`));
  out.push(el("h3", {}, "Mind"), el("p", {}, of("cautions") || head.caution));
  return out;
}
// soilFigure draws the soil that the tree has above the soil that it needs.
function soilFigure(i, of) {
  const have = of("soil_m3"), need = of("need_m3"), unit = unitWords(list.soil_m3.unit), t = look.tone[i];
  if (have === null || need === null || t === UNKNOWN) return el("p", {}, "Its ground is not known, so soil and need are not compared.");
  const p10 = of("soil_p10"), p90 = of("soil_p90"), range = p10 !== null && p90 !== null ? [p10, p90] : null;
  const text = `Has ${few(have, 2)} ${unit} of soil and needs ${few(need, 2)} ${unit}` + (range ? `; if the point is off, ${few(p10, 2)} to ${few(p90, 2)}` : "");
  return soilBars([{words: "has", value: have, colour: head.tones[t].colour, range}], need, Math.max(have, need, p90 || 0, 1e-9) * 1.05, text);
}

// roseFigure draws paving, share and rose to scale, north up.
function roseFigure(i, d, of) {
  const reach = (ground.stem[3 * d + 2] & 0xffff) / 100, sx = X[i] + ground.stem[3 * d] * head.stepM, sy = Y[i] + ground.stem[3 * d + 1] * head.stepM;
  const R = reach * 1.18, g = head.ground, t = look.tone[i];
  const short = value(detail.reach_m, d), brg = value(detail.reach_brg, d), weak = value(detail.weak_brg, d), unit = detail.reach_m ? unitWords(detail.reach_m.unit) : "m";
  const label = `Ground round the stem, north up, looked at to ${few(reach / (head.us ? 0.3048 : 1), 1)} ${unit}` + (short !== null && brg !== null ? `; nearest hard edge ${few(short, 1)} ${unit} to the ${compass(brg)}` : "") + (weak !== null ? `; it would fall to the ${compass(weak)}` : "");
  const {s, k} = plot(sx, sy, R, ground.polys, ground.shares[d], t, label, neighbours(i, R, look.tone));
  s.append(svg("circle", {r: reach * k, fill: "none", stroke: "currentColor", "stroke-width": 0.7, "stroke-dasharray": "4 4"}));
  let rose = "";
  for (let b = 0; b < g.bearings; b++) {
    const v = ground.roses[d * g.bearings + b], m = v === g.roseFree ? reach : v / g.roseParts * reach, a = b * 2 * Math.PI / g.bearings;
    rose += `M0 0L${(Math.sin(a) * m * k).toFixed(1)} ${(-Math.cos(a) * m * k).toFixed(1)}`;
  }
  s.append(svg("path", {d: rose, stroke: "currentColor", "stroke-width": 0.9, fill: "none", opacity: 0.75}), svg("circle", {r: 4, fill: "currentColor"}));
  if (weak !== null) {
    const a = weak * Math.PI / 180, x = Math.sin(a), y = -Math.cos(a), r = 144;
    s.append(svg("path", {d: `M${x * r * 0.55} ${y * r * 0.55}L${x * r} ${y * r}M${x * r - 8 * (x * 0.9 - y * 0.45)} ${y * r - 8 * (y * 0.9 + x * 0.45)}L${x * r} ${y * r}L${x * r - 8 * (x * 0.9 + y * 0.45)} ${y * r - 8 * (y * 0.9 - x * 0.45)}`, stroke: "var(--accent)", "stroke-width": 2.6, fill: "none"}));
  }
  return el("figure", {}, s, el("figcaption", {}, label + ". Filled: its share of the open ground. Lines: free distance in " + g.bearings + " directions. Small circles: other trees." + (weak !== null ? " Arrow: the way it would fall." : "")));
}

// ---- what has changed ----

const changeWords = c => news.kinds[c.k].words + (c.w ? `: ${c.w} to ${c.i}` : c.i ? `: ${c.i}` : "");
const CHANGES = 50;
let newsPart = 0;

function listenNews() {
  news.of = new Map();
  for (const c of news.rows) if (c.t >= 0) { if (!news.of.has(c.t)) news.of.set(c.t, []); news.of.get(c.t).push(c); }
  const all = news.kinds.reduce((s, k) => s + k.count, 0);
  $("newstold").textContent = all ? `${count.format(all)} changes since ${news.since}.` : `Nothing has changed beyond noise since ${news.since}.`;
  news.kinds.forEach((kind, k) => {
    if (!kind.count) return;
    const box = el("input", {type: "checkbox"});
    box.addEventListener("change", () => { box.checked ? newsKinds.add(k) : newsKinds.delete(k); filter(); changedRows(0); });
    $("kinds").append(el("label", {}, box, el("span", {}), el("span", {}, kind.words), el("span", {}, count.format(kind.count))));
  });
  $("kinds").hidden = $("told-changes").hidden = !all;
  $("newer").onclick = () => changedRows(newsPart - 1);
  $("later").onclick = () => changedRows(newsPart + 1);
  $("changed").addEventListener("click", e => {
    const tr = e.target.closest("tr");
    if (tr && tr.dataset.tree) open(+tr.dataset.tree, "list");
  });
  $("news").hidden = false;
  changedRows(0);
}

function changedRows(to) {
  if (!news) return;
  const wanted = news.rows.filter(c => !newsKinds.size || newsKinds.has(c.k)), parts = Math.max(1, Math.ceil(wanted.length / CHANGES));
  newsPart = Math.max(0, Math.min(parts - 1, to));
  $("changed").replaceChildren(...wanted.slice(newsPart * CHANGES, (newsPart + 1) * CHANGES).map(c => {
    const id = (c.t >= 0 ? value(list.tree_id, c.t) : c.id) || "(no number)";
    const name = c.t >= 0 ? el("button", {type: "button", class: "id"}, id) : el("span", {}, id + (c.s ? `, ${c.s}` : ""));
    return el("tr", {"data-tree": c.t >= 0 ? c.t : null}, el("td", {}, name), el("td", {}, changeWords(c)), el("td", {}, unitWords(news.whys[c.y])));
  }));
  $("newspart").textContent = `part ${count.format(newsPart + 1)} of ${count.format(parts)}`;
  $("newer").disabled = newsPart === 0;
  $("later").disabled = newsPart >= parts - 1;
  const cut = news.kinds.filter((k, n) => k.told < k.count && (!newsKinds.size || newsKinds.has(n)));
  $("told-changes").querySelector("summary").textContent = "In words" + (cut.length ? `: the first ${count.format(Math.max(...cut.map(k => k.told)))} of a kind; all lie in the table beside the GIS file` : "");
}

// ---- charts ----

function charts() {
  const spreadOf = (title, groups, note) => {
    // groups: [name, counts by tone]
    const total = g => g[1].reduce((a, b) => a + b, 0), most = Math.max(1, ...groups.map(total));
    const bars = el("div", {"aria-hidden": "true"});
    for (const g of groups) {
      const parts = el("span", {class: "parts"});
      g[1].forEach((c, t) => {
        if (!c) return;
        const p = el("i", {});
        p.style.width = 100 * c / most + "%";
        p.style.background = head.tones[t].colour;
        parts.append(p);
      });
      bars.append(el("div", {class: "bar"}, el("span", {title: g[0]}, g[0]), parts, el("span", {}, count.format(total(g)))));
    }
    const table = el("table", {}, el("thead", {}, el("tr", {}, el("th", {scope: "col"}, title), ...head.tones.slice(0, GONE).map(t => el("th", {scope: "col", class: "n"}, t.words.split(":")[0])))),
      el("tbody", {}, ...groups.map(g => el("tr", {}, el("th", {scope: "row"}, g[0]), ...g[1].slice(0, GONE).map(c => el("td", {class: "n"}, count.format(c)))))));
    return el("figure", {}, el("h3", {}, title), bars, el("figcaption", {}, note), el("details", {}, el("summary", {}, "As numbers"), el("div", {class: "rows"}, table)));
  };
  const zero = () => new Array(TONES).fill(0);
  const pct = list.soil_pct, width = 10 ** (pct.digits || 0), low = pct.min || 0;
  const by = Array.from({length: 10}, zero), names = [];
  for (let k = 0; k < 8; k++) names.push(`${25 * k} to ${25 * (k + 1)} %`);
  names.push("200 % or more", "not known");
  const years = new Map(), stock = new Map(), kinds = new Map();
  const add = (m, key, t) => { let c = m.get(key); if (!c) m.set(key, c = zero()); c[t]++; };
  for (let i = 0; i < N; i++) {
    const t = look.tone[i];
    if (!mask[i] || t === GONE) continue;
    const v = pct.v[i];
    by[v ? Math.min(8, Math.max(0, Math.floor((v - 1 + low) / width / 25))) : 9][t]++;
    add(kinds, list.species.kind === "words" ? list.species.v[i] : value(list.species, i), t);
    const y = list.planted.v[i];
    add(years, y ? Math.floor((y - 1 + (list.planted.min || 0)) / 5) * 5 : 0, t);
    add(stock, list.stock.kind === "words" ? list.stock.v[i] : value(list.stock, i), t);
  }
  const sum = c => c.reduce((a, b) => a + b, 0);
  const name = (col, key) => typeof key === "number" ? (key ? col.words[key - 1] : "not recorded") : key || "not recorded";
  const species = [...kinds].sort((a, b) => sum(b[1]) - sum(a[1]));
  const top = species.slice(0, 14).map(([k, c]) => [name(list.species, k), c]);
  if (species.length > 14) {
    const rest = zero();
    for (const [, c] of species.slice(14)) c.forEach((v, t) => { rest[t] += v; });
    top.push([`${count.format(species.length - 14)} other kinds`, rest]);
  }
  if (!sum(by[9])) by.pop();
  const planted = [...years].sort((a, b) => (a[0] || 9999) - (b[0] || 9999)).map(([y, c]) => [y ? `${y} to ${y + 4}` : "not recorded", c]);
  // The earliest are taken together.
  if (planted.length > 17) {
    const early = planted.splice(0, planted.length - 16), sums = zero();
    for (const [, c] of early) c.forEach((v, t) => { sums[t] += v; });
    planted.unshift([`before ${parseInt(planted[0][0])}`, sums]);
  }
  const grown = [...stock].sort((a, b) => sum(b[1]) - sum(a[1])).map(([k, c]) => [name(list.stock, k), c]);
  $("charts").replaceChildren(
    spreadOf("Soil against need", by.map((c, k) => [names[k], c]), "Trees by the soil they have, in percent of what they need."),
    spreadOf("By species", top, "The commonest kinds, coloured by soil class."),
    spreadOf("By planting year", planted, "In fives of years, coloured by soil class."),
    spreadOf("By nursery stock", grown, "How they were grown, coloured by soil class."),
  );
}

// ---- start ----

async function start() {
  setUp();
  const c = columns(await unpack("map"), head.map, N);
  look.tone = Uint8Array.from(c.tone.v);
  look.mark = Uint8Array.from(c.mark.v);
  readPlaces(c, look.mark);
  $("main").hidden = false;
  resize();
  fit();
  listen();
  legend();
  filter();
  await frames(2);
  stamp("first");
  list = columns(await unpack("list"), head.list, N);
  listReady = true;
  heads();
  listenList();
  filter();
  await new Promise(done => setTimeout(done));
  detail = columns(await unpack("detail"), head.detail, head.details);
  readGround(await unpack("ground"));
  look.shares = ground.shares;
  const notes = [];
  if (head.details < N) notes.push(`Reasons, roses and shares are those of the first ${count.format(head.details)} trees of the list.`);
  if (head.ground.polygons < head.ground.of) notes.push(`Of ${count.format(head.ground.of)} paved polygons ${count.format(head.ground.polygons)} are drawn: those round the trees at the head of the list, and the largest.`);
  if (N > MOST) notes.push("Where many trees are in view each is a dot, and dots that fall together have the mean of their classes.");
  for (const n of notes) $("keys").append(el("p", {class: "small"}, n));
  stale();
  draw();
  if ($("block-changes")) {
    news = JSON.parse(utf8.decode(await unpack("changes")));
    listenNews();
  }
  linkedTree();
  stamp("ready");
}

start().catch(stop);
