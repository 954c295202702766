// Whether the page sounds. It does while a critical alarm stands that nobody has acknowledged, on a page that nobody sees
// too, and goes on if the connection is lost meanwhile. A mute ends by itself, and is only of the alarms that there were.
import type { Horn } from '../sound/horn';

/** How long a mute lasts, ms. */
export const MUTE_MS = 120_000;
/** How long a test sounds, ms: one round. */
const TEST_MS = 2000;

export class Sound {
  readonly #horn: Horn;
  /** Whether the horn would be heard. */
  state = $state<Horn['state']>('blocked');
  /** The horn sounds, or would if the browser let it. */
  sounding = $state(false);
  /** How much of a mute is left, ms; null: none. */
  muteLeft = $state<number | null>(null);
  #mutedUntil: number | null = null;
  #muted: ReadonlySet<string> = new Set();
  #testUntil: number | null = null;
  #loud: readonly string[] = [];
  #mono = 0;

  constructor(horn: Horn) {
    this.#horn = horn;
    this.state = horn.state;
    horn.onchange = () => (this.state = horn.state);
    horn.wake();
  }

  /** Somebody touches the page: the browser may let it sound now. */
  touched(): void {
    if (this.#horn.state === 'blocked') this.#horn.wake();
  }

  /** Says what is to sound at the instant mono, ms. loud: ids of the alarms that are to be heard. */
  look(mono: number, loud: readonly string[]): void {
    this.#mono = mono;
    this.#loud = loud;
    if (this.#mutedUntil !== null && (mono >= this.#mutedUntil || loud.length === 0)) this.#endMute();
    if (this.#testUntil !== null && mono >= this.#testUntil) this.#testUntil = null;
    this.muteLeft = this.#mutedUntil === null ? null : Math.ceil((this.#mutedUntil - mono) / 1000) * 1000;
    const sounding = loud.some((id) => !this.#muted.has(id)) || this.#testUntil !== null;
    if (sounding === this.sounding) return;
    this.sounding = sounding;
    if (sounding) this.#horn.start();
    else this.#horn.stop();
  }

  /** Silences the alarms that sound now, for a while. */
  mute(): void {
    this.#muted = new Set(this.#loud);
    this.#mutedUntil = this.#mono + MUTE_MS;
    this.look(this.#mono, this.#loud);
  }

  unmute(): void {
    this.#endMute();
    this.look(this.#mono, this.#loud);
  }

  /** Sounds one round. */
  test(): void {
    this.touched();
    this.#testUntil = this.#mono + TEST_MS;
    this.look(this.#mono, this.#loud);
  }

  #endMute(): void {
    this.#mutedUntil = null;
    this.#muted = new Set();
  }
}
