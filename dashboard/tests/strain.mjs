// How a running server's page bears its load: node tests/strain.mjs URL SECONDS
// Prints one line of JSON: for how long it looked, how many frames came and pots in them; the main thread's tasks of over 50 ms and the
// longest, by the processor time that they took and by the wall clock, and of what the longest consisted; the share of a processor that the main thread took; and the
// script's heap after collection, at the beginning and at the end, in bytes. By the wall clock a task is long too where the machine was
// given to other programs meanwhile: what the page itself does, the processor time tells.
//
// What a server has just learned of its pots the page keeps too: that is no leak, but would look like one. So the first 20 s are not
// counted, nor what follows, up to 5 minutes, until the server has told no more of all pots for half a minute (told, in bytes of its
// API, at the beginning and at the end; warm: how long that took, s). What the browser compiles grows for some minutes more, by 3 % of
// the heap; after that it stands still.
import { chromium } from 'playwright-core';

const [url, seconds] = process.argv.slice(2);
if (url === undefined || !(Number(seconds) > 0)) throw new Error('use: node tests/strain.mjs URL SECONDS');
const WARM_MS = 20_000;
const WARM_MOST_MS = 300_000;
const SETTLED_MS = 30_000;
const SETTLED_SHARE = 0.01; // so much more counts as no more
const LONG_US = 50_000;
const RECORD_MS = 20_000; // a longer recording would not fit the browser's buffer
const browser = await chromium.launch({
  executablePath: process.env['GRITWATCH_CHROMIUM'] ?? '/usr/bin/chromium',
  args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync', '--js-flags=--expose-gc', '--enable-precise-memory-info'],
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
// Collected and looked at in one task: a frame of all pots that is read in between makes a tenth of the heap. The middle of five.
async function heap() {
  const sizes = [];
  for (let i = 0; i < 5; i++) {
    sizes.push(
      await page.evaluate(() => {
        for (let k = 0; k < 3; k++) globalThis.gc();
        return performance.memory.usedJSHeapSize;
      }),
    );
    await page.waitForTimeout(330);
  }
  return sizes.sort((a, b) => a - b)[2];
}

const told = async () => (await (await fetch(new URL('/api/v1/pots', url))).text()).length;
// Waits until the server tells no more of its pots than before; returns how much that is.
async function settle() {
  let most = await told();
  for (let since = Date.now(); Date.now() - since < SETTLED_MS && Date.now() - opened < WARM_MOST_MS; await page.waitForTimeout(2000)) {
    const now = await told();
    if (now <= most * (1 + SETTLED_SHARE)) continue;
    most = now;
    since = Date.now();
  }
  return most;
}

const tracer = await browser.newBrowserCDPSession();
// What each task of the main threads took of a processor, μs, within ms. The page's is the only one with work.
async function tasks(ms) {
  const events = [];
  const take = ({ value }) => void events.push(...value);
  tracer.on('Tracing.dataCollected', take);
  await tracer.send('Tracing.start', { transferMode: 'ReportEvents', traceConfig: { recordMode: 'recordUntilFull', traceBufferSizeInKb: 200_000, includedCategories: ['toplevel', 'devtools.timeline', 'v8'] } });
  await page.waitForTimeout(ms);
  const complete = new Promise((done) => tracer.once('Tracing.tracingComplete', done));
  await tracer.send('Tracing.end');
  if ((await complete).dataLossOccurred) throw new Error('the browser lost a part of its recording');
  tracer.off('Tracing.dataCollected', take);
  const thread = (e) => `${e.pid} ${e.tid}`;
  const mains = new Set(events.filter((e) => e.name === 'thread_name' && e.args.name === 'CrRendererMain').map(thread));
  // A task that a recording's end cuts has no time; the wall clock's count has it.
  const runs = events.filter((e) => e.name === 'ThreadControllerImpl::RunTask' && mains.has(thread(e)) && e.tdur !== undefined);
  const within = (run) =>
    events
      .filter((e) => e !== run && thread(e) === thread(run) && e.ts >= run.ts && e.ts < run.ts + run.dur && e.tdur > run.tdur / 10)
      .map((e) => `${e.name} ${Math.round(e.tdur / 1000)} ms`);
  return runs.map((run) => ({ took: run.tdur, parts: run.tdur > LONG_US / 2 ? within(run) : [] }));
}

await page.goto(url);
await page.locator('[data-pot]').first().waitFor();
const opened = Date.now();
await page.waitForTimeout(WARM_MS);
const toldBefore = await settle();
const warm = (Date.now() - opened) / 1000;
const before = await heap();
await page.waitForTimeout(1000); // collecting is a long task of its own
const began = await page.evaluate(() => (window.seen.since = performance.now()));
const cpu = { tasks: 0, longest: 0, sum: 0, parts: [] };
let recorded = 0;
while (recorded < Number(seconds) * 1000) {
  const ms = Math.min(RECORD_MS, Number(seconds) * 1000 - recorded);
  const took = await tasks(ms);
  if (took.length === 0) throw new Error('this browser does not tell the processor time of its tasks');
  recorded += ms;
  for (const t of took) {
    cpu.sum += t.took;
    if (t.took > cpu.longest) Object.assign(cpu, { longest: t.took, parts: t.parts });
    if (t.took > LONG_US) cpu.tasks++;
  }
}
const seen = await page.evaluate(() => ({ ...window.seen, until: performance.now() }));
const shown = await page.locator('[data-pot]').count();
const after = await heap();
console.log(
  JSON.stringify({
    seconds: (seen.until - began) / 1000,
    shown,
    frames: seen.frames,
    pots: seen.pots,
    cpu: { tasks: cpu.tasks, longest_ms: cpu.longest / 1000, parts: cpu.parts, share: cpu.sum / 1000 / recorded },
    wall: { tasks: seen.tasks, longest_ms: seen.longest },
    before,
    after,
    warm,
    told: { before: toldBefore, after: await told() },
  }),
);
await browser.close();
