#!/usr/bin/env node
// Looks at a served page in a real headless Chromium, through the npm package `playwright-core`.
//
//   npm install --prefix DIR playwright-core; apt-get install chromium
//   NODE_PATH=DIR/node_modules node tests/browser/page.cjs URL FIRST_CHART_WITHIN_MS [FOLDER FOR PICTURES]
//
// The store behind URL: board …0b with a long record that is being written to, board …0a tripped, with a waveform.
// Exit status: 0 all holds, 1 something does not, 77 package or browser are not there.
"use strict";

const fs = require("node:fs");
const path = require("node:path");

let chromium;
try {
  ({ chromium } = require("playwright-core"));
} catch (why) {
  console.log(`${why.message.split("\n")[0]}: npm install --prefix DIR playwright-core, and NODE_PATH=DIR/node_modules`);
  process.exit(77);
}
const places = [process.env.CHROMIUM, "/usr/bin/chromium", "/usr/bin/chromium-browser"].filter(Boolean);
const executablePath = places.find((place) => fs.existsSync(place));
if (!executablePath) {
  console.log("no Chromium: apt-get install chromium, or CHROMIUM=its path");
  process.exit(77);
}

const [url, within, pictures] = process.argv.slice(2);
const LONG = "000000000000000b";
const TRIPPED = "000000000000000a";
const wrong = [];
const expect = (holds, what) => {
  console.log(`${holds ? "ok  " : "FAIL"} ${what}`);
  if (!holds) wrong.push(what);
};

/** A page that tells of everything it should not do. */
async function open(browser, options, hash) {
  const context = await browser.newContext(options);
  const page = await context.newPage();
  page.on("console", (message) => ["error", "warning"].includes(message.type()) && expect(false, `console: ${message.text()}`));
  page.on("pageerror", (error) => expect(false, `error in the page: ${error.stack}`));
  page.on("request", (request) => {
    if (new URL(request.url()).origin !== new URL(url).origin) expect(false, `a request to ${request.url()}`);
  });
  await page.goto(`${url}#${hash}`);
  await page.waitForFunction(() => performance.getEntriesByName("charts-drawn").length > 0, null, { timeout: 30_000 });
  return page;
}

const shot = (page, name) => (pictures ? page.screenshot({ path: path.join(pictures, `${name}.png`), fullPage: true }) : null);
const isWide = (page) => page.evaluate(() => document.documentElement.scrollWidth > innerWidth);
const inked = (page, place) =>
  page.evaluate((place) => {
    const canvas = document.querySelectorAll("#charts canvas")[place];
    const { data } = canvas.getContext("2d").getImageData(0, 0, canvas.width, canvas.height);
    const colours = new Set();
    for (let k = 0; k < data.length; k += 4) if (data[k + 3] > 200) colours.add((data[k] << 16) | (data[k + 1] << 8) | data[k + 2]);
    return colours.size;
  }, place);
const shown = (page) => page.textContent("#charts-of");

/** The colours of text against what lies behind it (WCAG 2.2, 1.4.3), of everything that shows text. */
const faint = (page) =>
  page.evaluate(() => {
    const parse = (text) => (text.match(/[\d.]+/g) ?? []).map(Number);
    const luminance = ([r, g, b]) => {
      const [x, y, z] = [r, g, b].map((c) => (c / 255 <= 0.04045 ? c / 255 / 12.92 : ((c / 255 + 0.055) / 1.055) ** 2.4));
      return 0.2126 * x + 0.7152 * y + 0.0722 * z;
    };
    const found = [];
    for (const element of document.querySelectorAll("body *")) {
      const own = [...element.childNodes].some((node) => node.nodeType === 3 && node.textContent.trim());
      if (!own || !element.checkVisibility()) continue;
      let behind = element;
      while (behind && (parse(getComputedStyle(behind).backgroundColor)[3] ?? 1) === 0) behind = behind.parentElement;
      const [a, b] = [getComputedStyle(element).color, getComputedStyle(behind ?? document.body).backgroundColor].map(parse).map(luminance);
      const ratio = (Math.max(a, b) + 0.05) / (Math.min(a, b) + 0.05);
      if (ratio < 4.5) found.push(`${element.tagName}.${element.className} ${ratio.toFixed(2)}: ${element.textContent.slice(0, 30)}`);
    }
    return found;
  });

async function main() {
  const browser = await chromium.launch({
    executablePath,
    args: ["--headless", "--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update", "--disable-sync"],
  });
  try {
    await desktop(browser);
    await phone(browser);
    await dark(browser);
  } finally {
    await browser.close();
  }
}

async function desktop(browser) {
  const page = await open(browser, { viewport: { width: 1280, height: 900 } }, LONG);
  const first = await page.evaluate(() => performance.getEntriesByName("charts-drawn")[0].startTime);
  expect(first < Number(within), `first chart after ${first.toFixed(0)} ms, ${within} are allowed`);
  const weight = await page.evaluate(() => [...performance.getEntriesByType("resource"), ...performance.getEntriesByType("navigation")].reduce((sum, one) => sum + one.transferSize, 0));
  console.log(`     ${(weight / 1024).toFixed(0)} KiB transferred`);
  for (let place = 0; place < 3; place += 1) expect((await inked(page, place)) > 3, `chart ${place} is drawn`);
  const boards = await page.$$eval("#boards a", (links) => links.map((link) => link.textContent));
  expect(boards[0].includes("danger") && boards[0].includes(TRIPPED), `the worst board comes first: ${boards[0]}`);
  expect((await page.textContent(".caution")).includes("not a listed protective device"), "the caution is there");
  expect((await page.textContent("#charts")).includes("set on the board"), "limits tell where they come from");
  const faintNow = await faint(page);
  expect(faintNow.length === 0, `contrast of 4.5 and more by day ${faintNow.join("; ")}`);
  await shot(page, "desktop");

  // Live: what a recorder writes arrives by itself.
  const before = await page.textContent("#gauges-of");
  await page.waitForFunction((before) => document.getElementById("gauges-of").textContent !== before, before, { timeout: 15_000 });
  expect((await page.textContent("#link")).includes("live"), "a newer reading came by itself");
  expect((await page.textContent("#recording")).startsWith("a recorder is"), "the recorder is seen");

  // Keys alone: everything that does something can be reached, in the order of the page.
  const reached = new Set();
  await page.evaluate(() => document.activeElement.blur());
  for (let k = 0; k < 200; k += 1) {
    await page.keyboard.press("Tab");
    const name = await page.evaluate(() => {
      const all = [...document.querySelectorAll("a[href], button, select, input, summary, [tabindex='0']")];
      return all.indexOf(document.activeElement);
    });
    if (name < 0 || reached.has(name)) break;
    reached.add(name);
  }
  const missed = await page.evaluate((reached) => {
    const all = [...document.querySelectorAll("a[href], button, select, input, summary, [tabindex='0']")];
    return all.filter((one, k) => !reached.includes(k) && one.checkVisibility()).map((one) => one.outerHTML.slice(0, 80));
  }, [...reached]);
  expect(missed.length === 0, `Tab reaches everything ${missed.join("; ")}`);
  const nameless = await page.$$eval("a[href], button, select, input, [role]", (all) => all.filter((one) => !(one.textContent.trim() || one.getAttribute("aria-label") || one.getAttribute("aria-labelledby") || one.labels?.length || one.getAttribute("role") === "status")).map((one) => one.outerHTML));
  expect(nameless.length === 0, `everything has a name ${nameless.join("; ")}`);

  // A chart by keys: nearer, along, everything.
  const whole = await shown(page);
  await page.focus("#charts .plot >> nth=0");
  const settled = async (key) => {
    const text = await shown(page);
    await page.keyboard.press(key);
    await page.waitForFunction((text) => document.getElementById("charts-of").textContent !== text, text, { timeout: 10_000 });
    return shown(page);
  };
  const nearer = await settled("+");
  expect(nearer !== whole, `+ zooms in: ${nearer}`);
  const along = await settled("ArrowLeft");
  expect(along !== nearer, "← moves");
  for (let k = 0; k < 18; k += 1) await page.keyboard.press("+");
  await page.waitForFunction(() => document.getElementById("charts-of").textContent.includes("every reading"), null, { timeout: 15_000 });
  expect(true, "far in, every reading is fetched");
  await settled("Home");
  // The wheel scrolls the page until a chart has been chosen; a drag moves.
  const box = await (await page.$("#charts .plot >> nth=1")).boundingBox();
  await settled("+");
  const text = await shown(page);
  await page.mouse.move(box.x + box.width / 2, box.y + box.height / 2);
  await page.mouse.down();
  await page.mouse.move(box.x + box.width / 2 + 150, box.y + box.height / 2, { steps: 6 });
  await page.mouse.up();
  await page.waitForFunction((text) => document.getElementById("charts-of").textContent !== text, text, { timeout: 10_000 });
  expect(true, "a drag moves the time shown");

  const beforeWheel = await shown(page);
  await page.mouse.wheel(0, -300);
  await page.waitForFunction((text) => document.getElementById("charts-of").textContent !== text, beforeWheel, { timeout: 10_000 });
  expect(true, "the wheel zooms a chart that has been chosen");

  // The table behind a chart.
  await page.click("#charts details summary >> nth=0");
  await page.waitForSelector("#charts details[open] tbody tr:nth-child(6)");
  expect(true, "values stand in a table as well");

  // The tripped board and its waveform, by keys.
  await page.focus(`#boards a[href="#${TRIPPED}"]`);
  await page.keyboard.press("Enter");
  await page.waitForSelector("#events button");
  expect((await page.textContent("#concerns")).includes("4.2 A"), "why it tripped stands on top");
  await shot(page, "tripped");
  await page.focus("#events button");
  await page.keyboard.press("Enter");
  await page.waitForSelector("#waveform[open] canvas");
  const wave = await page.textContent("#waveform");
  expect(wave.includes("20.00 ms: tripped") && wave.includes("35.00 ms: contactor open"), "the waveform tells pickup, trip and opening");
  await shot(page, "waveform");
  await page.keyboard.press("Escape");
  expect(!(await page.$("#waveform[open]")), "Escape closes it");
  await page.context().close();
}

/** Two fingers on the first chart, moved apart. */
async function pinch(page) {
  await page.evaluate(() => document.querySelector("#charts .plot").scrollIntoView({ block: "center" }));
  const box = await (await page.$("#charts .plot >> nth=0")).boundingBox();
  const [x, y] = [box.x + box.width * 0.6, box.y + box.height / 2];
  const session = await page.context().newCDPSession(page);
  const touch = (type, apart) =>
    session.send("Input.dispatchTouchEvent", { type, touchPoints: apart === null ? [] : [{ x: x - apart, y, id: 1 }, { x: x + apart, y, id: 2 }] });
  await touch("touchStart", 20);
  for (let apart = 25; apart <= 70; apart += 5) await touch("touchMove", apart);
  await touch("touchEnd", null);
}

async function phone(browser) {
  const page = await open(browser, { viewport: { width: 360, height: 740 }, deviceScaleFactor: 2, hasTouch: true, isMobile: true }, TRIPPED);
  await page.waitForSelector("#events button");
  expect(!(await isWide(page)), "360 px wide: nothing to scroll sideways");
  await page.click("#events button");
  await page.waitForSelector("#waveform[open] canvas");
  expect(!(await isWide(page)), "nor with a waveform");
  await page.keyboard.press("Escape");
  await shot(page, "phone");
  const before = await shown(page);
  await page.waitForSelector("#charts .plot canvas");
  // On a slow machine fingers may come down before the chart has settled; a person tries again, too.
  const isOther = (text) => document.getElementById("charts-of").textContent !== text;
  for (let left = 4; ; left--) {
    await pinch(page);
    const came = page.waitForFunction(isOther, before, { timeout: 4_000 });
    if (left === 0) { await came; break; }
    if (await came.then(() => true, () => false)) break;
  }
  expect(!(await isWide(page)), "two fingers zoom the chart and not the page");
  await page.context().close();
}

async function dark(browser) {
  const page = await open(browser, { viewport: { width: 1280, height: 900 }, colorScheme: "dark", reducedMotion: "reduce" }, LONG);
  const faintNow = await faint(page);
  expect(faintNow.length === 0, `contrast of 4.5 and more by night ${faintNow.join("; ")}`);
  await shot(page, "dark");
  // The server is gone: shown as such. Chromium itself writes a line to the console then.
  page.removeAllListeners("console");
  await page.context().setOffline(true);
  await page.evaluate(() => dispatchEvent(new Event("pagehide")));
  await page.waitForFunction(() => document.getElementById("link").textContent.includes("not live since"), null, { timeout: 15_000 });
  expect(await page.evaluate(() => document.body.classList.contains("stale")), "without a server what is shown is marked as old");
  await shot(page, "gone");
  await page.context().setOffline(false);
  await page.waitForFunction(() => document.getElementById("link").textContent.includes("● live"), null, { timeout: 20_000 });
  expect(true, "and it comes back by itself");
  await page.context().close();
}

main().then(
  () => process.exit(wrong.length > 0 ? 1 : 0),
  (fault) => {
    console.log(`FAIL ${fault.stack}`);
    process.exit(1);
  },
);
