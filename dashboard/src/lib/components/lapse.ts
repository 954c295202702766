import type { Attachment } from 'svelte/attachments';

/**
 * lapse fades its element out at an instant of the monotonic clock, ms, unless it is renewed before. The browser
 * runs the fade apart from the page's script, so an answer ends even while that hangs. null: no end.
 */
export function lapse(endsAt: number | null): Attachment<HTMLElement> {
  return (element) => {
    if (endsAt === null) return undefined;
    const now = performance.now();
    const duration = Math.max(1, endsAt - now);
    const fade = element.animate([{ opacity: 1 }, { opacity: 1, offset: 0.999 }, { opacity: 0 }], { duration, fill: 'forwards' });
    // Else it begins when the page is next drawn: where that is late it would end as much too late.
    fade.startTime = now;
    return () => fade.cancel();
  };
}
