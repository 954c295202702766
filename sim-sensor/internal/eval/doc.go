// Package eval holds the simulator to figures from outside it, and prints them: what "make eval" shows of the truth that
// every other score rests on. It is tests alone.
//
// Without more it looks at a little of everything, as part of the ordinary tests. With EVAL naming a folder (make eval) it
// plays every scenario built in, compares a run on another processor, and leaves what an engine is scored on in the
// folder: EVAL/<scenario>-<seed>, as gritwatch-sim generate writes it, but for two families that whoever scores them has
// written site by site; its own tables are there in simulator.md. With FULL=1 it plays longer, under more seeds.
// The seeds from 1000 on are for scoring alone: whoever tunes anything takes smaller ones.
package eval
