// The report of the demo drawer in a headless browser: node test.mjs REPORT.html
import assert from 'node:assert/strict';
import { readFileSync } from 'node:fs';
import { createRequire } from 'node:module';
import { pathToFileURL } from 'node:url';
import { launch, open } from './browser.mjs';

const report = process.argv[2];
if (!report) {
  console.error('give the report: node test.mjs glowtell-out/report.html');
  process.exit(2);
}
const address = pathToFileURL(report).href;
const axe = readFileSync(createRequire(import.meta.url).resolve('axe-core/axe.min.js'), 'utf8');
const WIDE = { viewport: { width: 1280, height: 900 } };
const PHONE = { viewport: { width: 390, height: 800 }, isMobile: true, hasTouch: true };
/** Longest that opening may take, ms: far above what is measured, far below what annoys. */
const PATIENCE = 5000;

const browser = await launch();
const tests = [];
const test = (name, run) => tests.push([name, run]);
const plotOf = (page) => page.locator('#tubes figure.reads').first();
const view = (plot) => plot.evaluate((f) => f.plot.view);
const span = async (plot) => { const [a, b] = await view(plot); return b - a; };

test('opens without a word on the console and asks for nothing', async () => {
  const { page, problems, ms } = await open(browser, address, WIDE);
  await page.mouse.wheel(0, 3000);
  await page.waitForTimeout(200);
  assert.deepEqual(problems, []);
  assert.ok(ms < PATIENCE, `${ms} ms`);
  assert.equal(await page.locator('h1').count(), 1);
  const ids = await page.evaluate(() => [...document.querySelectorAll('[id]')].map((e) => e.id));
  assert.equal(new Set(ids).size, ids.length, 'ids are unique');
  const lost = await page.evaluate(() => [...document.querySelectorAll('a[href^="#"]')]
    .filter((a) => !document.getElementById(decodeURIComponent(a.hash.slice(1)))).map((a) => a.hash));
  assert.deepEqual(lost, []);
  return `${Math.round(ms)} ms to load, ${Math.round(readFileSync(report).length / 1000)} kB`;
});

test('the mouse reads, zooms, moves', async () => {
  const { page, problems } = await open(browser, address, WIDE);
  const plot = plotOf(page);
  const paper = plot.locator('.paper');
  await paper.scrollIntoViewIfNeeded();
  const box = await paper.boundingBox();
  const at = (share) => [box.x + box.width * share, box.y + box.height * 0.6];
  await page.mouse.move(...at(0.3));
  await page.waitForFunction((f) => f.plot.points, await plot.elementHandle());
  await page.mouse.move(...at(0.5));
  await page.mouse.move(...at(0.501));
  const words = await plot.locator('output').textContent();
  assert.match(words, /^\d+\.\d\d nm \(air\): [\d.]+ counts/);
  assert.match(words, /Near: Ne I/);
  const whole = await span(plot);
  // A stretch drawn with the mouse.
  await page.mouse.move(...at(0.4));
  await page.mouse.down();
  await page.mouse.move(...at(0.5), { steps: 4 });
  await page.mouse.move(...at(0.6), { steps: 4 });
  await page.mouse.up();
  const closer = await span(plot);
  assert.ok(closer < whole * 0.35, `${closer} of ${whole}`);
  assert.ok(await plot.locator('svg.live-view').isVisible());
  assert.ok(await plot.locator('svg.live-view text').count() > 8);
  // Moved by hand.
  const before = await view(plot);
  await page.mouse.move(...at(0.6));
  await page.mouse.down();
  await page.mouse.move(...at(0.4), { steps: 5 });
  await page.mouse.up();
  const after = await view(plot);
  assert.ok(after[0] > before[0] && Math.abs(after[1] - after[0] - closer) < 1e-6);
  // The wheel, since the plot has been clicked and has the focus.
  await paper.focus();
  await page.mouse.move(...at(0.5));
  await page.mouse.wheel(0, -200);
  await page.waitForTimeout(100);
  assert.ok(await span(plot) < closer);
  await plot.locator('button', { hasText: 'whole' }).click();
  assert.equal(await span(plot), whole);
  assert.ok(!(await plot.locator('svg.live-view').isVisible()));
  assert.deepEqual(problems, []);
});

test('fingers pinch and move', async () => {
  const { page, context, problems } = await open(browser, address, PHONE);
  const plot = plotOf(page);
  const paper = plot.locator('.paper');
  await paper.scrollIntoViewIfNeeded();
  await page.waitForFunction((f) => f.plot.points, await plot.elementHandle());
  assert.ok(await plot.locator('svg.live-view').isVisible(), 'drawn in the size of the screen');
  const box = await paper.boundingBox();
  const y = box.y + box.height / 2;
  await page.touchscreen.tap(box.x + box.width * 0.5, y);
  assert.match(await plot.locator('output').textContent(), /nm \(air\): /);
  const whole = await span(plot);
  const cdp = await context.newCDPSession(page);
  const fingers = (type, xs) => cdp.send('Input.dispatchTouchEvent',
    { type, touchPoints: xs.map((x, id) => ({ x: box.x + box.width * x, y, id })) });
  await fingers('touchStart', [0.45, 0.55]);
  for (const d of [0.1, 0.15, 0.2, 0.25, 0.3]) await fingers('touchMove', [0.5 - d, 0.5 + d]);
  await fingers('touchEnd', []);
  const closer = await span(plot);
  assert.ok(closer < whole * 0.5, `${closer} of ${whole}`);
  const before = await view(plot);
  await fingers('touchStart', [0.7]);
  for (const x of [0.6, 0.5, 0.4, 0.3]) await fingers('touchMove', [x]);
  await fingers('touchEnd', []);
  assert.ok((await view(plot))[0] > before[0], 'moved by one finger');
  const wide = await page.evaluate(() => document.documentElement.scrollWidth - innerWidth);
  assert.ok(wide <= 0, `the page is ${wide} px too wide`);
  assert.deepEqual(problems, []);
});

test('the keyboard reaches everything and reads, zooms, moves', async () => {
  const { page } = await open(browser, address, WIDE);
  const reachable = await page.evaluate(() => {
    const seen = (e) => e.checkVisibility() && !e.closest('details:not([open]) > :not(summary)');
    const all = document.querySelectorAll('a[href], button, summary, .paper, .wide, pre');
    window.targets = [...all].filter(seen);
    return window.targets.length;
  });
  await page.evaluate(() => {
    window.reached = new Set();
    document.addEventListener('focusin', (e) => window.reached.add(e.target));
  });
  for (let i = 0; i < reachable + 20; i++) await page.keyboard.press('Tab');
  const missed = await page.evaluate(() => window.targets.filter((e) => !window.reached.has(e))
    .map((e) => e.outerHTML.slice(0, 90)));
  assert.deepEqual(missed, []);
  const plot = plotOf(page);
  await plot.locator('.paper').focus();
  const outline = await plot.locator('.paper').evaluate((e) => getComputedStyle(e).outlineStyle);
  assert.notEqual(outline, 'none', 'focus is seen');
  await page.keyboard.press('ArrowRight');
  await page.waitForFunction((f) => f.plot.at !== null, await plot.elementHandle());
  const first = await plot.evaluate((f) => f.plot.at);
  await page.keyboard.press('ArrowRight');
  await page.waitForFunction(([f, a]) => f.plot.at > a, [await plot.elementHandle(), first]);
  await page.keyboard.press('Shift+ArrowRight');
  await page.waitForTimeout(50);
  assert.match(await plot.locator('output').textContent(), /Near: /, 'stands on a line');
  const whole = await span(plot);
  for (const key of ['+', '+', '+']) await page.keyboard.press(key);
  await page.waitForTimeout(50);
  const closer = await span(plot);
  assert.ok(closer < whole / 3);
  const before = await view(plot);
  await page.keyboard.press('PageDown');
  await page.waitForTimeout(50);
  assert.ok((await view(plot))[0] > before[0]);
  await page.keyboard.press('-');
  await page.waitForTimeout(50);
  assert.ok(await span(plot) > closer);
  await page.keyboard.press('Home');
  await page.waitForTimeout(50);
  assert.equal(await span(plot), whole);
  const summary = page.locator('#tubes summary').first();
  await summary.focus();
  await page.keyboard.press('Enter');
  assert.ok(await page.locator('#tubes details').first().evaluate((d) => d.open));
  return `${reachable} places`;
});

test('what it gives out is what was measured', async () => {
  const { page, problems } = await open(browser, address, WIDE);
  const link = page.locator('#tubes a.recording').first();
  const [file] = await Promise.all([page.waitForEvent('download'), link.click()]);
  assert.match(file.suggestedFilename(), /\.csv$/);
  const text = readFileSync(await file.path(), 'utf8');
  assert.match(text, /^wavelength_nm_air,u_nm,intensity,flags\r?\n/);
  assert.ok(text.split('\n').length > 1000);
  const record = page.locator('#tubes a[download*=".json"]').first();
  const [json] = await Promise.all([page.waitForEvent('download'), record.click()]);
  const read = JSON.parse(readFileSync(await json.path(), 'utf8'));
  assert.equal(read.format, 'glowtell-record');
  const table = page.locator('#files a[download="summary.csv"], #files a[data-plain="summary.csv"]');
  const [csv] = await Promise.all([page.waitForEvent('download'), table.first().click()]);
  assert.match(readFileSync(await csv.path(), 'utf8'), /^item,file/);
  assert.deepEqual(problems, []);
});

test('without scripts the plots are there and the files as well', async () => {
  const { page } = await open(browser, address, { ...WIDE, javaScriptEnabled: false });
  const plots = page.locator('figure .paper > svg');
  const count = await plots.count();
  assert.ok(count >= 13);
  for (let i = 0; i < count; i++) assert.ok(await plots.nth(i).isVisible());
  const [file] = await Promise.all([page.waitForEvent('download'),
    page.locator('#tubes a.recording').first().click()]);
  assert.match(file.suggestedFilename(), /\.csv\.gz$/);
  await page.locator('summary').first().click();
  assert.ok(await page.locator('details[open] h4').first().isVisible());
  return `${count} plots`;
});

test('print shows every plot and opens what is closed', async () => {
  const { page } = await open(browser, address, WIDE);
  const plot = plotOf(page);
  await plot.locator('button').first().click();
  await page.waitForTimeout(100);
  await page.emulateMedia({ media: 'print', colorScheme: 'dark' });
  const figures = await page.evaluate(() => [...document.querySelectorAll('figure')].map((f) => {
    const svg = f.querySelector('svg:not(.live-view)');
    const box = svg.getBoundingClientRect();
    return box.width > 300 && box.height > 150 && svg.checkVisibility();
  }));
  assert.ok(figures.length >= 13 && figures.every(Boolean), JSON.stringify(figures));
  assert.ok(!(await plot.locator('svg.live-view').isVisible()));
  const paper = await page.evaluate(() => getComputedStyle(document.body).backgroundColor);
  assert.equal(paper, 'rgb(255, 255, 255)', 'paper is white whatever the screen is');
  const closed = await page.evaluate(() => [...document.querySelectorAll('details')]
    .filter((d) => !d.lastElementChild.checkVisibility()).length);
  assert.equal(closed, 0, 'opened by the style sheet alone');
  const pdf = await page.pdf({ format: 'A4', printBackground: true });
  const pages = pdf.toString('latin1').match(/\/Type\s*\/Page[^s]/g).length;
  return `${figures.length} plots on ${pages} pages`;
});

for (const [name, options] of Object.entries({ light: WIDE, dark: { ...WIDE, colorScheme: 'dark' },
  phone: PHONE })) {
  test(`accessible, ${name}`, async () => {
    const { page } = await open(browser, address, options);
    await page.evaluate(() => document.querySelectorAll('details').forEach((d) => { d.open = true; }));
    // By the browser's own door: the page's policy lets no script in.
    const cdp = await page.context().newCDPSession(page);
    await cdp.send('Runtime.evaluate', { expression: axe });
    const found = await page.evaluate(() => window.axe.run(document, { resultTypes: ['violations'] }));
    const list = found.violations.map((v) => `${v.impact}: ${v.id} (${v.nodes.length}) ${v.help}: ` +
      v.nodes[0].html.slice(0, 120));
    const grave = list.filter((v) => /^(serious|critical)/.test(v));
    assert.deepEqual(grave, []);
    return list.length ? list.join('\n      ') : 'no finding at all';
  });
}

let failed = 0;
for (const [name, run] of tests) {
  const before = performance.now();
  try {
    const words = await run();
    const s = ((performance.now() - before) / 1000).toFixed(1);
    console.log(`ok    ${name} (${s} s)${words ? `\n      ${words}` : ''}`);
  } catch (error) {
    failed++;
    console.log(`FAILS ${name}\n      ${error.message}`);
  }
}
await browser.close();
console.log(failed ? `${failed} of ${tests.length} fail` : `all ${tests.length} hold`);
process.exit(failed ? 1 : 0);
