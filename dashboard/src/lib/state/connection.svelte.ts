import type { Ending } from '../net/socket';
import type { Missed } from './site.svelte';

/** The connection to the server as people see it. */
export class Connection {
  /** Connected and hearing frames. */
  live = $state(false);
  /** A frame was heard at least once. */
  ever = $state(false);
  /** Monotonic instant of the last frame, ms. */
  lastFrame = $state<number | null>(null);
  /** Why the last connection ended. */
  ending = $state<Ending | null>(null);
  problem = $state<string | null>(null);
  /** What was missed, until it is dismissed. */
  missed = $state.raw<Missed | null>(null);

  /** A frame was applied at the instant mono, ms. */
  heard(mono: number, missed: Missed): void {
    const back = !this.live && this.ever;
    this.live = true;
    this.ever = true;
    this.lastFrame = mono;
    this.ending = null;
    this.problem = null;
    if (back) this.missed = missed;
  }

  /** Nothing was heard for too long, though the connection stands. */
  quiet(): void {
    this.live = false;
  }

  closed(ending: Ending, problem: string | null): void {
    this.live = false;
    this.ending = ending;
    this.problem = problem;
  }

  dismiss(): void {
    this.missed = null;
  }

  /** How long nothing was heard at the instant mono, ms; 0 before the first frame. */
  silentMs(mono: number): number {
    return this.lastFrame === null ? 0 : Math.max(0, mono - this.lastFrame);
  }
}
