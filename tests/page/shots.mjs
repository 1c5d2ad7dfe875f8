// Pictures of a report, to be looked at: node shots.mjs REPORT.html FOLDER
import { pathToFileURL } from 'node:url';
import { launch, open } from './browser.mjs';

const [report, folder] = process.argv.slice(2);
const address = pathToFileURL(report).href;
const browser = await launch();
const shots = {
  wide: { viewport: { width: 1280, height: 900 } },
  dark: { viewport: { width: 1280, height: 900 }, colorScheme: 'dark' },
  phone: { viewport: { width: 390, height: 800 }, hasTouch: true, isMobile: true, deviceScaleFactor: 2 },
};
for (const [name, options] of Object.entries(shots)) {
  const { context, page } = await open(browser, address, options);
  await page.screenshot({ path: `${folder}/${name}-top.png` });
  const first = page.locator('#tubes figure').first();
  await first.scrollIntoViewIfNeeded();
  await page.waitForTimeout(300);
  await page.screenshot({ path: `${folder}/${name}-tube.png` });
  await page.locator('#tubes .tools button').first().click();
  await page.locator('#tubes .tools button').first().click();
  await first.locator('.paper').focus();
  await page.keyboard.press('Shift+ArrowRight');
  await page.waitForTimeout(300);
  await first.evaluate((e) => e.scrollIntoView());
  await page.screenshot({ path: `${folder}/${name}-zoomed.png` });
  await page.locator('#lights').evaluate((e) => e.scrollIntoView());
  await page.screenshot({ path: `${folder}/${name}-light.png` });
  await page.locator('#instrument').evaluate((e) => e.scrollIntoView());
  await page.screenshot({ path: `${folder}/${name}-instrument.png` });
  await page.locator('#method').evaluate((e) => e.scrollIntoView());
  await page.screenshot({ path: `${folder}/${name}-method.png` });
  await context.close();
}
const { page } = await open(browser, address);
await page.pdf({ path: `${folder}/print.pdf`, format: 'A4', printBackground: true });
await browser.close();
