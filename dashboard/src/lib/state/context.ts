import { createContext } from 'svelte';
import type { AlarmBook } from '../net/alarms';
import type { Live } from './live.svelte';
import type { Router } from './route.svelte';
import type { Sound } from './sound.svelte';
import type { Version } from './version.svelte';
import type { View } from './view.svelte';

/** The page's parts, for all components below. */
export const [getLive, setLive] = createContext<Live>();
export const [getView, setView] = createContext<View>();
export const [getRouter, setRouter] = createContext<Router>();
export const [getSound, setSound] = createContext<Sound>();
export const [getVersion, setVersion] = createContext<Version>();
export const [getBook, setBook] = createContext<AlarmBook>();
