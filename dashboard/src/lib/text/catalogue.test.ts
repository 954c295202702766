import { readdirSync, readFileSync } from 'node:fs';
import { expect, test } from 'vitest';

const root = new URL('../../', import.meta.url);
const components = readdirSync(root, { recursive: true, encoding: 'utf8' }).filter((f) => f.endsWith('.svelte'));

/** A component's markup without its script, its style and what stands in braces. */
function markup(source: string): string {
  let depth = 0;
  let out = '';
  for (const c of source.replace(/<script[\s\S]*?<\/script>|<style[\s\S]*?<\/style>|<!--[\s\S]*?-->/g, '')) {
    if (c === '{') depth++;
    else if (c === '}') depth--;
    else if (depth === 0) out += c;
  }
  return out;
}

const words = (text: string) => text.split(/\s+/).filter((w) => /[a-z]{2}/i.test(w));

/** What people would read of it that is not from the catalogue. */
function own(source: string): readonly string[] {
  const text = markup(source);
  const said = [...text.matchAll(/\s(?:aria-label|title|placeholder|alt)="([^"]*)"/g)].flatMap((m) => words(m[1] ?? ''));
  return [...said, ...words(text.replace(/<[^>]*>/g, ' '))];
}

test('no component has words of its own', () => {
  expect(own('<p title="Open {x}" class="box">{texts.a ?? \'no\'} at once<b>{#if a > 1}{b}{/if}</b></p>')).toEqual(['Open', 'at', 'once']);
  expect(components.length).toBeGreaterThan(40);
  for (const file of components) expect(own(readFileSync(new URL(file, root), 'utf8')), file).toEqual([]);
});

test('nothing moves on the page by itself, so that nobody has to ask for less motion', () => {
  const moving = /\btransition\s*:|\banimation(?:-\w+)?\s*:|@keyframes|scroll-behavior|svelte\/(?:transition|animate|motion)|behavior:\s*'smooth'/;
  expect('a { transition: opacity 1s }').toMatch(moving);
  for (const file of [...components, 'app.css']) expect(readFileSync(new URL(file, root), 'utf8'), file).not.toMatch(moving);
});
