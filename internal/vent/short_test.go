package vent_test

import "testing"

// some is how many of n cases a sweep takes: all, but a tenth of them under -short, as the race detector plays them.
func some(n int) uint64 {
	if testing.Short() {
		n = (n + 9) / 10
	}
	return uint64(n)
}
