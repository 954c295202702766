// Takes a picture of a running server's page: node tests/picture.mjs URL FILE [WIDTH HEIGHT [light|dark [WORDS]]]
// With WORDS it waits until all of them stand on the page at once, for 6 minutes at most. The window is made as high as the
// page, 1400 at most.
import { chromium } from 'playwright-core';

const [url, file, width = '1280', height = '800', scheme = 'light', words = ''] = process.argv.slice(2);
if (url === undefined || file === undefined) throw new Error('use: node tests/picture.mjs URL FILE [WIDTH HEIGHT [light|dark [WORDS]]]');
const browser = await chromium.launch({
  executablePath: process.env['GRITWATCH_CHROMIUM'] ?? '/usr/bin/chromium',
  args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync'],
});
const page = await browser.newPage({ viewport: { width: Number(width), height: Number(height) }, colorScheme: scheme });
await page.goto(url);
await page.locator('[data-pot]').first().waitFor();
// Somebody is there: the page may sound, and says no more that it may not.
await page.getByRole('button', { name: 'Turn alarm sound on' }).click();
const all = words.split(',').filter((w) => w !== '');
const stand = (all) => all.every((w) => document.body.innerText.includes(w));
// What stood there when it began must do so when it is taken, too.
do {
  await page.waitForFunction(stand, all, { timeout: 360_000, polling: 200 });
  const high = await page.evaluate(() => document.documentElement.scrollHeight);
  await page.setViewportSize({ width: Number(width), height: Math.min(high, 1400) });
  await page.waitForTimeout(1500);
  await page.screenshot({ path: file });
} while (!(await page.evaluate(stand, all)));
await browser.close();
