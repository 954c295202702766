import { mount } from 'svelte';
import App from './App.svelte';
import './app.css';
import type { Wire } from './lib/net/socket';
import { Live } from './lib/state/live.svelte';
import { View } from './lib/state/view.svelte';

function storage(): Storage | null {
  try {
    return window.localStorage;
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
mount(App, { target, props: { live, view: new View(storage()) } });
live.start();
