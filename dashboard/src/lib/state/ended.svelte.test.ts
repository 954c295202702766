import { expect, test } from 'vitest';
import { alarm, history, idOf } from '../../../tests/e2e/alarmfixtures';
import type { Got } from '../net/ask';
import type { Alarm, AlarmDetail, Alarms } from '../protocol/types.gen';
import { EndedAlarms } from './ended.svelte';

const t = '2026-11-24T14:00:00.000Z';
/** A server's book: what is stored, and what is in its memory alone. */
function rig(stored: Alarm[]) {
  const book = { stored, memory: [] as Alarm[], down: false, asked: [] as string[], limit: 10 };
  const down: Got<never> = { ok: false, why: 'unreached', problem: 'away' };
  let still = false;
  const list = new EndedAlarms(
    {
      ended: (pot, after): Promise<Got<Alarms>> => {
        if (book.down) return Promise.resolve(down);
        const of = book.stored.filter((a) => pot === null || a.pot === pot);
        const from = after === null ? 0 : of.findIndex((a) => a.id === after) + 1;
        const alarms = of.slice(from, from + book.limit);
        return Promise.resolve({ ok: true, value: { alarms, ...(from + alarms.length < of.length && { next: alarms.at(-1)?.id ?? '' }), server_t: t } });
      },
      detail: (id): Promise<Got<AlarmDetail>> => {
        book.asked.push(id);
        const a = [...book.memory, ...book.stored].find((x) => x.id === id);
        return Promise.resolve(book.down || a === undefined ? down : { ok: true, value: a as AlarmDetail });
      },
    },
    () => still,
  );
  return { book, list, ids: () => list.rows.map((a) => a.id), hold: (on: boolean) => (still = on) };
}
const standing = (n: number, ago: number, pot = 'alder') => alarm({ n, alarm: 'nozzle-low', priority: 'medium', pot, ago });
const over = (n: number, ago: number, pot = 'alder'): Alarm => ({ ...standing(n, ago, pot), ended: t, transitions: [] }) as unknown as Alarm;
/** What was begun without being waited for is done. */
const settled = () => new Promise((done) => setTimeout(done, 0));

test('what ends takes its place by when it was raised, once, though it is not stored yet', async () => {
  const { book, list, ids } = rig(history(4)); // raised 1, 2, 3 and 4 hours ago
  await list.show(null);
  book.memory = [over(7, 10), over(8, 9000)];
  list.follow([standing(7, 10), standing(8, 9000)], 50);
  list.follow([standing(7, 10), standing(8, 9000)], 50);
  await settled();
  expect(ids()).toEqual([7, 900, 899, 8, 898, 897].map(idOf));
  expect(book.asked).toEqual([7, 8].map(idOf));
  expect(list.more).toBe(false);
});

test('what had ended before the list was opened is there too, and what is stored is not asked for', async () => {
  const { book, list, ids } = rig(history(4));
  book.memory = [over(7, 10)];
  list.follow([standing(7, 10), standing(900, 3600)], 50);
  await list.show(null);
  await settled();
  expect(ids()).toEqual([7, 900, 899, 898, 897].map(idOf));
  expect(book.asked).toEqual([idOf(7)]);
});

test('one of another pot, one that stands on, and one of a page that nobody asked for are left out', async () => {
  const { book, list, ids } = rig(history(39)); // alder and birch in turn
  await list.show('birch');
  const before = ids();
  book.memory = [over(7, 10, 'alder'), standing(8, 20, 'birch') as unknown as Alarm, over(9, 300_000, 'birch')];
  list.follow([standing(7, 10), standing(8, 20, 'birch'), standing(9, 300_000, 'birch')], 50);
  await settled();
  expect(ids()).toEqual(before);
  expect(book.asked).toEqual([idOf(8)]);
  // Stored by then, it comes with its page.
  book.stored = [...book.stored, over(9, 300_000, 'birch')];
  await list.further();
  expect(ids().at(-1)).toBe(idOf(9));
  expect(ids()).toHaveLength(20);
  expect(list.older).toBe(false);
});

test('under a finger nothing moves, and then it does', async () => {
  const { book, list, ids, hold } = rig(history(1));
  await list.show(null);
  hold(true);
  book.memory = [over(7, 10)];
  list.follow([standing(7, 10)], 50);
  await settled();
  list.settle();
  expect(ids()).toEqual([idOf(900)]);
  hold(false);
  list.settle();
  expect(ids()).toEqual([7, 900].map(idOf));
});

test('what cannot be fetched is said to be missing, and asked for by whoever wants it', async () => {
  const { book, list, ids } = rig(history(2));
  await list.show(null);
  book.down = true;
  list.follow([standing(7, 10)], 50);
  await settled();
  expect(list.more).toBe(true);
  await list.show(null);
  expect([list.problem, list.more]).toEqual(['away', false]);
  book.down = false;
  book.memory = [over(7, 10)];
  await list.show(null);
  await settled();
  expect([list.problem, ids()]).toEqual([null, [7, 900, 899].map(idOf)]);
});

test('more than the stream remembers is said to be missing', async () => {
  const { list } = rig(history(2));
  await list.show(null);
  list.follow([standing(7, 10)], 2);
  list.follow([standing(7, 10), standing(8, 10)], 2);
  await settled();
  list.settle();
  const was = list.more; // 7 and 8 are in no memory
  await list.show(null);
  list.follow([standing(11, 10), standing(12, 10)], 2);
  expect([was, list.more]).toEqual([true, true]);
});

test('after a silence the newest are asked for, and those that were paged to stay', async () => {
  const { book, list, ids } = rig(history(25));
  await list.show(null);
  await list.further();
  book.stored = [over(7, 10), ...book.stored];
  await list.renew();
  expect(ids()).toEqual([7, ...Array.from({ length: 20 }, (_, i) => 900 - i)].map(idOf));
  expect(list.more).toBe(false);
  // So many that the newest page does not reach back to what is known.
  book.stored = [...Array.from({ length: 12 }, (_, i) => over(20 - i, i / 100)), ...book.stored];
  await list.renew();
  expect(ids()).toHaveLength(21);
  expect(list.more).toBe(true);
});
