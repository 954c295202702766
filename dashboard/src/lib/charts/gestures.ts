// Moves of a view by finger, mouse, wheel and keys, told as shares of the drawing's width.
import type { Attachment } from 'svelte/attachments';

export interface Moves {
  /** By a share of the width; positive: to later. */
  readonly pan: (share: number) => void;
  /** The view becomes factor times as long, around a share of its width. */
  readonly zoom: (factor: number, around: number) => void;
  /** Back to now. */
  readonly live: () => void;
}

/** What one key does; null: the key is not the drawing's. */
export function keyed(key: string, moves: Moves): (() => void) | null {
  switch (key) {
    case 'ArrowLeft':
      return () => moves.pan(-0.2);
    case 'ArrowRight':
      return () => moves.pan(0.2);
    case 'PageUp':
      return () => moves.pan(-1);
    case 'PageDown':
      return () => moves.pan(1);
    case '+':
    case '=':
      return () => moves.zoom(0.5, 0.5);
    case '-':
      return () => moves.zoom(2, 0.5);
    case 'End':
      return moves.live;
    default:
      return null;
  }
}

/** gestures listens on an element whose box, less inset CSS pixels left and right, is the drawing. */
export function gestures(moves: Moves, inset: () => readonly [number, number]): Attachment<HTMLElement> {
  return (element) => {
    const at = new Map<number, number>(); // pointer to x, CSS pixels
    const span = () => {
      const box = element.getBoundingClientRect();
      const [left, right] = inset();
      return { left: box.left + left, width: Math.max(1, box.width - left - right) };
    };
    const down = (e: PointerEvent) => {
      if (e.button !== 0) return;
      at.set(e.pointerId, e.clientX);
      element.setPointerCapture(e.pointerId);
    };
    const move = (e: PointerEvent) => {
      const was = at.get(e.pointerId);
      if (was === undefined) return;
      const { left, width } = span();
      const others = [...at].filter(([id]) => id !== e.pointerId).map(([, x]) => x);
      at.set(e.pointerId, e.clientX);
      const other = others[0];
      if (other === undefined) {
        if (e.clientX !== was) moves.pan((was - e.clientX) / width);
        return;
      }
      const before = Math.max(20, Math.abs(was - other));
      const after = Math.max(20, Math.abs(e.clientX - other));
      if (before !== after) moves.zoom(before / after, Math.min(1, Math.max(0, (other - left) / width)));
    };
    const up = (e: PointerEvent) => at.delete(e.pointerId);
    const wheel = (e: WheelEvent) => {
      const { left, width } = span();
      // Plain scrolling stays the page's.
      if (e.ctrlKey || e.metaKey) moves.zoom(Math.exp(Math.max(-1, Math.min(1, e.deltaY / 200))), Math.min(1, Math.max(0, (e.clientX - left) / width)));
      else if (Math.abs(e.deltaX) > Math.abs(e.deltaY)) moves.pan(e.deltaX / width);
      else return;
      e.preventDefault();
    };
    const key = (e: KeyboardEvent) => {
      if (e.ctrlKey || e.metaKey || e.altKey) return;
      const act = keyed(e.key, moves);
      if (act === null) return;
      e.preventDefault();
      act();
    };
    element.addEventListener('pointerdown', down);
    element.addEventListener('pointermove', move);
    element.addEventListener('pointerup', up);
    element.addEventListener('pointercancel', up);
    element.addEventListener('wheel', wheel, { passive: false });
    element.addEventListener('keydown', key);
    return () => {
      element.removeEventListener('pointerdown', down);
      element.removeEventListener('pointermove', move);
      element.removeEventListener('pointerup', up);
      element.removeEventListener('pointercancel', up);
      element.removeEventListener('wheel', wheel);
      element.removeEventListener('keydown', key);
    };
  };
}
