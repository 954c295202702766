// The sound of a critical alarm, made in code: two short notes and a higher one, every two seconds.

/** What sounds. */
export interface Horn {
  /** Whether it would be heard: blocked until somebody touches the page; none: this browser cannot. */
  readonly state: 'ready' | 'blocked' | 'none';
  /** Tries to become ready; browsers allow that only while somebody touches the page. */
  wake(): void;
  start(): void;
  stop(): void;
  /** Called whenever state may have changed. */
  onchange: (() => void) | null;
}

interface Note {
  readonly at: number;
  readonly hz: number;
}

const LOOP_S = 2;
const NOTE_S = 0.2;
const notes: readonly Note[] = [
  { at: 0, hz: 660 },
  { at: 0.3, hz: 660 },
  { at: 0.6, hz: 880 },
];
/** Harmonics with their strengths: so many that old ears and loud sites hear some of them (common practice, no source). */
const harmonics: readonly (readonly [number, number])[] = [[1, 0.5], [2, 0.25], [3, 0.15], [4, 0.1]];

/** loop is one round of the sound, -1 to 1, at a rate in samples a second. */
export function loop(rate: number): Float32Array<ArrayBuffer> {
  const out = new Float32Array(Math.round(LOOP_S * rate));
  for (const note of notes) {
    const from = Math.round(note.at * rate);
    const n = Math.round(NOTE_S * rate);
    for (let i = 0; i < n; i++) {
      const t = i / rate;
      // A soft begin and end, so that nothing clicks.
      const envelope = Math.min(1, t / 0.012, (NOTE_S - t) / 0.03);
      let v = 0;
      for (const [k, strength] of harmonics) v += strength * Math.sin(2 * Math.PI * k * note.hz * t);
      out[from + i] = v * envelope;
    }
  }
  return out;
}

/** A horn that a browser plays. Its context stays awake once it is: what is put to sleep might not wake for an alarm. */
export class WebHorn implements Horn {
  readonly #context: AudioContext | null;
  #playing: AudioBufferSourceNode | null = null;
  onchange: (() => void) | null = null;

  constructor() {
    let context: AudioContext | null = null;
    try {
      context = new AudioContext();
      context.onstatechange = () => this.onchange?.();
    } catch {
      context = null;
    }
    this.#context = context;
  }

  get state(): Horn['state'] {
    if (this.#context === null) return 'none';
    return this.#context.state === 'running' ? 'ready' : 'blocked';
  }

  wake(): void {
    // Refused without a touch: state then stays blocked, and the page says so.
    if (this.#context !== null && this.#context.state !== 'running') this.#context.resume().catch(() => undefined);
  }

  start(): void {
    const context = this.#context;
    if (context === null || this.#playing !== null) return;
    const data = loop(context.sampleRate);
    const buffer = context.createBuffer(1, data.length, context.sampleRate);
    buffer.copyToChannel(data, 0);
    const source = context.createBufferSource();
    source.buffer = buffer;
    source.loop = true; // by itself: a browser slows the timers of a page that nobody sees
    source.connect(context.destination);
    source.start();
    this.#playing = source;
  }

  stop(): void {
    this.#playing?.stop();
    this.#playing?.disconnect();
    this.#playing = null;
  }
}
