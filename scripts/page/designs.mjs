// The page of a comparison, used as a planner would: designs(tools, PAGE, HOSTILE).
import { attacks } from "./hostile.mjs";

export async function designs({ visit, expect, text, ids, shown, colours, mapText, lowContrast, pictures }, file, hostile) {
  const split = page => page.locator("#split").evaluate(e => [+e.value, e.getAttribute("aria-valuetext")]);
  const lineAt = page => page.evaluate(() => { const m = document.getElementById("map").getBoundingClientRect(), l = document.getElementById("divider").getBoundingClientRect(); return ((l.left + l.right) / 2 - m.left) / m.width; });
  const name = page => text(page, "#right-name");

  const page = await visit(file);
  const head = JSON.parse(await page.locator("#head").textContent());
  const total = await shown(page);
  expect(head.schemes.length === 3 && total === head.trees && await ids(page).then(v => v.length) === total, `${total} of ${head.trees} trees shown`);
  expect(await colours(page) > 20, "the map of designs is blank");
  expect((await text(page, ".caution")).includes("certified arborist"), "the caution is not on the page of designs");
  await page.screenshot({ path: `${pictures}/designs-1280-light.png` });

  // The divider, by keys: arrows, pages, ends.
  await page.focus("#split");
  let was = await mapText(page);
  for (let k = 0; k < 10; k++) await page.keyboard.press("ArrowRight");
  let [at, said] = await split(page);
  expect(at === 60 && /today on the left 60 %, option-a on the right 40 %/.test(said), `ten keys to the right: ${at}, ${said}`);
  expect(Math.abs(await lineAt(page) - 0.6) < 0.01, `the line stands at ${await lineAt(page)}`);
  await page.waitForTimeout(150);
  expect(await mapText(page) !== was, "the map is as before when the divider has moved");
  expect(await page.evaluate(() => { const s = getComputedStyle(document.getElementById("knob")); return s.outlineStyle !== "none" && parseFloat(s.outlineWidth) >= 2; }), "the divider does not show that it has the keyboard's focus");
  await page.keyboard.press("Home");
  await page.waitForTimeout(150);
  const proposal = await mapText(page);
  await page.keyboard.press("End");
  await page.waitForTimeout(150);
  const today = await mapText(page);
  expect((await split(page))[0] === 100 && today !== proposal, "both ends of the divider show the same");

  // By pointer: the knob, then the line far from it; the map stays where it is.
  await page.keyboard.press("Home");
  for (let k = 0; k < 30; k++) await page.keyboard.press("ArrowRight");
  const map = await page.locator("#map").boundingBox();
  const drag = async (x, y, to) => {
    await page.mouse.move(x, y);
    await page.mouse.down();
    await page.mouse.move(to, y + 20, { steps: 5 });
    await page.mouse.up();
  };
  const knob = await page.locator("#knob").boundingBox();
  await drag(knob.x + knob.width / 2, knob.y + knob.height / 2, map.x + map.width * 0.7);
  expect(Math.abs(await lineAt(page) - 0.7) < 0.02, `the knob was drawn to 0.7, the line stands at ${await lineAt(page)}`);
  await drag(map.x + map.width * 0.7, map.y + 200, map.x + map.width * 0.4);
  expect(Math.abs(await lineAt(page) - 0.4) < 0.02 && (await split(page))[0] === 40, `the line was drawn to 0.4, it stands at ${await lineAt(page)}`);
  was = await mapText(page);
  await drag(map.x + 100, map.y + 300, map.x + 160);
  await page.waitForTimeout(150);
  expect(Math.abs(await lineAt(page) - 0.4) < 0.02 && await mapText(page) !== was, "the map cannot be moved beside the divider");
  // Where the thumb's row is, but not the thumb, the map is dragged too.
  was = await mapText(page);
  await drag(map.x + 120, knob.y + knob.height / 2, map.x + 180);
  await page.waitForTimeout(150);
  expect(Math.abs(await lineAt(page) - 0.4) < 0.02 && await mapText(page) !== was, "the row of the thumb takes the pointer from the map");
  await page.click("#all");

  // The other proposal: its name, its numbers, its map.
  await page.waitForTimeout(150);
  was = await mapText(page);
  const cell = (row, k) => page.locator("#totalrows tr", { has: page.locator("th", { hasText: row }) }).first().locator("td").nth(k).innerText();
  const wins = await text(page, "#sides [data-side=win]");
  await page.selectOption("#proposal", { label: "option-b" });
  await page.waitForTimeout(150);
  expect(await name(page) === "option-b" && await mapText(page) !== was && await text(page, "#sides [data-side=win]") !== "" && wins.startsWith("Winners: "), "choosing a proposal changes nothing");
  expect(await page.locator("#totals th.now").innerText() === "option-b", "the chosen proposal is not marked in the table");
  for (const [row, k, want] of head.table.flatMap(m => m.cells.map((c, k) => [m.words, k, c])).slice(0, 30)) {
    const got = await page.locator(`#totalrows tr`).nth(head.table.findIndex(m => m.words === row)).locator("td").nth(k).innerText();
    expect(got === (want === "-" ? "\u2013" : want), `${row}, column ${k}: ${got}, not ${want}`);
  }
  const planted = Number(await cell("planted", 2)), removed = Number(await cell("removed", 2));
  expect(planted > 0 && removed > 0 && (await text(page, "#sides [data-side=turnover]")) === `Planted, removed: ${planted + removed}`, `${planted} planted, ${removed} removed: ${await text(page, "#sides [data-side=turnover]")}`);
  expect(/^option-b: .*soil of all trees/m.test(await text(page, "#leads")) && (await text(page, "#leads")).includes("all alike:"), `who does best: ${await text(page, "#leads")}`);
  // Classes before and after add up to the trees that stand.
  const classes = (await page.locator(".classes tbody td:nth-child(4)").allInnerTexts()).map(Number);
  expect(classes.reduce((a, b) => a + b, 0) === head.trees, `classes in option-b: ${classes}`);

  // Winners alone, those planted and removed alone; boxes and buttons agree.
  await page.click("#sides [data-side=turnover]");
  expect(await shown(page) === planted + removed && (await ids(page)).length === planted + removed, `planted and removed: ${await shown(page)} shown`);
  expect(await page.locator("#sides [data-side=turnover]").getAttribute("aria-pressed") === "true", "the button does not say that it is pressed");
  const kinds = new Set(await page.locator("#rows tr td:nth-child(4)").allInnerTexts());
  expect([...kinds].every(k => /^(Planted|Removed)/.test(k)), `planted and removed are listed as ${[...kinds]}`);
  await page.click("#sides [data-side=turnover]");
  expect(await shown(page) === total, "a second press does not show all again");
  await page.locator("#keys label", { hasText: "Brought up to the standard" }).locator("input").uncheck();
  const left = await shown(page);
  expect(left < total && await page.locator("#sides [data-side=win]").getAttribute("aria-pressed") === "false", "unticking an outcome hides nothing");
  await page.click("#clear");
  expect(await shown(page) === total && await page.locator("#keys input:not(:checked)").count() === 0, "Show all leaves outcomes unticked");

  // The list by the size of the change, and a tree of it: map, panel, both designs.
  await page.locator("th[data-column=diff] button").click();
  const change = (await page.locator("#rows tr td:nth-child(7)").allInnerTexts()).filter(v => v !== "\u2013").map(v => Number(v.replace("\u2212", "-").replaceAll(",", "")));
  expect(change.length > 20 && change.every((v, k) => k === 0 || v <= change[k - 1]) && change[0] > 0, `by change the list is ${change.slice(0, 6)}`);
  was = await mapText(page);
  const first = (await ids(page))[0];
  await page.locator("#rows button.id").first().click();
  await page.waitForTimeout(200);
  expect((await text(page, "#treename")) === `Tree ${first}` && await mapText(page) !== was, "the list does not lead to the map");
  const panel = await text(page, "#tree");
  for (const word of ["option-b: ", "Before and after", "soil class", "dry days", "gust", "Mind", "certified arborist"]) expect(panel.includes(word), `the panel lacks: ${word}`);
  expect(await page.locator("#pair svg[role=img]").count() === 2, "the ground of both designs is not drawn");
  const numbers = await page.locator("#treenumbers tr", { has: page.locator("th", { hasText: "available soil" }) }).locator("td").allInnerTexts();
  const gained = Number(numbers[2].replaceAll(",", "")) - Number(numbers[0].replaceAll(",", ""));
  expect(Math.abs(gained - change[0]) < 0.08, `tree ${first}: ${numbers}, and the list says ${change[0]}`);
  await page.screenshot({ path: `${pictures}/designs-1280-light-tree.png` });
  // The panel follows the choice, and the map leads to the list.
  await page.selectOption("#proposal", { label: "option-a" });
  expect((await text(page, "#tree")).includes("option-a: ") && (await text(page, "#treename")) === `Tree ${first}`, "the open tree does not follow the choice");
  await page.keyboard.press("Escape");
  // A tree that is planted is sought in the proposal's half, and is pressed there.
  await page.fill("#words", "5004");
  await page.press("#words", "Enter");
  await page.keyboard.press("Escape");
  await page.evaluate(() => document.getElementById("mapbox").scrollIntoView());
  const box = await page.locator("#map").boundingBox(), part = (1 + await lineAt(page)) / 2;
  await page.mouse.click(box.x + box.width * part, box.y + box.height / 2);
  expect((await text(page, "#treename")) === "Tree 5004" && (await text(page, "#tree")).includes("planted"), `a press on the planted tree opens ${await text(page, "#treename")}`);
  // Where it is not yet, nothing is to be pressed.
  await page.keyboard.press("Escape");
  await page.focus("#split");
  await page.keyboard.press("End");
  await page.mouse.click(box.x + box.width * part, box.y + box.height / 2);
  expect(await page.locator("#tree").isHidden() || (await text(page, "#treename")) !== "Tree 5004", "a tree to plant is pressed in today's ground");

  const nameless = await page.evaluate(() => [...document.querySelectorAll("button, input, select, canvas, [role=img]")].filter(e => !(e.getAttribute("aria-label") || e.textContent.trim() || e.labels?.length)).map(e => e.outerHTML.slice(0, 80)));
  expect(nameless.length === 0, `without a name: ${nameless}`);
  for (const scheme of ["light", "dark"]) {
    await page.emulateMedia({ colorScheme: scheme });
    await page.waitForTimeout(100);
    const low = await lowContrast(page);
    expect(low.length === 0, `designs: too little contrast, ${scheme}: ${low}`);
  }
  await page.emulateMedia({ colorScheme: "light" });
  if (await page.locator("#tree").isVisible()) await page.keyboard.press("Escape");

  // On paper: both designs whole, one below the other, then the table.
  await page.click("#all");
  await page.emulateMedia({ media: "print" });
  await page.evaluate(() => dispatchEvent(new Event("beforeprint")));
  const sheets = await page.evaluate(() => ["paper-left", "paper-right"].map(id => {
    const c = document.getElementById(id), d = c.getContext("2d").getImageData(0, 0, c.width, c.height).data, seen = new Set();
    for (let i = 0; i < d.length; i += 16) seen.add(d[i] << 16 | d[i + 1] << 8 | d[i + 2]);
    return [document.getElementById(id + "-name").textContent, seen.size, c.checkVisibility(), c.toDataURL()];
  }));
  expect(sheets[0][0] === "today" && sheets[1][0] === "option-a" && sheets.every(s => s[1] > 20 && s[2]) && sheets[0][3] !== sheets[1][3], `on paper: ${sheets.map(s => s.slice(0, 3))}`);
  expect(await page.locator("#mapbox").isHidden() && await page.locator("#proposal").isHidden() && await page.locator("#totalrows tr").last().isVisible(), "controls are printed, or the table is not");
  await page.evaluate(() => dispatchEvent(new Event("afterprint")));
  await page.emulateMedia({ media: null });
  const pdf = await page.pdf({ path: `${pictures}/designs.pdf`, format: "A4", printBackground: true });
  expect(pdf.length > 20000, "the page of designs does not print");
  expect(await colours(page) > 20 && Math.abs((await page.locator("#map").boundingBox()).width - map.width) < 1, "the map is not as before after printing");
  await page.close();

  for (const [width, height, scheme] of [[1280, 800, "dark"], [360, 740, "light"], [360, 740, "dark"]]) {
    const small = await visit(file, { width, height, scheme });
    expect(await small.evaluate(() => document.documentElement.scrollWidth <= innerWidth), `designs at ${width} px are wider than the screen`);
    await small.screenshot({ path: `${pictures}/designs-${width}-${scheme}.png` });
    await small.focus("#split");
    await small.keyboard.press("PageUp");
    expect((await split(small))[0] > 50, "a page of the divider is no step");
    await small.locator("#rows button.id").nth(8).click();
    await small.waitForTimeout(150);
    expect(await small.evaluate(() => document.documentElement.scrollWidth <= innerWidth), `a tree of the designs at ${width} px is wider than the screen`);
    await small.screenshot({ path: `${pictures}/designs-${width}-${scheme}-tree.png` });
    await small.close();
  }

  // Texts that try to run something, in trees and in the names of designs.
  const bad = await visit(hostile);
  for (const b of await bad.locator("#rows button.id").all()) await b.click();
  await bad.locator("#map").hover({ position: { x: 100, y: 300 } });
  expect(await bad.evaluate(() => window.ran === undefined), "a text of the data was run");
  expect((await ids(bad)).length === attacks.length && await bad.locator("main img, #tree script, #totals b, #which b").count() === 0, "a text of the data has become an element");
  expect((await text(bad, "#right-name")).includes("<b>"), `the design is called ${await text(bad, "#right-name")}`);
  await bad.close();
}
