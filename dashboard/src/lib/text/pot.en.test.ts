import { readFileSync } from 'node:fs';
import { expect, test } from 'vitest';
import { findings } from '../protocol/types.gen';
import { finding, findingSays } from './pot.en';

test('findings say what the server’s package says', () => {
  const go = readFileSync(new URL('../../../../server/internal/engine/finding/finding.go', import.meta.url), 'utf8');
  for (const f of findings) {
    const says = new RegExp(`{"${f}", "([^"]*)"}`).exec(go)?.[1];
    expect(findingSays(f), f).toBe(says);
  }
});

test('a finding is a sentence, one that is not known too', () => {
  expect(finding('pot-empty')).toBe('The pot blows air only: it has run empty.');
  expect(finding('drain-due').endsWith('This is an estimate.')).toBe(true);
  expect(finding('moonlight')).toBe('Something has changed that this page does not know: moonlight.');
});
