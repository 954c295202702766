// How a running server's page bears its load: node tests/strain.mjs URL SECONDS
// Prints one line of JSON: how many frames came and pots in them, the main thread's long tasks (over 50 ms) and the longest of
// them, and the script's heap after collection, at the beginning and at the end, in bytes. The first 20 s are not counted.
import { chromium } from 'playwright-core';

const [url, seconds] = process.argv.slice(2);
if (url === undefined || !(Number(seconds) > 0)) throw new Error('use: node tests/strain.mjs URL SECONDS');
const WARM_MS = 20_000;
const browser = await chromium.launch({
  executablePath: process.env['GRITWATCH_CHROMIUM'] ?? '/usr/bin/chromium',
  args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync'],
});
const page = await browser.newPage({ viewport: { width: 1280, height: 900 } });
await page.addInitScript(() => {
  // Counters only: what grew here would be taken for the page's.
  const seen = { frames: 0, pots: 0, tasks: 0, longest: 0, since: Infinity };
  window.seen = seen;
  new PerformanceObserver((list) => {
    for (const e of list.getEntries()) {
      if (e.startTime < seen.since) continue;
      seen.tasks++;
      seen.longest = Math.max(seen.longest, e.duration);
    }
  }).observe({ type: 'longtask' });
  window.WebSocket = class extends WebSocket {
    constructor(...to) {
      super(...to);
      // A pot's estimate is an object with its kind first: counted without reading the frame a second time.
      this.addEventListener('message', (e) => {
        if (performance.now() < seen.since) return;
        seen.frames++;
        seen.pots += e.data.split('"kind":"estimate"').length - 1;
      });
    }
  };
});
const cdp = await page.context().newCDPSession(page);
await cdp.send('HeapProfiler.enable');
// The middle of five looks: whether a frame of all pots is just being read makes a tenth of the heap.
async function heap() {
  const sizes = [];
  for (let i = 0; i < 5; i++) {
    for (let k = 0; k < 3; k++) await cdp.send('HeapProfiler.collectGarbage');
    sizes.push((await cdp.send('Runtime.getHeapUsage')).usedSize);
    await page.waitForTimeout(330);
  }
  return sizes.sort((a, b) => a - b)[2];
}
await page.goto(url);
await page.locator('[data-pot]').first().waitFor();
await page.waitForTimeout(WARM_MS);
const before = await heap();
await page.waitForTimeout(1000); // collecting is a long task of its own
await page.evaluate(() => (window.seen.since = performance.now()));
await page.waitForTimeout(Number(seconds) * 1000);
const seen = await page.evaluate(() => ({ ...window.seen }));
const shown = await page.locator('[data-pot]').count();
const after = await heap();
console.log(JSON.stringify({ shown, frames: seen.frames, pots: seen.pots, tasks: seen.tasks, longest_ms: seen.longest, before, after }));
await browser.close();
