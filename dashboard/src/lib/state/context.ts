import { createContext } from 'svelte';
import type { Live } from './live.svelte';
import type { View } from './view.svelte';

/** The page's live state and what its viewer chose, for all components below. */
export const [getLive, setLive] = createContext<Live>();
export const [getView, setView] = createContext<View>();
