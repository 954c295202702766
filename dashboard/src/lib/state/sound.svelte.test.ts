import { beforeEach, describe, expect, test } from 'vitest';
import { loop } from '../sound/horn';
import type { Horn } from '../sound/horn';
import { MUTE_MS, Sound } from './sound.svelte';

class FakeHorn implements Horn {
  state: Horn['state'] = 'ready';
  playing = false;
  woken = 0;
  onchange: (() => void) | null = null;
  wake(): void {
    this.woken++;
  }
  start(): void {
    this.playing = true;
  }
  stop(): void {
    this.playing = false;
  }
}

let horn: FakeHorn;
let sound: Sound;
beforeEach(() => {
  horn = new FakeHorn();
  sound = new Sound(horn);
});

describe('the sound', () => {
  test('begins with a loud alarm and ends with the last', () => {
    sound.look(0, []);
    expect(horn.playing).toBe(false);
    sound.look(200, ['a', 'b']);
    expect(horn.playing).toBe(true);
    sound.look(400, ['b']);
    expect(horn.playing).toBe(true);
    sound.look(600, []);
    expect(horn.playing).toBe(false);
  });

  test('a mute says how long it lasts and ends by itself', () => {
    sound.look(1000, ['a']);
    sound.mute();
    expect(horn.playing).toBe(false);
    expect(sound.muteLeft).toBe(MUTE_MS);
    sound.look(1000 + MUTE_MS - 1, ['a']);
    expect(horn.playing).toBe(false);
    expect(sound.muteLeft).toBe(1000);
    sound.look(1000 + MUTE_MS, ['a']);
    expect(horn.playing).toBe(true);
    expect(sound.muteLeft).toBeNull();
  });

  test('a mute is of the alarms that there were: a new one sounds', () => {
    sound.look(0, ['a']);
    sound.mute();
    sound.look(5000, ['a', 'b']);
    expect(horn.playing).toBe(true);
  });

  test('a mute does not outlive its alarms', () => {
    sound.look(0, ['a']);
    sound.mute();
    sound.look(5000, []);
    expect(sound.muteLeft).toBeNull();
    sound.look(6000, ['a']);
    expect(horn.playing).toBe(true);
  });

  test('can be had back before the mute ends', () => {
    sound.look(0, ['a']);
    sound.mute();
    sound.unmute();
    expect(horn.playing).toBe(true);
  });

  test('is tried for one round', () => {
    sound.look(0, []);
    sound.test();
    expect(horn.playing).toBe(true);
    sound.look(1900, []);
    expect(horn.playing).toBe(true);
    sound.look(2000, []);
    expect(horn.playing).toBe(false);
  });

  test('a touch wakes a horn that the browser blocks, and what changes is said', () => {
    horn.state = 'blocked';
    horn.onchange?.();
    expect(sound.state).toBe('blocked');
    const before = horn.woken;
    sound.touched();
    expect(horn.woken).toBe(before + 1);
    horn.state = 'ready';
    horn.onchange?.();
    expect(sound.state).toBe('ready');
    sound.touched();
    expect(horn.woken).toBe(before + 1);
  });
});

describe('one round', () => {
  const rate = 8000;
  const samples = loop(rate);
  const loudness = (from: number, to: number) => Math.sqrt(samples.slice(from * rate, to * rate).reduce((s, v) => s + v * v, 0) / ((to - from) * rate));

  test('is loud in its notes, silent between, and never clips', () => {
    expect(samples).toHaveLength(2 * rate);
    for (const at of [0, 0.3, 0.6]) expect(loudness(at + 0.02, at + 0.16)).toBeGreaterThan(0.3);
    for (const [a, b] of [[0.21, 0.29], [0.51, 0.59], [0.81, 2]] as const) expect(loudness(a, b)).toBe(0);
    expect(Math.max(...samples.map(Math.abs))).toBeLessThanOrEqual(1);
  });

  test('begins and ends its notes without a click', () => {
    let jump = 0;
    for (const at of [0, 0.2, 0.3, 0.5, 0.6, 0.8]) {
      const i = Math.round(at * rate);
      jump = Math.max(jump, Math.abs((samples[i] ?? 0) - (samples[i - 1] ?? 0)));
    }
    expect(jump).toBeLessThan(0.05);
  });
});
