// A headless browser for the tests: Debian's Chromium, driven by playwright-core.
import { chromium } from 'playwright-core';

const QUIET = ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run',
  '--disable-background-networking', '--disable-component-update', '--disable-sync'];

export const executablePath = process.env.GLOWTELL_CHROMIUM || '/usr/bin/chromium';

export const launch = () => chromium.launch({ executablePath, args: QUIET });

/** A page on `address`; `problems` collects what a console would show and every request that leaves. */
export async function open(browser, address, options = {}) {
  const context = await browser.newContext({ acceptDownloads: true, ...options });
  const page = await context.newPage();
  const problems = [];
  page.on('console', (m) => {
    if (['error', 'warning'].includes(m.type())) problems.push(m.text());
  });
  page.on('pageerror', (e) => problems.push(String(e)));
  page.on('request', (r) => {
    const own = r.url() === address || r.url().startsWith('data:') || r.url().startsWith('blob:');
    if (!own) problems.push(`asked for ${r.url()}`);
  });
  const before = performance.now();
  await page.goto(address, { waitUntil: 'load' });
  return { context, page, problems, ms: performance.now() - before };
}
