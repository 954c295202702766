import { mount } from 'svelte';
import App from './App.svelte';
import './app.css';
import { AlarmBook } from './lib/net/alarms';
import type { Wire } from './lib/net/socket';
import { WebHorn } from './lib/sound/horn';
import { Live } from './lib/state/live.svelte';
import { Router } from './lib/state/route.svelte';
import { Sound } from './lib/state/sound.svelte';
import { Version } from './lib/state/version.svelte';
import { View } from './lib/state/view.svelte';

function storage(which: 'localStorage' | 'sessionStorage'): Storage | null {
  try {
    return window[which];
  } catch {
    return null;
  }
}

function open(url: string): Wire {
  const socket = new WebSocket(url);
  const wire: Wire = {
    onopen: null,
    onmessage: null,
    onclose: null,
    onerror: null,
    send: (text) => socket.send(text),
    close: () => socket.close(),
  };
  socket.onopen = () => wire.onopen?.();
  socket.onmessage = (event: MessageEvent<unknown>) => wire.onmessage?.(event);
  socket.onclose = () => wire.onclose?.();
  socket.onerror = () => wire.onerror?.();
  return wire;
}

const url = new URL('/api/v1/live', location.href);
url.protocol = url.protocol === 'https:' ? 'wss:' : 'ws:';

const live = new Live({
  url: url.href,
  document,
  window,
  read: () => ({ mono: performance.now(), wall: Date.now() }),
  every: (run, ms) => {
    const timer = setInterval(run, ms);
    return () => clearInterval(timer);
  },
  socket: {
    createSocket: open,
    random: Math.random,
    setTimer: (run, ms) => setTimeout(run, ms),
    clearTimer: (timer) => clearTimeout(timer as ReturnType<typeof setTimeout> | undefined),
  },
});

const target = document.getElementById('app');
if (target === null) throw new Error('index.html has no #app');
const build = document.querySelector<HTMLMetaElement>('meta[name="build"]')?.content ?? null;
const version = new Version(build, {
  fetch: async () => (await fetch('/', { cache: 'no-store' })).text(),
  reload: () => location.reload(),
  store: storage('sessionStorage'),
});
mount(App, {
  target,
  props: {
    live,
    view: new View(storage('localStorage')),
    router: new Router(window),
    sound: new Sound(new WebHorn()),
    version,
    book: new AlarmBook(
      (path, options) => fetch(path, options),
      (id, deed, act) => live.act(id, deed, act),
    ),
  },
});
live.start();
