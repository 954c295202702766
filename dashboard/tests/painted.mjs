// Tells when a running server's page has painted what: node tests/painted.mjs URL SECONDS
// One line of JSON for each frame and pot in it: the pot, the time of its newest reading (t), the vessel's pressure in Pa as
// the frame has it, the text that the page shows for it, and when that was on the screen (ms since 1970, this machine's
// clock).
import { chromium } from 'playwright-core';

const [url, seconds] = process.argv.slice(2);
if (url === undefined || !(Number(seconds) > 0)) throw new Error('use: node tests/painted.mjs URL SECONDS');
const browser = await chromium.launch({
  executablePath: process.env['GRITWATCH_CHROMIUM'] ?? '/usr/bin/chromium',
  args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync'],
});
const page = await browser.newPage({ viewport: { width: 1280, height: 900 } });
await page.addInitScript(() => {
  const painted = [];
  window.painted = painted;
  const note = (pots) => {
    const at = Date.now();
    for (const p of pots) {
      const text = document.querySelector(`[data-pot="${p.name}"] .numbers .n`)?.textContent ?? '';
      painted.push({ pot: p.name, t: p.t, pa: p.pressure_pa.vessel, text, at });
    }
  };
  window.WebSocket = class extends WebSocket {
    constructor(...to) {
      super(...to);
      this.addEventListener('message', (e) => {
        const { pots } = JSON.parse(e.data);
        // A task that is queued while the browser makes a picture runs once that picture is made.
        requestAnimationFrame(() => {
          const { port1, port2 } = new MessageChannel();
          port1.onmessage = () => note(pots);
          port2.postMessage(null);
        });
      });
    }
  };
});
await page.goto(url);
await page.locator('[data-pot]').first().waitFor();
await page.waitForTimeout(Number(seconds) * 1000);
for (const line of await page.evaluate(() => window.painted)) console.log(JSON.stringify(line));
await browser.close();
