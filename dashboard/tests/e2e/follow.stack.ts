// Each alarm's life at the page of a running server:
// GRITWATCH_URL=http://127.0.0.1:8080/ GRITWATCH_FOLLOW='[{"pot":"rowan","kind":"vessel-held"}]' npm run stack -- follow.stack
// GRITWATCH_FOLLOW has the alarms that are going to be raised, as Expected in follow.ts has them; GRITWATCH_SECONDS for how long they are
// followed at most (600). Into the file that GRITWATCH_FOLLOWED names goes a line of JSON at each step: {"ready":true} when the browser
// runs (the server may be started then), {"open":true} once the page is open, what was seen of an alarm so far, as Followed there, and
// at the end those that nobody expected. With GRITWATCH_PICTURES=1 pictures of each are put into dashboard/shots.
import { appendFileSync, mkdirSync } from 'node:fs';
import { fileURLToPath } from 'node:url';
import { expect, test } from 'vitest';
import { follow } from './follow';
import type { Expected } from './follow';
import { launch } from './harness';

const seconds = Number(process.env['GRITWATCH_SECONDS'] ?? '600');

/** Waits until the server is there. */
async function served(url: string): Promise<void> {
  for (const end = Date.now() + 180_000; ; ) {
    const there = await fetch(url).then(
      (r) => r.ok,
      () => false,
    );
    if (there) return;
    if (Date.now() > end) throw new Error(`nothing answers at ${url}`);
    await new Promise((again) => setTimeout(again, 200));
  }
}

test('each alarm is read, acknowledged by a person, ends and stands in the history', async () => {
  const url = process.env['GRITWATCH_URL'];
  const list = process.env['GRITWATCH_FOLLOW'];
  if (url === undefined || list === undefined) throw new Error('set GRITWATCH_URL to a running server, and GRITWATCH_FOLLOW to the alarms that are going to be raised');
  const log = process.env['GRITWATCH_FOLLOWED'];
  const write = (line: unknown) => void (log !== undefined && appendFileSync(log, `${JSON.stringify(line)}\n`));
  const folder = fileURLToPath(new URL('../../shots/', import.meta.url));
  const pictures = process.env['GRITWATCH_PICTURES'] === '1' ? folder : undefined;
  if (pictures !== undefined) mkdirSync(pictures, { recursive: true });
  const browser = await launch();
  try {
    write({ ready: true });
    await served(url);
    const f = await follow(browser, url, JSON.parse(list) as readonly Expected[], 'Ida', seconds * 1000, (what) => write(what === 'open' ? { open: true } : what), pictures);
    write({ others: f.others, history: f.history, ...f.page });
    expect(f.page.foreign).toEqual([]);
    expect(f.followed.filter((x) => !x.done)).toEqual([]);
  } finally {
    await browser.close();
  }
}, seconds * 1000 + 600_000);
