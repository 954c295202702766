// Package eval scores what judges a pot on what the simulator has written: folders with pot.yaml, samples.csv and
// truth.jsonl, as gritwatch-sim generate leaves them. It is tests alone.
//
// With EVAL naming the folder of those folders (make eval) it scores them all; without, the small one in testdata, as part
// of the ordinary tests. It reads files since the server must not know the simulator.
package eval
