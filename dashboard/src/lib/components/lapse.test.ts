import { expect, test, vi } from 'vitest';
import { lapse } from './lapse';

function element() {
  const fade = { startTime: null as number | null, cancel: vi.fn() };
  const animate = vi.fn((_: Keyframe[], how: { duration: number; fill: string }) => Object.assign(fade, { how }));
  return { fade, animate, as: { animate } as unknown as HTMLElement };
}

test('what fades is gone at its instant, however late the page is drawn next', () => {
  const e = element();
  const endsAt = performance.now() + 2500;
  lapse(endsAt)(e.as);
  const how = e.animate.mock.calls[0]?.[1];
  expect(e.fade.startTime).not.toBeNull();
  expect(Number(e.fade.startTime) + Number(how?.duration)).toBeCloseTo(endsAt, 6);
  expect(how?.fill).toBe('forwards');
});

test('what has ended already is gone at once', () => {
  const e = element();
  const now = performance.now();
  lapse(now - 5000)(e.as);
  expect(Number(e.fade.startTime) + Number(e.animate.mock.calls[0]?.[1].duration)).toBeLessThan(performance.now() + 2);
});

test('nothing fades without an end, and a fade is given up when it is renewed', () => {
  const e = element();
  expect(lapse(null)(e.as)).toBeUndefined();
  expect(e.animate).not.toHaveBeenCalled();
  (lapse(performance.now() + 1000)(e.as) as () => void)();
  expect(e.fade.cancel).toHaveBeenCalledOnce();
});
