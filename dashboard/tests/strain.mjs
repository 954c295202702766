// How a running server's page bears its load: node tests/strain.mjs URL SECONDS [PID...]
// Prints one line of JSON: for how long it looked, how many frames came and pots in them; the main thread's tasks of over 50 ms by the
// wall clock (Long Tasks), and of each how long that thread ran meanwhile and how long it waited for a processor; the shares of a
// processor that the main thread, the whole browser and each process named took; and the script's heap after collection, at the
// beginning and at the end, in bytes.
//
// The browser's own recording would tell more of a task, but while the browser hands it over it takes both processors of a small machine
// for a second, and the page waits: the scheduler tells what is needed, and costs nothing.
//
// What a server has just learned of its pots the page keeps too: that is no leak, but would look like one. So the first 20 s are not
// counted, nor what follows, up to 5 minutes, until the server has told no more of all pots for half a minute (told, in bytes of its
// API, at the beginning and at the end; warm: how long that took, s). What the browser compiles grows for some minutes more, by 3 % of
// the heap; after that it stands still.
import { readdirSync, readFileSync } from 'node:fs';
import { Worker } from 'node:worker_threads';
import { chromium } from 'playwright-core';

const [url, seconds, ...pids] = process.argv.slice(2);
if (url === undefined || !(Number(seconds) > 0)) throw new Error('use: node tests/strain.mjs URL SECONDS [PID...]');
const WARM_MS = 20_000;
const WARM_MOST_MS = 300_000;
const SETTLED_MS = 30_000;
const SETTLED_SHARE = 0.01; // so much more counts as no more
const SAMPLE_MS = 5;
const browser = await chromium.launch({
  executablePath: process.env['GRITWATCH_CHROMIUM'] ?? '/usr/bin/chromium',
  args: ['--no-sandbox', '--disable-gpu', '--disable-quic', '--no-first-run', '--disable-background-networking', '--disable-component-update', '--disable-sync', '--js-flags=--expose-gc', '--enable-precise-memory-info'],
});
const page = await browser.newPage({ viewport: { width: 1280, height: 900 } });
await page.addInitScript(() => {
  // Counters only: what grew here would be taken for the page's.
  const seen = { frames: 0, pots: 0, long: [], since: Infinity };
  window.seen = seen;
  new PerformanceObserver((list) => {
    for (const e of list.getEntries()) {
      if (e.startTime >= seen.since) seen.long.push([e.startTime, e.duration]);
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

const monotonic = () => Number(process.hrtime.bigint()) / 1e6;

// What the scheduler says of a thread (Linux, schedstat): its time on a processor and its time waiting for one, ms.
const account = (path) => readFileSync(path, 'latin1').split(' ', 2).map((ns) => Number(ns) / 1e6);
const used = (pid) => readdirSync(`/proc/${pid}/task`).reduce((sum, tid) => sum + account(`/proc/${pid}/task/${tid}/schedstat`)[0], 0);

// Writes down the account of a process's main thread, again and again until the function that it gives is called: instant by the monotonic
// clock, on a processor, waiting, ms. In a thread of its own that goes before others, where it may, so that it is seldom late.
async function watch(pid) {
  const samples = new Float64Array(new SharedArrayBuffer(8 * 3 * (1000 / SAMPLE_MS) * (Number(seconds) + 60)));
  const state = new Int32Array(new SharedArrayBuffer(8)); // how many there are, times three; whether it is to stop
  const worker = new Worker(
    `const { workerData: { pid, samples, state, every } } = require('node:worker_threads');
    const { openSync, readSync, readlinkSync } = require('node:fs');
    try { require('node:os').setPriority(Number(readlinkSync('/proc/thread-self').split('/').at(-1)), -20); } catch {}
    const file = openSync('/proc/' + pid + '/task/' + pid + '/schedstat');
    const text = Buffer.alloc(80);
    for (let i = 0; i + 3 <= samples.length && Atomics.load(state, 1) === 0; i += 3) {
      const [ran, waited] = text.toString('latin1', 0, readSync(file, text, 0, 80, 0)).split(' ');
      samples.set([Number(process.hrtime.bigint()) / 1e6, Number(ran) / 1e6, Number(waited) / 1e6], i);
      Atomics.store(state, 0, i + 3);
      Atomics.wait(state, 1, 0, every);
    }`,
    { eval: true, workerData: { pid, samples, state, every: SAMPLE_MS } },
  );
  const ended = new Promise((done, failed) => worker.once('exit', done).once('error', failed));
  return async () => {
    Atomics.store(state, 1, 1);
    Atomics.notify(state, 1);
    await ended;
    return samples.subarray(0, state[0]);
  };
}

// What a task of that thread consisted of, which began at an instant and took so long, ms: by the nearest samples around it, so that
// ran and waited are rather too long, as far as within says of how much time they tell.
function parts(samples, at, took) {
  let [from, to] = [0, samples.length - 3];
  for (let i = 0; i < samples.length; i += 3) if (samples[i] <= at) from = i;
  for (let i = to; i >= 0; i -= 3) if (samples[i] >= at + took) to = i;
  const [within, ran, waited] = [0, 1, 2].map((k) => Math.round(samples[to + k] - samples[from + k]));
  return { at_s: Math.round((at - samples[0]) / 10) / 100, took_ms: Math.round(took), ran_ms: ran, waited_ms: waited, within_ms: within };
}

// The monotonic clock less the page's own, ms, as near as one of so many questions tells it.
async function ahead() {
  let [best, least] = [0, Infinity];
  for (let i = 0; i < 50; i++) {
    const before = monotonic();
    const there = await page.evaluate(() => performance.now());
    const after = monotonic();
    if (after - before >= least) continue;
    least = after - before;
    best = (before + after) / 2 - there;
  }
  return best;
}

await page.goto(url);
await page.locator('[data-pot]').first().waitFor();
const opened = Date.now();
await page.waitForTimeout(WARM_MS);
const toldBefore = await settle();
const warm = (Date.now() - opened) / 1000;
const before = await heap();
await page.waitForTimeout(1000); // collecting is a long task of its own
const devtools = await browser.newBrowserCDPSession();
const own = (await devtools.send('SystemInfo.getProcessInfo')).processInfo;
const renderer = own.filter((p) => p.type === 'renderer').sort((a, b) => b.cpuTime - a.cpuTime)[0].id;
// ms on a processor: the page's main thread, the browser, each process named
const load = () => [account(`/proc/${renderer}/task/${renderer}/schedstat`)[0], own.reduce((sum, p) => sum + used(p.id), 0), ...pids.map(used)];
const skew = await ahead();
const stop = await watch(renderer);
const loadBefore = load();
const began = await page.evaluate(() => (window.seen.since = performance.now()));
await page.waitForTimeout(Number(seconds) * 1000);
const seen = await page.evaluate(() => ({ ...window.seen, until: performance.now() }));
const [main, whole, ...named] = load().map((ms, i) => (ms - loadBefore[i]) / (seen.until - began));
const samples = await stop();
const shown = await page.locator('[data-pot]').count();
const after = await heap();
console.log(
  JSON.stringify({
    seconds: (seen.until - began) / 1000,
    shown,
    frames: seen.frames,
    pots: seen.pots,
    long: seen.long.map(([at, took]) => parts(samples, at + skew, took)),
    load: { main, browser: whole, named },
    before,
    after,
    warm,
    told: { before: toldBefore, after: await told() },
  }),
);
await browser.close();
